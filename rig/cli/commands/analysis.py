"""Verbs that read a whole scan: map, zones, compare."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import SIMULATED_LINE, Answer, Json, Speaker, count, number, sentence
from rig.cli.commands.calibration_bench import records_options
from rig.cli.verb import (
    FILE,
    check_kind,
    contract_of,
    folder_argument,
    reading_option,
    scan_option,
    start_option,
    target_option,
    verb,
)
from rig.cli.verbs import job

KINDS = ("change", "faces", "strengths", "rigs", "plates")  # of comparisons


@verb(
    "map",
    "Map the tone over the plate.",
    example="platerig map maple-back.plate --scan S0001 --picture map.png",
)
@folder_argument
@scan_option()
@reading_option
@target_option
@records_options
@click.option("--picture", type=FILE, help="Draw the map (png, svg or pdf).")
@click.option(
    "--show",
    type=click.Choice(["tone", "above", "doubt"]),
    default="tone",
    show_default=True,
    help="In the picture: the tone, how far above the target, or how doubtful.",
)
def map_(
    folder: Path,
    scan: str | None,
    reading: str | None,
    target: str | None,
    picture: Path | None,
    show: str,
    rig: Path | None,
    records: Path | None,
    progress: Any,
    machine: bool,
) -> Answer:
    """Map the tone over the plate, in cents against the scan's own middle value."""
    del machine
    if picture is not None:
        check_kind(picture)
    made = job("map")(
        folder, scan, reading=reading, target=target, records=records, rig=rig,
        progress=progress,
    )  # fmt: skip
    if picture is not None:
        from rig.jobs.pictures import draw_map

        draw_map(made, picture, show=show, progress=progress)  # type: ignore[arg-type]
    contract = contract_of(made)

    def say(to: Speaker) -> None:
        tones = [point["tone_cents"] for point in contract["points"]]
        if contract.get("simulated"):
            to.line(SIMULATED_LINE)
        to.line(
            f"Reading: {contract['reading']}, {count(len(tones), 'place')}, from "
            f"{number(min(tones), signed=True)} to {number(max(tones), signed=True)} cents "
            "against the middle value."
        )
        _say_target(to, contract)
        say_evenness(to, contract)
        for reason in (*contract.get("reasons", []), *contract.get("notes", [])):
            to.line(f"  {reason}")
        say_calibration(to, contract)
        if picture is not None:
            to.line(f"Picture: {picture}")

    return Answer(contract, say)


def _say_target(to: Speaker, contract: Json) -> None:
    """What the map is held against, whether somebody chose it, and what to know of it."""
    if contract.get("target") is None:
        return
    source = f" {contract['target_from']}" if contract.get("target_from") else ""
    usual = ", the usual one of this reading" if contract.get("target_usual") else ""
    to.line(f"Target: {contract['target']}{source}{usual}.")
    to.lines(f"  {note}" for note in contract.get("target_notes", []))


def say_calibration(to: Speaker, contract: Json) -> None:
    """What the rig can tell apart, which calibrations held at the scan, and what did not."""
    if contract.get("smallest_change"):
        to.line(contract["smallest_change"])
    held = contract.get("calibration")
    if held:
        to.line(held["sentence"])
        to.lines(f"  {caution}" for caution in held["cautions"])


def say_evenness(to: Speaker, contract: Json) -> None:
    """Evenness never stands without the repeatability it is to be judged by."""
    even, repeat = contract["evenness_cents"], contract["repeatability_cents"]
    to.line(
        f"Evenness (spread from 5 % to 95 % of the map): {number(even, 0, 'cents')}; "
        f"two scans of the untouched plate would differ by about {number(repeat, 0, 'cents')}."
        if repeat is not None
        else f"Evenness (spread from 5 % to 95 % of the map): {number(even, 0, 'cents')}; "
        "how well it repeats is unknown."
    )


@verb(
    "zones",
    "List the high zones in work order.",
    example="platerig zones maple-back.plate --scan S0001 --floor-mm 2.2",
)
@folder_argument
@scan_option()
@reading_option
@target_option
@records_options
@click.option("--floor-mm", type=float, metavar="MM",
              help="No zone where thickness readings may be as low as this.")  # fmt: skip
@start_option
def zones(
    folder: Path,
    scan: str | None,
    reading: str | None,
    target: str | None,
    rig: Path | None,
    records: Path | None,
    floor_mm: float | None,
    start: tuple[float, float] | None,
    progress: Any,
    machine: bool,
) -> Answer:
    """List the high zones in work order, from the starting spot near the middle outwards."""
    del machine
    contract = contract_of(
        job("zones")(
            folder, scan, reading=reading, target=target, records=records, rig=rig,
            floor_mm=floor_mm, start_mm=start, progress=progress,
        )
    )  # fmt: skip

    def say(to: Speaker) -> None:
        _say_finding(to, contract, "No high zone that chance could not explain.")
        to.lines(f"  {note}" for note in contract.get("target_notes", []))
        if contract["zones"]:
            to.table(
                ("#", "x (mm)", "y (mm)", "area (cm²)", "above target (cents)", "certain (%)"),
                [
                    (
                        str(zone["rank"]),
                        number(zone["x_mm"]),
                        number(zone["y_mm"]),
                        number(zone["area_mm2"] / 100, 1),
                        _excess(zone),
                        number(100 * zone["confidence"]),
                    )
                    for zone in contract["zones"]
                ],
                title="High zones in work order (x to the right of the centre line, y from the "
                "lower end, seen from the outer face)",
            )
        for depth in contract.get("depths", []):
            where = f"x {number(depth['x_mm'])}, y {number(depth['y_mm'])} mm"
            to.line(f"  {where}: {sentence(depth['sentence'])}")
        to.lines(f"  {sentence(note)}" for note in contract.get("depth_notes", []))
        spot = contract.get("starting_spot")
        if spot:
            why = contract.get("starting_spot_reason") or ""
            place = f"x {number(spot['x_mm'])}, y {number(spot['y_mm'])} mm"
            to.line(f"Start at {place}{': ' + why if why else '.'}")
        say_calibration(to, contract)

    return Answer(contract, say)


