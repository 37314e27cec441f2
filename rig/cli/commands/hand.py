"""The verb `hand`: what the maker's own hand and ear found, beside the machine's map."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import SIMULATED_LINE, Answer, Json, Speaker, command, count, number, sentence
from rig.cli.verb import (
    FACE,
    FILE,
    FOLDER,
    Decorator,
    check_kind,
    contract_of,
    folder_argument,
    reading_option,
    scan_option,
    verb,
)
from rig.cli.verbs import job

_MOST_SHOWN = 30


@click.group(
    "hand",
    short_help="Set the maker's own ear beside the machine.",
    context_settings={"help_option_names": ["-h", "--help"]},
)
def hand() -> None:
    """Read what the maker's hand and ear found, keep it with the plate, compare it with a scan."""


class _Place(click.ParamType):  # type: ignore[type-arg]  # click is generic in its stubs alone
    """Two numbers with a comma between."""

    name = "X,Y"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        parts = str(value).split(",")
        try:
            x, y = (float(part) for part in parts)
        except ValueError:
            self.fail(f"“{value}” is not a place such as -40,85 (x,y in mm).", param, ctx)
        return x, y


def _plate(function: Any) -> Any:
    return click.option(
        "--plate", metavar="NAME.plate", type=FOLDER, help="Keep it in this plate folder."
    )(function)


def _face(function: Any) -> Any:
    return click.option(
        "--face", type=FACE, default="outer", show_default=True, help="The face that is up."
    )(function)


def _bed_options(function: Any) -> Any:
    options: tuple[Decorator, ...] = (
        click.option("--rig", "rig_file", type=FILE, required=True, help="The rig (bed, lens)."),
        click.option(
            "--rim-height", "rim_height_mm", type=float, default=3.0, show_default=True,
            help="Upper edge of the plate's rim above the bed, mm.",
        ),
    )  # fmt: skip
    for option in reversed(options):
        function = option(function)
    return function


@verb(
    "marks",
    "Read chalk or sticker marks from a picture.",
    example="platerig hand marks marked.png --rig rig.toml --plate maple-back.plate "
    "--higher red --lower blue",
)
@click.argument("picture", metavar="PICTURE", type=FILE)
@_bed_options
@_plate
@_face
@click.option("--higher", metavar="COLOUR", help="Colour of “higher”: a name or #rrggbb.")
@click.option("--lower", metavar="COLOUR", help="Colour of “lower”.")
@click.option("--least", "least_mm", type=float, default=4.0, show_default=True,
              help="Smallest width of a mark, mm.")  # fmt: skip
@click.option("--most", "most_mm", type=float, default=25.0, show_default=True,
              help="Largest width of a mark, mm.")  # fmt: skip
def marks(
    picture: Path, least_mm: float, most_mm: float, progress: Any, machine: bool, **options: Any
) -> Answer:
    """Read marks for “higher” and “lower” from a picture of the plate on the bed.

    Without colours, warm ones (red, orange, yellow) are higher and cool ones (green, blue, white)
    lower. Exit status 1 when the plate or a mark is not found.
    """
    del machine
    contract = contract_of(
        job("hand marks")(picture, size_mm=(least_mm, most_mm), progress=progress, **options)
    )

    def say(to: Speaker) -> None:
        found = contract["marks"]
        sides = [mark["side"] for mark in found]
        to.line(
            f"{count(len(found), 'mark')} on the {contract['face']} face: "
            f"{sides.count('higher')} higher, {sides.count('lower')} lower."
        )
        to.table(
            ("x (mm)", "y (mm)", "mark", "width (mm)"),
            [
                (number(m["x_mm"]), number(m["y_mm"]), m["side"], number(m["width_mm"]))
                for m in found[:_MOST_SHOWN]
            ],
        )
        _say_end(to, contract, options["plate"])

    return Answer(contract, say)


@verb(
    "track",
    "Read a scratch from its recording and its film.",
    example="platerig hand track --sound rub.wav --film rub.mp4 --tap -60,60 --tap 45,300 "
    "--rig rig.toml --plate maple-back.plate --marker green --tool-height 8",
)
@click.option("--sound", type=FILE, required=True, metavar="WAV", help="The recording.")
@click.option("--film", type=FILE, required=True, metavar="DIR|FILE",
              help="A video, or a folder of pictures with times.csv (file,time_s).")  # fmt: skip
