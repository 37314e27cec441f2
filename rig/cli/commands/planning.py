"""The verb `plan`: where a scan would tap."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import Answer, Speaker, count, number
from rig.cli.verb import (
    FACE,
    FILE,
    READING,
    STRENGTH,
    contract_of,
    folder_argument,
    refuse_named,
    verb,
)
from rig.cli.verbs import job


@verb(
    "plan",
    "Show where a scan would tap.",
    example="platerig plan maple-back.plate --spacing 9 --out taps.csv --picture plan.png\n"
    "platerig plan maple-back.plate --where doubtful --from S0001 --taps 40",
)
@folder_argument
@click.option("--spacing", "spacing_mm", type=click.FloatRange(2, 60), metavar="MM",
              help="Grid spacing; 9 on a violin or viola, more on larger plates.")  # fmt: skip
@click.option("--margin", "margin_mm", type=click.FloatRange(0, 40), metavar="MM",
              help="Distance kept from the rim and from sound holes.")  # fmt: skip
@click.option("--face", type=FACE, default="outer", show_default=True)
@click.option("--strength", type=STRENGTH, default="light", show_default=True)
@click.option("--repeats", type=click.IntRange(1, 9), default=1, show_default=True)
@click.option("--where", type=click.Choice(["everywhere", "doubtful"]), default="everywhere",
              show_default=True, help="doubtful: where further taps tell most.")  # fmt: skip
@click.option("--from", "from_scan", metavar="S0001",
              help="doubtful: which scan's map; the latest if left out.")  # fmt: skip
@click.option("--taps", "count_", type=click.IntRange(min=1), default=40, show_default=True,
              metavar="N", help="doubtful: how many.")  # fmt: skip
@click.option("--reading", type=READING, help="doubtful: which map; as platerig map chooses.")
@click.option("--out", "out", type=FILE, help="Save the taps as CSV, in the order of the scan.")
@click.option("--picture", type=FILE, help="Draw the plan (png, svg or pdf).")
def plan(folder: Path, progress: Any, machine: bool, where: str, **options: Any) -> Answer:
    """Show where a scan would tap, without moving anything."""
    del machine
    doubtful = {name: options.pop(name) for name in ("from_scan", "count_", "reading")}
    if where == "doubtful":
        return _plan_doubtful(folder, progress, doubtful, options)
    refuse_named("from_scan", "count_", "reading", needs="--where doubtful")
    contract = contract_of(job("plan")(folder, progress=progress, **options))

    def say(to: Speaker) -> None:
        to.line(
            f"{count(contract['taps'], 'tap')} on the {contract['face']} face, "
            f"{number(contract['spacing_mm'], 1, 'mm')} apart, "
            f"{number(contract['margin_mm'], 1, 'mm')} from the rim; "
            f"{count(contract['strikes'], 'strike')}."
        )
        to.line(f"Way of the hammer: {number(contract['route_mm'] / 1000, 2, 'm')}.")
        for left in contract["left_out"]:
            to.line(f"Left out: {count(left['count'], 'place')}: {left['reason']}")
        _say_files(to, options["out"], options["picture"])

    return Answer(contract, say)


def _plan_doubtful(
    folder: Path, progress: Any, doubtful: dict[str, Any], options: dict[str, Any]
) -> Answer:
    """Further taps between those of a scan, which sets face, strength and spacing."""
    from rig.jobs.doubtful import doubtful_plan

    refuse_named("face", "strength", "spacing_mm", needs="--where everywhere")
    wanted = {name: options[name] for name in ("margin_mm", "repeats", "out", "picture")}
    contract = contract_of(
        doubtful_plan(
            folder, from_scan=doubtful["from_scan"], count=doubtful["count_"],
            reading=doubtful["reading"], progress=progress, **wanted,
        )
    )  # fmt: skip

    def say(to: Speaker) -> None:
        if contract["simulated"]:
            to.line("SIMULATED: that scan was made on the virtual rig.")
        to.line(
            f"{count(contract['taps'], 'further tap')} on the {contract['face']} face, between "
            f"those of {contract['from_scan']} ({contract['reading']})."
        )
        to.line(
            "Error of the map to expect where the wood stands, or may stand, "
            f"{number(contract['threshold_cents'])} cents high: "
            f"{number(contract['doubtful_before_cents'], 1)} cents now, "
            f"{number(contract['doubtful_after_cents'], 1)} with them "
            f"(all over: {number(contract['rms_before_cents'], 1)} and "
            f"{number(contract['rms_after_cents'], 1)})."
        )
        to.line(f"Way of the hammer: {number(contract['route_mm'] / 1000, 2, 'm')}.")
        to.lines(f"  {note}" for note in contract["notes"])
        _say_files(to, options["out"], options["picture"])

    return Answer(contract, say)


def _say_files(to: Speaker, *paths: Path | None) -> None:
    for path in paths:
        if path is not None:
            to.line(f"Written: {path}")


COMMANDS = (plan,)
