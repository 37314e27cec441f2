"""The verb `calibrate` and what it calibrates."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import SIMULATED_LINE, Answer, Json, Speaker, number
from rig.cli.commands.calibration_bench import lens, records_options, sheet, tapper
from rig.cli.verb import FILE, READING, contract_of, folder_argument, verb
from rig.cli.verbs import job


@click.group(
    "calibrate",
    short_help="Measure the rig itself, and list what was measured when.",
    context_settings={"help_option_names": ["-h", "--help"]},
)
def calibrate() -> None:
    """Measure the rig itself. Every result is a dated record in the rig's folder."""


@verb(
    "list",
    "Show age and expiry of every calibration.",
    example="platerig calibrate list --rig rig.toml",
)
@records_options
def list_(rig: Path | None, records: Path | None, progress: Any, machine: bool) -> Answer:
    """Show which calibrations hold, which have expired and which were never made.

    Exit status 1 when one is missing or expired.
    """
    del progress, machine
    contract = contract_of(job("calibrate list")(rig=rig, records=records))

    def say(to: Speaker) -> None:
        to.line(f"Records in {contract['folder']}: {contract['records']}.")
        to.table(
            ("calibration", "state", "made", "age (days)", "expires", "record"),
            [_listed(one) for one in contract["calibrations"]],
        )
        for one in contract["calibrations"]:
            if one["state"] != "holds":
                to.line(one["sentence"])
        to.lines(contract["problems"])

    return Answer(contract, say, status=0 if contract["all_hold"] else 1)


def _listed(one: Json) -> tuple[str, ...]:
    if one["record"] is None:
        return (one["kind"], one["state"], "–", "–", "–", "–")
    note = one["record"] + (" (simulated)" if one["simulated"] else "")
    return (
        one["kind"], one["state"], one["made_utc"][:10], number(one["age_days"], 1),
        one["expires_utc"][:10], note,
    )  # fmt: skip


@verb(
    "repeat",
    "Tell how large a difference must be before it means something.",
    example="platerig calibrate repeat maple-back.plate --label S0001=Mon --label S0002=Mon "
    "--label S0003=Tue --label S0004=Tue",
)
@folder_argument
@click.option(
    "--scan",
    "scans",
    multiple=True,
    metavar="S0001",
    help="A scan of the study; all finished ones of the latest face and strength if left out.",
)
@click.option(
    "--label",
    "labels",
    multiple=True,
    metavar="S0001=WHO",
    help="Person, day or laying of a scan; as often as there are scans.",
)
@click.option("--labels", "table", type=FILE, help="The same from a CSV: scan,label.")
@click.option("--reading", type=READING, help="Study this reading only.")
@records_options
def repeat(
    folder: Path,
    scans: tuple[str, ...],
    labels: tuple[str, ...],
    table: Path | None,
    reading: str | None,
    rig: Path | None,
    records: Path | None,
    progress: Any,
    machine: bool,
) -> Answer:
    """Study several scans of one plate that nobody worked on in between.

    Lay the plate anew before each scan. Scans of one label are repeats; labels are persons, days
    or layings, whose influence is told apart.
    """
    del machine
    given: dict[str, str] = {}
    if table is not None:
        from rig.jobs.calibrate_repeat import read_labels

        given |= read_labels(table)
    for text in labels:
        scan, equals, label = text.partition("=")
        if not (scan and equals and label):
            raise click.BadParameter(f"“{text}” is not of the form S0001=WHO.")
        given[scan.strip()] = label.strip()
    contract = contract_of(
        job("calibrate repeat")(
            folder, scans, labels=given, reading=reading, records=records, rig=rig,
            progress=progress,
        )
    )  # fmt: skip

    def say(to: Speaker) -> None:
        if contract["simulated"]:
            to.line(SIMULATED_LINE)
        for study in contract["studies"]:
            _say_study(to, study)
        to.lines(f"{kind}: {why}" for kind, why in contract["not_studied"].items())
        to.line(f"Stored as {contract['path']}")

    return Answer(contract, say)


_SOURCES = {
    "repeatability": "scan to scan, same label",
    "operator": "label to label",
    "interaction": "label × place",
    "reproducibility": "both of these",
    "gauge": "all of the rig's",
    "place": "place to place",
}