@click.option("--tap", "taps", type=_Place(), multiple=True, required=True, metavar="X,Y",
              help="Spot of a tap, mm of the plate frame; give two.")  # fmt: skip
@_bed_options
@_plate
@_face
@click.option("--marker", metavar="COLOUR", help="Colour of the marker; found if left out.")
@click.option("--tool-height", "tool_height_mm", type=float, default=0.0, show_default=True,
              help="Height of the marker over the wood while the tool touches it, mm.")  # fmt: skip
@click.option("--mic-channel", "channel", type=click.IntRange(min=0), default=0, show_default=True,
              help="Channel of the microphone, counted from 0.")  # fmt: skip
def track(
    sound: Path,
    film: Path,
    taps: tuple[tuple[float, float], ...],
    progress: Any,
    machine: bool,
    **options: Any,
) -> Answer:
    """Read a scratch over the plate: its noise pitch at the places a coloured marker passed.

    On a first known spot: rest half a second, lift, knock once, rest. Scratch the plate slowly,
    some spots twice. End likewise on a second spot. Camera and recorder need no common clock.
    """
    del machine
    if len(taps) != 2:
        raise click.UsageError("Give --tap X,Y twice: where the first and the last knock fell.")
    contract = contract_of(
        job("hand track")(sound, film, (taps[0], taps[1]), progress=progress, **options)
    )

    def say(to: Speaker) -> None:
        tie = contract["tie"]
        values = [place["value"] for place in contract["places"]]
        to.line(
            f"{count(len(values), 'spot')}, from {number(min(values), signed=True)} to "
            f"{number(max(values), signed=True)} cents against the middle."
        )
        to.line(
            f"The marker was seen in {contract['marker_seen']} of {contract['pictures']} pictures; "
            f"film and sound are tied within {number(tie['sd_s'], 2, 's')}."
        )
        _say_end(to, contract, options["plate"])

    return Answer(contract, say)


@verb(
    "pairs",
    "Turn “here higher than there” into a scale.",
    example="platerig hand pairs answers.csv --plate maple-back.plate",
)
@click.argument("table", metavar="CSV", type=FILE)
@_plate
@_face
def pairs(table: Path, plate: Path | None, face: str, progress: Any, machine: bool) -> Answer:
    """Turn paired answers (x1_mm,y1_mm,x2_mm,y2_mm,answer) into a scale with its doubt.

    The answer says whether the first place sounds higher, the same or lower than the second. The
    pair that would tell most is named next.
    """
    del machine
    contract = contract_of(job("hand pairs")(table, plate=plate, face=face, progress=progress))

    def say(to: Speaker) -> None:
        to.line(
            f"{count(contract['answers'], 'answer')} on {count(len(contract['places']), 'spot')}."
        )
        _say_places(to, contract)
        ask = contract["next_pair"]
        if ask is not None:
            first, second = (f"x {number(p['x_mm'])}, y {number(p['y_mm'])} mm" for p in ask)
            to.line(f"Ask next: is {first} higher than {second}?")
        _say_end(to, contract, plate)

    return Answer(contract, say)


@verb(
    "judge",
    "Read places judged higher, same or lower.",
    example="platerig hand judge judged.csv --plate maple-back.plate",
)
@click.argument("table", metavar="CSV", type=FILE)
@_plate
@_face
def judge(table: Path, plate: Path | None, face: str, progress: Any, machine: bool) -> Answer:
    """Read judged places (x_mm,y_mm,judgement: higher, same or lower)."""
    del machine
    contract = contract_of(job("hand judge")(table, plate=plate, face=face, progress=progress))

    def say(to: Speaker) -> None:
        to.line(f"{count(len(contract['places']), 'place')} judged.")
        _say_places(to, contract)
        _say_end(to, contract, plate)

    return Answer(contract, say)


@verb(
    "compare",
    "Compare the hand with a scan.",
    example="platerig hand compare maple-back.plate --hand H0001 --scan S0001 --picture hand.png",
)
@folder_argument
@click.option("--hand", "hand_", metavar="H0001", help="Which record; the latest if left out.")
@scan_option("Which scan; the latest of the hand's face if left out.")
@reading_option
@click.option("--of", "quantity", type=click.Choice(["tone", "above target"]), default="tone",
              show_default=True, help="The map's tone, or how far above target.")  # fmt: skip