def _say_finding(to: Speaker, contract: Json, none: str) -> None:
    """The finding in one sentence; `none` where nothing was found and no sentence says so."""
    if contract.get("simulated"):
        to.line(SIMULATED_LINE)
    if contract.get("sentence"):
        to.line(sentence(contract["sentence"]))
    elif not contract["zones"]:
        to.line(none)


def _excess(zone: Json) -> str:
    sd = zone.get("excess_sd_cents")
    value = number(zone["excess_cents"], 0, signed=True)
    return value if sd is None else f"{value} ± {number(sd)}"


@verb(
    "compare",
    "Show what changed between two scans.",
    example="platerig compare maple-back.plate --before S0001 --after S0002 --picture change.png\n"
    "platerig compare one.plate --before S0001 --with other.plate --after S0001",
)
@folder_argument
@click.option("--before", required=True, metavar="S0001", help="The earlier scan.")
@click.option("--after", required=True, metavar="S0002", help="The later scan.")
@click.option("--with", "other", type=FILE, metavar="OTHER.plate",
              help="Where the later scan lies, if elsewhere: two plates, scaled.")  # fmt: skip
@click.option("--as", "kind", type=click.Choice(KINDS),
              help="What differs; as the scans themselves tell if left out.")  # fmt: skip
@click.option("--picture", type=FILE, help="Draw the change (png, svg or pdf).")
@reading_option
@records_options
def compare(
    folder: Path,
    before: str,
    after: str,
    other: Path | None,
    kind: str | None,
    picture: Path | None,
    reading: str | None,
    rig: Path | None,
    records: Path | None,
    progress: Any,
    machine: bool,
) -> Answer:
    """Show what changed between two scans of one plate, and what chance could explain.

    Two faces or two strengths are compared likewise, and with --with or --as two plates or two
    rigs: how far they agree, and where they do not.
    """
    del machine
    if picture is not None:
        check_kind(picture)
    made = job("compare")(
        folder, before, after, other=other, kind=kind, reading=reading, records=records, rig=rig,
        progress=progress,
    )  # fmt: skip
    if picture is not None:
        from rig.jobs.pictures import draw_comparison

        draw_comparison(made, picture, progress=progress)
    contract = contract_of(made)

    def say(to: Speaker) -> None:
        _say_finding(to, contract, "No change that chance could not explain.")
        if contract.get("estimator"):
            to.line(f"Read as {contract['reading']} tone by: {contract['estimator']}.")
        to.line(_evenness_line(contract))
        if contract["zones"]:
            to.table(
                ("x (mm)", "y (mm)", "area (cm²)", "change (cents)"),
                [
                    (
                        number(zone["x_mm"]),
                        number(zone["y_mm"]),
                        number(zone["area_mm2"] / 100, 1),
                        f"{number(zone['change_cents'], 0, signed=True)} ± "
                        f"{number(zone['sd_cents'])}",
                    )
                    for zone in contract["zones"]
                ],
                title="Regions of change",
            )
        _say_shifts(to, contract["ring"])
        say_calibration(to, contract)
        for caution in contract.get("cautions", []):
            to.line(f"  {caution}")
        if picture is not None:
            to.line(f"Picture: {picture}")

    return Answer(contract, say)


def _evenness_line(contract: Json) -> str:
    was, now = contract["evenness_before_cents"], contract["evenness_after_cents"]
    doubt = contract.get("evenness_change_sd_cents")
    change = number(now - was, 0, signed=True) + (f" ± {number(doubt)}" if doubt else "")
    rank = (contract.get("agreement") or {}).get("rank")
    ranked = f"; rank correlation of the two maps {number(rank, 2)}" if rank is not None else ""
    return f"Evenness {number(was)} and {number(now)} cents ({change}){ranked}."


def _say_shifts(to: Speaker, ring: list[Json]) -> None:
    if ring:
        to.table(
            ("before (Hz)", "after (Hz)", "change (cents)"),
            [
                (
                    number(shift["before_hz"], 2),
                    number(shift["after_hz"], 2),
                    f"{number(shift['change_cents'], 1, signed=True)} ± "
                    f"{number(shift['sd_cents'], 1)}",
                )
                for shift in ring
            ],
            title="Partials of the ring",
        )


COMMANDS = (map_, zones, compare)