def _say_study(to: Speaker, study: Json) -> None:
    share, sd = study["study_variation_percent"], study["sd_cents"]
    to.table(
        ("source", "sd (cents)", "of study variation (%)"),
        [(words, number(sd[n], 1), number(share[n], 1)) for n, words in _SOURCES.items()],
        title=f"{study['reading']}: {study['places']} places, {len(study['scans'])} scans",
    )
    low, high = study["smallest_change_bounds_cents"]
    to.line(study["sentence"])
    to.line(
        f"  Smallest change {number(study['smallest_change_cents'], 1)} cents (95 %: "
        f"{number(low, 1)} to {number(high, 1)}), under one label "
        f"{number(study['smallest_change_same_label_cents'], 1)}; distinct categories "
        f"{study['distinct_categories']}; {study['verdict']}."
    )
    shifts = ", ".join(number(s, 1, signed=True) for s in study["whole_plate_shift_cents"])
    to.line(f"  The whole plate against the first scan (cents): {shifts}.")
    to.lines(f"  {caution}" for caution in study["cautions"])


@verb(
    "gantry",
    "Find scale, skew, offset and backlash from a sheet of ink dots.",
    example="platerig calibrate gantry dots.csv --rig rig.toml --mark\n"
    "platerig calibrate gantry dots.csv --rig rig.toml --picture sheet.png",
)
@click.argument("plan", metavar="DOTS.csv", type=FILE)
@click.option("--rig", type=FILE, metavar="RIG.toml", required=True, help="The rig.")
@click.option("--records", type=FILE, metavar="DIR", help="Where records are kept, if not there.")
@click.option("--mark", is_flag=True, help="Plan the dots, write DOTS.csv and mark them.")
@click.option("--picture", type=FILE, help="Picture of the sheet, still lying as it was marked.")
@click.option(
    "--paper",
    "paper_mm",
    type=click.FloatRange(0.0, 20.0),
    default=0.1,
    show_default=True,
    metavar="MM",
    help="Height of the paper's face above the bed.",
)
@click.option("--yes", "--hands-clear", is_flag=True, help="Hands are clear: do not ask.")
def gantry(
    plan: Path,
    rig: Path,
    records: Path | None,
    mark: bool,
    picture: Path | None,
    paper_mm: float,
    yes: bool,
    progress: Any,
    machine: bool,
) -> Answer:
    """Tape inked or carbon paper to the bed, --mark it, then read it with --picture.

    Without a picture DOTS.csv must hold the places seen, seen_x_mm and seen_y_mm.
    """
    del machine
    if mark:
        from rig.cli.commands.bench import ask_hands_clear
        from rig.jobs.calibrate_gantry import mark_sheet

        if picture is not None:
            raise click.UsageError("Mark first, then take the picture: not both at once.")
        ask_hands_clear(yes)
        path = mark_sheet(rig, plan, progress=progress)
        return Answer(
            {"plan": str(path)},
            lambda to: to.line(f"Marked as planned in {path}. Take the picture without moving it."),
        )
    contract = contract_of(
        job("calibrate gantry")(
            rig, plan, picture, records=records, paper_mm=paper_mm, progress=progress
        )
    )
    return Answer(contract, lambda to: _say_gantry(to, contract))


def _say_gantry(to: Speaker, found: Json) -> None:
    to.line(
        f"{found['dots']} of {found['planned']} dots used, off by {found['residual_mm']:.3f} mm."
    )
    for axis, scale, sd in zip("XY", found["scale"], found["scale_sd"], strict=True):
        per_cent = number(100.0 * (scale - 1.0), 3, "%", signed=True)
        to.line(f"Scale of {axis}: {per_cent} (± {number(100.0 * sd, 3)}).")
    to.line(
        f"Skew {number(found['skew_deg'], 3, '°', signed=True)} "
        f"(± {number(found['skew_sd_deg'], 3)}), turned against the bed by "
        f"{number(found['rotation_deg'], 3, '°', signed=True)}."
    )
    to.line(
        "Offset " + ", ".join(number(v, 2, "mm", signed=True) for v in found["offset_mm"]) + "."
    )
    backlash = found["correction"]["backlash_mm"]
    to.line("Backlash " + ", ".join(number(v, 2, "mm", signed=True) for v in backlash) + ".")
    names = {
        "accuracy": "accuracy A", "repeatability": "repeatability R", "reversal": "reversal B",
        "systematic": "systematic deviation E", "mean_bidirectional": "mean deviation M",
    }  # fmt: skip
    if found["before"] is not None:
        stages = [stage[axis] for axis in (0, 1) for stage in (found["before"], found["after"])]
        to.table(
            ("ISO 230-2", "X as told (mm)", "X corrected (mm)", "Y as told (mm)",
             "Y corrected (mm)"),
            [[words, *(number(s[name], 3) for s in stages)] for name, words in names.items()],
        )  # fmt: skip
    to.lines(found["notes"])
    to.line(f"Stored as {found['path']}")


