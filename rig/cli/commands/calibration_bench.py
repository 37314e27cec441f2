"""What `calibrate` does at the bench with hammer and lens."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from rig.cli.answer import Answer, Speaker, number
from rig.cli.verb import FILE, contract_of, verb
from rig.cli.verbs import job


def records_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add --rig and --records."""
    function = click.option(
        "--records", type=FILE, metavar="DIR", help="Where records are kept, if not there."
    )(function)
    return click.option(
        "--rig", type=FILE, metavar="RIG.toml", help="Records are kept in “calibration” beside it."
    )(function)


@verb(
    "tapper",
    "Choose the pulses for light and firm strikes.",
    example="platerig calibrate tapper strikes.csv --rig rig.toml",
)
@click.argument("table", metavar="STRIKES.csv", type=FILE)
@records_options
def tapper(
    table: Path, rig: Path | None, records: Path | None, progress: Any, machine: bool
) -> Answer:
    """Fit pulse against strength from test strikes, in order of time.

    Columns: pulse_us, speed_m_s (or level_db), double (1 where it struck twice). An empty
    strength is a miss. Exit status 1 where no pulses can be recommended.
    """
    del progress, machine
    contract = contract_of(job("calibrate tapper")(table, rig=rig, records=records))
    fit = contract["fit"]

    def say(to: Speaker) -> None:
        rows = zip(
            *(fit[k] for k in ("pulses_us", "strength", "scatter", "strikes", "misses", "doubles")),
            strict=True,
        )
        to.table(
            ("pulse (µs)", "strength (1)", "± (%)", "strikes (#)", "missed (#)", "twice (#)"),
            [
                (str(p), number(s, 3), number(100 * c, 1), str(n), str(m), str(d))
                for p, s, c, n, m, d in rows
            ],
        )
        if fit["safe_us"]:
            to.line("One strike each, never two: {} to {} µs.".format(*fit["safe_us"]))
        for name in ("light", "firm"):
            pulse = fit[f"{name}_us"]
            to.line(f"{name}_pulse_us = {pulse}" if pulse else f"No pulse for {name}.")
        to.lines(fit["notes"])
        to.line(contract["sentence"])
        to.line(f"Stored as {contract['path']}")

    return Answer(contract, say, status=0 if fit["light_us"] and fit["firm_us"] else 1)


PAPER = click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True
)


@verb(
    "sheet",
    "Write the sheet for the lens, or the bed's markers, as a PDF at true size.",
    example="platerig calibrate sheet lens-sheet.pdf --paper a4\n"
    "platerig calibrate sheet bed.pdf --bed --rig rig.toml --paper a3",
)
@click.argument("out", metavar="OUT.pdf", type=FILE)
@click.option("--bed", is_flag=True, help="The bed with its markers, as --rig tells it.")
@click.option("--rig", type=FILE, metavar="RIG.toml", help="With --bed: whose bed.")
@click.option(
    "--paper",
    type=click.Choice(["a4", "a3", "letter"]),
    default="a4",
    show_default=True,
    help="a3 only with --bed.",
)
def sheet(
    out: Path, bed: bool, rig: Path | None, paper: str, progress: Any, machine: bool
) -> Answer:
    """Write the chessboard with markers. Print it at 100 %, and measure both rulers.

    With --bed: the bed of a rig file with its markers where they belong, over several sheets
    that are joined at their crosses.
    """
    del progress, machine
    if bed != (rig is not None):
        raise click.UsageError("--bed and --rig RIG.toml belong together: whose bed?")
    if bed:
        from rig.jobs.bed_sheet import write_bed_sheet

        made = write_bed_sheet(rig or out, out, paper)
        check = "Print it at 100 %: the bar must measure 100 mm on every sheet."
    else:
        made = job("calibrate sheet")(out, paper)
        check = "Print it at 100 % and measure both rulers."
    return Answer(
        {"sheet": str(made), "paper": paper}, lambda to: to.line(f"Sheet: {made}. {check}")
    )


@verb(
    "lens",
    "Calibrate the lens from pictures of the sheet.",
    example="platerig calibrate lens --rig rig.toml lens-*.png --coverage seen.png\n"
    "platerig calibrate lens --rig rig.toml --capture lens-pictures --coverage seen.png",
)
@click.argument("pictures", metavar="PICTURE...", nargs=-1, type=FILE)
@click.option(
    "--capture", type=FILE, metavar="DIR", help="Take the pictures now, with the rig's camera."
)
@click.option(
    "--coverage", "coverage_png", type=FILE, metavar="PNG", help="Draw what the pictures cover."
)
@PAPER
@records_options
def lens(
    pictures: tuple[Path, ...],
    capture: Path | None,
    coverage_png: Path | None,
    paper: str,
    rig: Path | None,
    records: Path | None,
    progress: Any,
    machine: bool,
) -> Answer:
    """Take a dozen pictures: the sheet near, tilted to all sides, and in every corner.

    --capture says while you hold the sheet what is still lacking, and ends by itself.
    """
    del machine
    if bool(pictures) == (capture is not None):
        raise click.UsageError("Give pictures, or --capture DIR to take them now.")
    if capture is not None and rig is None:
        raise click.UsageError("--capture needs the rig's camera: give --rig RIG.toml.")
    contract = contract_of(
        job("calibrate lens")(
            pictures, capture=capture, paper=paper, rig=rig, records=records,
            coverage_png=coverage_png, progress=progress,
        )
    )  # fmt: skip

    def say(to: Speaker) -> None:
        values = zip(contract["lens"].items(), contract["sd"], strict=True)
        to.table(
            ("lens", "value (px, k: 1)", "± (same)"),
            [(n, number(v, 4), number(sd, 4)) for (n, v), sd in values],
        )
        to.line(
            f"{len(contract['pictures'])} pictures, corners off by {contract['rms_px']:.2f} px; "
            f"held out: {contract['held_out_px']:.2f} px."
        )
        to.line(f"Covered {100 * contract['covered']:.0f} % of the picture (corners per cell):")
        for row in contract["coverage"]:
            to.line("  " + " ".join(f"{n:4d}" if n else "   ." for n in row))
        to.lines([*contract["notes"], *contract["left_out"]])
        to.lines(f"Better still: {wish}." for wish in contract["lacking"])
        to.line(f"Stored as {contract['path']}")
        to.line(f'In the rig file, under [camera]: lens = "{contract["lens_file"]}"')

    return Answer(contract, say)
