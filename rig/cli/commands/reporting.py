"""The verb that writes for people: report."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import SIMULATED_LINE, Answer, Speaker, count
from rig.cli.commands.analysis import say_calibration
from rig.cli.commands.calibration_bench import records_options
from rig.cli.verb import (
    FILE,
    contract_of,
    folder_argument,
    reading_option,
    scan_option,
    start_option,
    target_option,
    verb,
)
from rig.cli.verbs import job

KINDS = ("bench", "owner", "class", "technical", "work", "record")  # two by their earlier names


@verb(
    "report",
    "Write a report: for the bench, an owner, a class or the file.",
    example="platerig report maple-back.plate --kind bench\n"
    "platerig report maple-back.plate --before S0001 --after S0003 --kind owner --out carved.pdf\n"
    "platerig report maple-back.plate --kind bench --true-size inner --paper A3",
)
@folder_argument
@scan_option()
@reading_option
@target_option
@start_option
@click.option("--other-face", metavar="S0002", help="Scan of the other face, shown beside it.")
@click.option("--before", metavar="S0001", help="The earlier scan of a comparison.")
@click.option("--after", metavar="S0003", help="The later scan of a comparison.")
@click.option("--out", type=FILE,
              help="A name that ends in .pdf or .html; beside the folder if left out.")  # fmt: skip
@click.option("--html", is_flag=True, help="One HTML file, pictures inside, instead of a PDF.")
@click.option("--kind", type=click.Choice(KINDS),
              metavar="bench|owner|class|technical", default="technical", show_default=True,
              help="One page for the bench, a record for the owner, a hand-out for a class, or "
              "everything. work and record, the earlier names of the first and the last, still "
              "hold.")  # fmt: skip
@click.option("--paper", type=click.Choice(["A4", "A3", "Letter"], case_sensitive=False),
              metavar="A4|A3|Letter", default="A4", show_default=True,
              help="Of the maps; on A3 a violin plate is printed 1:1.")  # fmt: skip
@click.option("--true-size", type=click.Choice(["outer", "inner", "none"]),
              help="Sheets at exactly 1:1 to lay under the plate, for the face that is then up; "
              "part of the technical record unless none.")  # fmt: skip
@records_options
def report(
    folder: Path, start: tuple[float, float] | None, progress: Any, machine: bool, **options: Any
) -> Answer:
    """Write a report with the map, the work order, the conditions and the limits.

    Without --scan, --other-face, --before and --after: the latest scan, compared with the one
    before it of the same face and strength, beside the other face, as far as there are such.
    """
    del machine
    if (options["before"] is None) != (options["after"] is None):
        raise click.UsageError("A comparison needs both --before and --after.")
    contract = contract_of(job("report")(folder, start_mm=start, progress=progress, **options))

    def say(to: Speaker) -> None:
        to.lines(contract.get("sentences", []))
        say_calibration(to, contract)
        to.lines(f"  {text}" for text in (*contract["cautions"], *contract["missing"]))
        if contract["simulated"]:
            to.line(SIMULATED_LINE)
        if contract["pdf"] is not None:
            to.line(f"Report: {contract['pdf']} ({count(contract['pages'], 'page')})")
        else:
            to.line(f"Report: {contract['html']}")
        to.lines(f"Picture: {path}" for path in contract["pictures"])
        to.lines(f"Table: {path}" for path in contract["tables"])

    return Answer(contract, say)


COMMANDS = (report,)