@verb(
    "sound",
    "Read the sample clock, the noise floor and hum from recordings.",
    example="platerig calibrate sound --silence quiet.wav --tone fork.wav --hz 440 --rig rig.toml",
)
@click.option("--silence", type=FILE, help="A second or more in which nobody strikes.")
@click.option("--tone", type=FILE, help="Three seconds or more of a steady reference tone.")
@click.option("--hz", "reference_hz", type=click.FloatRange(20.0, 40_000.0), help="Its frequency.")
@click.option("--mic-channel", "channel", type=click.IntRange(min=0), default=0, show_default=True,
              help="Channel of the microphone, counted from 0.")  # fmt: skip
@records_options
def sound(progress: Any, machine: bool, **options: Any) -> Answer:
    """Store what the sound chain adds of its own. Exit status 1 when something is amiss."""
    del machine
    contract = contract_of(job("calibrate sound")(progress=progress, **options))

    def say(to: Speaker) -> None:
        quiet, clock = contract.get("quiet"), contract.get("clock")
        if quiet:
            bands = ", ".join(
                f"{low:g}–{high:g} Hz {number(db)}" for low, high, db in quiet["bands"]
            )
            to.line(f"Noise {number(quiet['noise_db'], 1, 'dB')} of full scale ({bands}).")
            hum = quiet["hum_hz"]
            to.line("No hum." if hum is None else f"Hum of {hum:g} Hz at "
                    f"{number(quiet['hum_db'], 1, 'dB')}.")  # fmt: skip
        if clock:
            to.line(
                f"{number(clock['reference_hz'], 2, 'Hz')} reads "
                f"{number(clock['heard_hz'], 4, 'Hz')}: "
                f"{number(clock['error_ppm'], 1, signed=True)} ± {number(clock['sd_ppm'], 1)} "
                f"parts per million, {number(clock['error_cents'], 3, 'cents', signed=True)}."
            )
        to.lines(contract["sentences"])
        to.line(f"Stored as {contract['path']}")

    return Answer(contract, say, status=0 if contract["good"] else 1)


@verb(
    "bar",
    "Tap a reference bar before scanning and see whether all is as ever.",
    example="platerig calibrate bar today.wav --bar 300,30.00,6.00,423.9 --rig rig.toml",
)
@click.argument("recording", metavar="FILE", type=FILE)
@click.option(
    "--bar",
    metavar="L,B,T,MASS",
    required=True,
    help="Length, width, thickness (mm) and mass (g); write it the same every time.",
)
@click.option("--mic-channel", "channel", type=click.IntRange(min=0), default=0, show_default=True,
              help="Channel of the microphone, counted from 0.")  # fmt: skip
@records_options
def bar_(recording: Path, bar: str, progress: Any, machine: bool, **options: Any) -> Answer:
    """Judge today's reading of the bar by the chart of all earlier ones.

    Exit status 1 when it is out of limits.
    """
    del machine
    contract = contract_of(job("calibrate bar")(recording, bar, progress=progress, **options))

    def say(to: Speaker) -> None:
        to.line(
            f"Bending tone {number(contract['flexural_hz'], 2, 'Hz')}, Young's modulus "
            f"{number(contract['young_gpa'], 3, 'GPa')}."
        )
        limits = contract["limits"]
        if limits:
            to.line(
                f"Limits {number(limits['low'], 3)} to {number(limits['high'], 3, 'GPa')} from "
                f"{limits['baseline']} earlier readings: "
                f"{'as ever' if contract['good'] else 'OUT OF LIMITS'}."
            )
        to.lines(contract["sentences"])
        to.line(f"Stored as {contract['path']}")

    return Answer(contract, say, status=1 if contract["good"] is False else 0)


for _command in (list_, repeat, gantry, sheet, lens, tapper, sound, bar_):
    calibrate.add_command(_command)

COMMANDS = (calibrate,)
