"""Verbs from map to decision: thickness, preview, history, distinct."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click

from rig.cli.answer import SIMULATED_LINE, Answer, Json, Speaker, command, count, number, sentence
from rig.cli.verb import (
    FACE,
    FILE,
    READING,
    check_kind,
    contract_of,
    folder_argument,
    scan_option,
    verb,
)
from rig.cli.verbs import job

_MOST_SHOWN = 20
_MOST_MODES = 12


def _place(context: click.Context, option: click.Parameter, value: str) -> tuple[float, float]:
    """`x,y` in mm: 12,175 or, with decimal commas, 12,5;175."""
    del context, option
    parts = value.split(";") if ";" in value else value.split(",")
    try:
        x, y = (float(part.replace(",", ".")) for part in parts)
    except ValueError:
        x, y = math.nan, math.nan
    if not (math.isfinite(x) and math.isfinite(y)):
        raise click.BadParameter(f"“{value}” is no place; write x,y in mm, such as 12,175.")
    return x, y


@verb(
    "thickness",
    "Keep caliper readings with the plate.",
    example="platerig thickness maple-back.plate caliper.csv --date 2026-11-20\n"
    "platerig thickness maple-back.plate --list\n"
    "platerig thickness maple-back.plate --against S0001",
)
@folder_argument
@click.argument("file", metavar="[FILE]", type=FILE, required=False)
@click.option("--list", "list_", is_flag=True, help="List what is kept; nothing is changed.")
@click.option("--face", type=FACE, default="outer", show_default=True,
              help="The face that the places were marked on.")  # fmt: skip
@click.option("--date", "measured_on", metavar="YYYY-MM-DD", help="When they were measured; today.")
@click.option("--against", "scan", metavar="S0001",
              help="Take this scan's local tone apart into thickness and stiffness.")  # fmt: skip
def thickness(
    folder: Path,
    file: Path | None,
    list_: bool,
    face: str,
    measured_on: str | None,
    scan: str | None,
    progress: Any,
    machine: bool,
) -> Answer:
    """Keep a list of caliper readings with the plate; every list stays as it came.

    FILE is a CSV table whose first line reads x_mm,y_mm,thickness_mm (and sd_mm where the doubt of
    a reading is known; 0.05 mm otherwise). x counts from the centre line to the right, y from the
    lower end up, seen from the outer face, whichever face was up. Semicolons between the values
    allow decimal commas.
    """
    del machine
    if list_ and file is not None:
        raise click.UsageError("--list only lists; leave FILE out.")
    contract = contract_of(
        job("thickness")(
            folder, file, face=face, measured_on=measured_on, scan=scan, progress=progress
        )
    )

    def say(to: Speaker) -> None:
        kept = [one for one in contract["records"] if one["name"] == contract["kept"]]
        for record in kept:
            to.line(f"Kept as {record['name']}: {_readings(record)}.")
        if scan is not None:
            _say_parted(to, contract)
        elif not kept:
            _say_records(to, contract)
        if kept:
            to.line(command("Next", "zones", folder, "--floor-mm", "2.2"))

    return Answer(contract, say)


def _readings(record: Json) -> str:
    told = [one["thickness_mm"] for one in record["readings"]]
    return (
        f"{count(len(told), 'reading')}, {number(min(told), 2)} to {number(max(told), 2, 'mm')}, "
        f"measured {record['measured_on']}"
    )


def _say_records(to: Speaker, contract: Json) -> None:
    if not contract["records"]:
        to.line("No thickness readings are kept yet.")
        return
    to.table(
        ("name", "measured", "face", "readings", "from (mm)", "to (mm)", "file"),
        [
            (
                one["name"], one["measured_on"], one["face"], str(len(one["readings"])),
                number(min(r["thickness_mm"] for r in one["readings"]), 2),
                number(max(r["thickness_mm"] for r in one["readings"]), 2), one["source"],
            )
            for one in contract["records"]
        ],
    )  # fmt: skip


def _say_parted(to: Speaker, contract: Json) -> None:
    if contract["simulated"]:
        to.line(SIMULATED_LINE)
    found = contract["parted"]
    low, high = found["share_of_spread_low"], found["share_of_spread_high"]
    between = "" if low is None else f" ({number(100 * low)} to {number(100 * high)} %)"
    to.line(
        f"Of the spread of local tone {number(100 * found['share_of_spread'])} %{between} is "
        "thickness; the rest is the wood's stiffness."
    )
    points = sorted(found["points"], key=lambda p: -p["tone_cents"])
    shown = points[:_MOST_SHOWN]
    to.table(
        ("x (mm)", "y (mm)", "tone (cents)", "thick (mm)", "of it thickness (cents)",
         "of it stiffness (cents)", "√(E/ρ) to middle, 1"),
        [
            (
                number(p["x_mm"]), number(p["y_mm"]),
                _with_sd(p["tone_cents"], p["tone_sd_cents"]),
                _with_sd(p["thickness_mm"], p["thickness_sd_mm"], 2),
                _with_sd(p["thickness_cents"], p["thickness_sd_cents"]),
                _with_sd(p["stiffness_cents"], p["stiffness_sd_cents"]),
                _with_sd(p["stiffness_ratio"], p["stiffness_ratio_sd"], 3),
            )
            for p in shown
        ],
        title="Highest places with a reading near; tone = thickness + stiffness",
    )  # fmt: skip
    if len(points) > len(shown):
        to.line(f"{len(points) - len(shown)} more places (--json lists all).")
    to.lines(f"  {caution}" for caution in contract["cautions"])


def _with_sd(value: float, sd: float, digits: int = 0) -> str:
    return f"{number(value, digits)} ± {number(sd, digits)}"


@verb(
    "preview",
    "Tell what a cut would do, before it is made.",
    example="platerig preview maple-back.plate --at=-45,95 --over 30 --depth 0.1",
)
@folder_argument
@click.option("--at", "at", callback=_place, required=True, metavar="X,Y",
              help="Where, in mm: 0,175 or --at=-45,95 left of the middle.")  # fmt: skip
@click.option("--over", "width_mm", type=float, required=True, metavar="MM",
              help="How wide: half as deep at half of this from its middle.")  # fmt: skip
@click.option("--depth", "depth_mm", type=float, required=True, metavar="MM",
              help="How deep at the middle.")  # fmt: skip
@scan_option("Which scan's plate; the latest if left out, outline and mass where there is none.")
def preview(
    folder: Path,
    at: tuple[float, float],
    width_mm: float,
    depth_mm: float,
    scan: str | None,
    progress: Any,
    machine: bool,
) -> Answer:
    """Tell what a cut would do to every partial of the plate and to the local tone.

    It is made on the plate that was fitted to the scan's taps; without one on what outline, mass
    and wood let expect, which is far less sure. For small cuts: at most 15 % of the thickness.
    """
    del machine
    contract = contract_of(
        job("preview")(
            folder, x_mm=at[0], y_mm=at[1], width_mm=width_mm, depth_mm=depth_mm, scan=scan,
            progress=progress,
        )
    )  # fmt: skip

    def say(to: Speaker) -> None:
        if contract["simulated"]:
            to.line(SIMULATED_LINE)
        cut = contract["cut"]
        thick = _with_sd(contract["thickness_mm"], contract["thickness_sd_mm"], 2)
        to.line(
            f"{number(depth_mm, 2, 'mm')} off at x {number(at[0])}, y {number(at[1])} mm, over "
            f"{number(width_mm)} mm, of wood {thick} mm thick: {number(cut['mass_g'], 3, 'g')}. "
            f"Made on: {contract['source']}."
        )
        to.line(
            f"Local tone there: {_with_sd(contract['tone_cents'], contract['tone_sd_cents'])} "
            f"cents at the middle, {number(contract['tone_over_cents'])} cents over its width."
        )
        told = [p for p in contract["partials"] if p["change_cents"] is not None]
        if told:
            to.table(
                ("partial (Hz)", "change (cents)", "± (cents)", "likeness (0 to 1)"),
                [
                    (number(p["hz"], 2), number(p["change_cents"], 2, signed=True),
                     number(p["sd_cents"], 2), number(p["likeness"], 2))
                    for p in told
                ],
            )  # fmt: skip
        else:
            to.table(
                ("mode of the model (Hz)", "change (cents)", "± (cents)"),
                [
                    (number(m["hz"], 1), number(m["change_cents"], 2, signed=True),
                     number(m["sd_cents"], 2))
                    for m in contract["modes"][:_MOST_MODES]
                ],
            )  # fmt: skip
        to.lines(f"  {sentence(note)}" for note in contract["notes"])
        to.line(contract["limits"])

    return Answer(contract, say)


@verb(
    "history",
    "Put all scans of a plate side by side.",
    example="platerig history maple-back.plate --picture history.png",
)
@folder_argument
@click.option("--picture", type=FILE, help="Draw it (png, svg or pdf).")
def history(folder: Path, picture: Path | None, progress: Any, machine: bool) -> Answer:
    """Put all scans of a plate side by side, oldest first, and follow its partials over them."""
    del machine
    if picture is not None:
        check_kind(picture)
    contract = contract_of(job("history")(folder, picture=picture, progress=progress))

    def say(to: Speaker) -> None:
        if contract["simulated"]:
            to.line(SIMULATED_LINE)
        to.table(
            ("scan", "date", "face", "strength", "taps", "evenness (cents)", "°C (air)", "% (air)",
             "mass (g)", "not as before"),
            [
                (
                    s["scan"], s["date_utc"][:10], s["face"], s["strength"], str(s["taps"]),
                    _evenness(s), number(s["temperature_c"], 1), number(s["humidity_percent"]),
                    number(s["mass_g"], 1), "see below" if s["differs"] else "",
                )
                for s in contract["scans"]
            ],
        )  # fmt: skip
        _say_partials(to, contract)
        for one in contract["scans"]:
            for line in (*one["differs"], *one["notes"]):
                to.line(f"  {one['scan']}: {sentence(line)}")
        if picture is not None:
            to.line(f"Picture: {picture}")

    return Answer(contract, say)


def _evenness(entry: Json) -> str:
    if entry["evenness_cents"] is None:
        return "not read"
    return (
        f"{number(entry['evenness_cents'])} ({number(entry['evenness_low_cents'])} to "
        f"{number(entry['evenness_high_cents'])}), {entry['reading']}"
    )


def _say_partials(to: Speaker, contract: Json) -> None:
    partials = contract["partials"]
    if not partials:
        to.line("No partial was heard in two scans.")
        return
    names = [s["scan"] for s in contract["scans"]][-6:]
    rows = []
    for partial in partials[:_MOST_SHOWN]:
        over = partial["over_scans"][-len(names) :]
        cells = ["–" if c is None else _with_sd(c["change_cents"], c["sd_cents"], 1) for c in over]
        rows.append((number(partial["hz"], 2), *cells))
    to.table(
        ("partial (Hz)", *(f"{name} (cents)" for name in names)), rows,
        title="Partials against the scan in which each was first heard",
    )  # fmt: skip


@verb(
    "distinct",
    "Tell how distinct the maps of a plate are.",
    example="platerig distinct maple-back.plate\n"
    "platerig distinct maple-back.plate S0001 S0002 --reading attack",
)
@folder_argument
@click.argument("scans", metavar="[S0001 …]", nargs=-1)
@click.option("--reading", type=READING, help="One reading; all that the scans carry otherwise.")
def distinct(
    folder: Path, scans: tuple[str, ...], reading: str | None, progress: Any, machine: bool
) -> Answer:
    """Tell how far the maps of a plate stand above what repeats of itself.

    To compare tips, strengths and readings, and one map before and after any alteration. Scans
    that are named and alike in face and strength are taken to be of the untouched plate.
    """
    del machine
    contract = contract_of(job("distinct")(folder, scans, reading=reading, progress=progress))

    def say(to: Speaker) -> None:
        if contract["simulated"]:
            to.line(SIMULATED_LINE)
        to.table(
            ("scan", "face", "strength", "reading", "distinct, times", "90 %", "spread (cents)",
             "repeats (cents)", "repeats as told by"),
            [
                (
                    r["scan"], r["face"], r["strength"], r["reading"],
                    number(r["distinctness"], 1),
                    f"{number(r['low'], 1)} to {number(r['high'], 1)}",
                    number(r["spread_cents"]), number(r["repeat_cents"]),
                    r["repeat_from"] + (f" ({r['against']})" if r["against"] else ""),
                )
                for r in contract["rows"]
            ],
        )  # fmt: skip
        to.line(
            "Distinct: the spread over the plate, in units of what differs between two scans of "
            "the untouched plate. It does not tell whether the map is one of thickness."
        )
        to.lines(f"  {sentence(caution)}" for caution in contract["cautions"])
        for gone in contract["left_out"]:
            to.line(f"  {gone['scan']}, {gone['reading']}: {gone['reason']}")

    return Answer(contract, say)


COMMANDS = (thickness, preview, history, distinct)