@click.option("--picture", type=FILE, help="Draw machine, hand and difference (png, svg or pdf).")
def compare(
    folder: Path, hand_: str | None, picture: Path | None, progress: Any, machine: bool,
    **options: Any,
) -> Answer:  # fmt: skip
    """Say how far machine and hand agree, where they surely differ, and which reading fits best."""
    del machine
    if picture is not None:
        check_kind(picture)
    contract = contract_of(
        job("hand compare")(folder, hand_, picture=picture, progress=progress, **options)
    )

    def say(to: Speaker) -> None:
        if contract["simulated"]:
            to.line(SIMULATED_LINE)
        to.line(
            f"{contract['record']} ({contract['kind']}) against {contract['scan']}, reading "
            f"{contract['reading']}:"
        )
        to.line(sentence(contract["sentence"]))
        if contract["kappa"] is not None:
            to.line(f"High and low beyond chance (Cohen's kappa): {_span(contract['kappa'])}.")
        if len(contract["readings"]) > 1:
            to.table(
                ("reading", "rank correlation (−1…1)", "foretold (%)"),
                [
                    (
                        one["reading"],
                        _span(one["rank_correlation"]),
                        "–" if one["skill"] is None else number(100.0 * one["skill"]),
                    )
                    for one in contract["readings"]
                ],
            )
        to.line(contract["ear"])
        sure = [point for point in contract["points"] if point["sure"]]
        if sure:
            to.table(
                ("x (mm)", "y (mm)", "hand (sd)", "machine (sd)", "difference (sd)"),
                [
                    (
                        number(p["x_mm"]),
                        number(p["y_mm"]),
                        number(p["hand"], 1, signed=True),
                        number(p["machine"], 1, signed=True),
                        f"{number(p['difference'], 1, signed=True)} ± {number(p['sd'], 1)}",
                    )
                    for p in sure[:_MOST_SHOWN]
                ],
                title="Where they differ beyond doubt",
            )
        to.lines(sentence(f"  {note}") for note in contract["notes"])
        if picture is not None:
            to.line(f"Picture: {picture}")

    return Answer(contract, say)


@verb("list", "List what is kept of the hand.", example="platerig hand list maple-back.plate")
@folder_argument
def list_(folder: Path, progress: Any, machine: bool) -> Answer:
    """List the records of the hand in a plate folder, oldest first."""
    del progress, machine
    contract = contract_of(job("hand list")(folder))

    def say(to: Speaker) -> None:
        if not contract["records"]:
            to.line("Nothing of the hand is kept in this folder.")
            return
        to.table(
            ("record", "made", "kind", "face", "places (#)", "from"),
            [
                (
                    one["record"],
                    one["made_utc"][:16].replace("T", " "),
                    one["kind"] + (" (simulated)" if one["simulated"] else ""),
                    one["face"],
                    str(one["places"]),
                    one["source"],
                )
                for one in contract["records"]
            ],
        )

    return Answer(contract, say)


def _say_places(to: Speaker, contract: Json) -> None:
    ranked = sorted(contract["places"], key=lambda place: (place["group"], -place["value"]))
    to.table(
        ("x (mm)", "y (mm)", "value (sd)"),
        [
            (
                number(p["x_mm"]),
                number(p["y_mm"]),
                f"{number(p['value'], 2, signed=True)} ± {number(p['sd'], 2)}",
            )
            for p in ranked[:_MOST_SHOWN]
        ],
    )
    if len(ranked) > _MOST_SHOWN:
        to.line(f"… and {len(ranked) - _MOST_SHOWN} more; --json lists all.")


def _say_end(to: Speaker, contract: Json, plate: Path | None) -> None:
    to.lines(sentence(f"  {note}") for note in contract["notes"])
    if contract["simulated"]:
        to.line(SIMULATED_LINE)
    if contract["record"] is None:
        to.line("Nothing was kept: name a plate folder with --plate.")
    else:
        to.line(f"Kept as {contract['record']}.")
        to.line(command("Next", "hand", "compare", plate))


def _span(interval: Json) -> str:
    """`0.81 (0.62 to 0.91)`."""
    value = number(interval["value"], 2)
    if interval["low"] is None:
        return f"{value} (how sure: unknown)"
    return f"{value} ({number(interval['low'], 2)} to {number(interval['high'], 2)})"


for _command in (marks, track, pairs, judge, compare, list_):
    hand.add_command(_command)

COMMANDS = (hand,)
