"""Verbs at the bench: devices, locate, scan."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from rig.cli.answer import MOST_LISTED, PICTURE, Answer, Json, Speaker, command, count, number
from rig.cli.verb import (
    FACE,
    FILE,
    READING,
    STRENGTH,
    Decorator,
    contract_of,
    folder_argument,
    refuse_named,
    verb,
)
from rig.cli.verbs import job
from rig.cli.watch import duration

CAUTIONS = (
    "Before the rig moves:",
    "  - Hands, hair, sleeves and tools off the bed; the gantry moves without warning.",
    "  - The tapper strikes by itself; nobody's fingers under it, eye protection on.",
    "  - Halt button within reach; it stops solenoid and motion at once. Stay beside the rig.",
    "  - The plate lies free on its supports, nothing loose on it, the strike set to light first.",
)

PLANNED = ("face", "strength", "spacing_mm", "repeats", "seed")  # stored with a scan
_UNITS = {"channels": "channels", "rate_hz": "Hz"}


def rim_height_option(**more: Any) -> Decorator:
    """Add the option --rim-height."""
    return click.option(
        "--rim-height",
        "rim_height_mm",
        type=click.FloatRange(0, 100),
        metavar="MM",
        help="Upper edge of the rim above the bed; 3 on the usual supports.",
        **more,
    )


def serial_log_option(function: Any) -> Any:
    """Add the option --log-serial."""
    return click.option(
        "--log-serial",
        "serial_log",
        type=FILE,
        metavar="FILE",
        help="Write down every byte of the controller's line.",
    )(function)


@verb("devices", "List ports, microphones and cameras.", example="platerig devices")
def devices(progress: Any, machine: bool) -> Answer:
    """List serial ports, microphones and cameras. Nothing is opened and no port is probed."""
    del machine
    contract = contract_of(job("devices")(progress=progress))

    def say(to: Speaker) -> None:
        _say_devices(to, "Serial ports", contract["ports"], "port")
        _say_devices(to, "Microphones", contract["microphones"], "device")
        _say_devices(to, "Cameras", contract["cameras"], "source")
        to.line(f"Virtual worlds: {', '.join(contract['worlds'])}")
        to.lines(contract.get("problems", []))

    return Answer(contract, say)


def _say_devices(to: Speaker, title: str, found: list[dict[str, Any]], name_key: str) -> None:
    to.line(f"{title}:" if found else f"{title}: none found")
    for device in found:
        rest = [
            f"{value} {_UNITS.get(key, '')}".strip()
            for key, value in device.items()
            if key != name_key and value not in (None, "", "n/a")
        ]
        to.line(f"  {device[name_key]}" + (f" ({', '.join(rest)})" if rest else ""))


@verb(
    "locate",
    "Find the plate in a picture of the bed.",
    example="platerig locate bed.png --rig rig.toml --plate maple-back.plate",
)
@click.argument("image", metavar="IMAGE", type=FILE)
@click.option("--rig", "rig_file", type=FILE, required=True, help="The rig file (bed, lens).")
@click.option("--plate", type=FILE, metavar="NAME.plate", help="Folder with the plate's outline.")
@click.option("--face", type=FACE, default="outer", show_default=True, help="The face that is up.")
@rim_height_option(default=3.0, show_default=True)
@click.option("--records", type=FILE, metavar="DIR",
              help="The rig's calibrations, if not beside the rig file.")  # fmt: skip
def locate(image: Path, rig_file: Path, progress: Any, machine: bool, **options: Any) -> Answer:
    """Find the plate in a picture of the bed. Exit status 1 when it is not found."""
    del machine
    contract = contract_of(job("locate")(image, rig_file, progress=progress, **options))
    found = bool(contract["found"])

    def say(to: Speaker) -> None:
        if not found:
            to.line(f"Plate not found: {contract.get('reason', '')}")
            to.lines(contract.get("warnings", []))
            return
        to.line(
            f"Plate found, {contract['face']} face up: lower end of its centre line at "
            f"x {number(contract['x_mm'], 1)}, y {number(contract['y_mm'], 1)} mm on the bed, "
            f"turned {number(contract['angle_deg'], 2)}° counter-clockwise."
        )
        to.line(
            f"Place good to about {number(contract.get('sd_mm'), 2, 'mm')}; the outline fits to "
            f"{number(contract.get('outline_rms_mm'), 2, 'mm')}."
        )
        to.lines(contract.get("warnings", []))

    return Answer(contract, say, status=0 if found else 1)


@verb(
    "scan",
    "Tap the whole plate and store every strike.",
    example="platerig scan maple-back.plate --virtual maple-graded --seed 1 --speed 20\n"
    "platerig scan maple-back.plate --rig rig.toml\n"
    "platerig scan maple-back.plate --where doubtful --taps 60\n"
    "platerig scan maple-back.plate --resume",
)
@folder_argument
@click.option("--virtual", "world", metavar="WORLD", help="Scan on the virtual rig, in this world.")
@click.option("--rig", "rig_file", type=FILE, help="Scan on the rig that this file describes.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True,
              help="Seed of the virtual world.")  # fmt: skip
@click.option("--spacing", "spacing_mm", type=click.FloatRange(2, 60), metavar="MM",
              help="Grid spacing; 9 on a violin or viola, more on larger plates.")  # fmt: skip
@click.option("--face", type=FACE, default="outer", show_default=True, help="The face that is up.")
@click.option("--strength", type=STRENGTH, default="light", show_default=True)
@click.option("--repeats", type=click.IntRange(1, 9), default=1, show_default=True,
              help="Strikes per tap.")  # fmt: skip
@click.option("--speed", type=click.FloatRange(0, 1000),
              help="Speed of the virtual world: 1 real time, 0 as fast as it can.")  # fmt: skip
@click.option("--max-taps", type=click.IntRange(min=1), metavar="N",
              help="Stop after the first N taps of the plan.")  # fmt: skip
@rim_height_option()
@click.option("--resume", is_flag=True, help="Go on with the folder's unfinished scan.")
@click.option("--where", type=click.Choice(["everywhere", "doubtful"]), default="everywhere",
              show_default=True,
              help="doubtful: only further taps, where the latest map is least sure.")  # fmt: skip
@click.option("--from", "from_scan", metavar="S0001",
              help="doubtful: add to this scan; the latest if left out.")  # fmt: skip
@click.option("--taps", "further", type=click.IntRange(min=1), default=40, show_default=True,
              metavar="N", help="doubtful: how many.")  # fmt: skip
@click.option("--reading", type=READING, help="doubtful: which map; as platerig map chooses.")
@click.option("--records", type=FILE, metavar="DIR",
              help="The rig's calibrations, if not beside the rig file.")  # fmt: skip
@click.option("--temperature", "temperature_c", type=float, metavar="CELSIUS",
              help="Of the room now; compare warns of 3 °C or more.")  # fmt: skip
@click.option("--humidity", "humidity_percent", type=click.FloatRange(0, 100), metavar="PERCENT",
              help="Of the room now; compare warns of 5 % or more.")  # fmt: skip
@click.option("--mass", "mass_g", type=click.FloatRange(min=0, min_open=True), metavar="GRAMS",
              help="Of the plate now; compare holds it against the wood taken off.")  # fmt: skip
@serial_log_option
@click.option("--yes", "--hands-clear", "yes", is_flag=True,
              help="Hands are clear: do not ask (for scripts).")  # fmt: skip
def scan(
    folder: Path, yes: bool, progress: Any, machine: bool, resume: bool, **options: Any
) -> Answer:
    """Tap the whole plate, place by place, and store every strike.

    Ctrl-C once finishes the tap in hand, parks and keeps everything; the scan goes on later
    with --resume.
    """
    world, rig_file = options["world"], options["rig_file"]
    if world and rig_file:
        raise click.UsageError(
            "Choose the virtual rig (--virtual) or a real one (--rig), not both."
        )
    doubtful = options["where"] == "doubtful"
    if doubtful:
        refuse_named("face", "strength", "spacing_mm", "seed", needs="--where everywhere")
    else:
        refuse_named("from_scan", "further", "reading", needs="--where doubtful")
    if not (world or rig_file or resume or doubtful):
        raise click.UsageError(
            "Say where to scan: --virtual WORLD for the virtual rig, --rig rig.toml for a real one."
        )
    said: tuple[str, ...] = ()
    if rig_file or (not world and _real_rig(folder, options)):
        said = _say_calibrations(rig_file, options["records"])
        ask_hands_clear(yes)
        if sys.stdin.isatty():
            options["plugged_in"] = ask_plugged_in
    if resume:
        _require_same_plan(folder, options)
    contract = contract_of(job("scan")(folder, resume=resume, progress=progress, **options))
    state = contract["state"]

    def say(to: Speaker) -> None:
        if world or contract.get("simulated"):
            to.line("SIMULATED: this scan was made on the virtual rig.")
        to.line(
            f"Scan {contract['scan']} {state}: {count(contract['taps'], 'tap')}, "
            f"{count(contract['strikes'], 'strike')}, {count(contract['retakes'], 'retake')}, "
            f"{contract['rejected']} left out as unusable."
        )
        _say_time(to, contract)
        if state != "finished" and contract.get("reason"):
            to.line(f"  Ended because: {contract['reason']}")
        for warning in contract.get("warnings", []):
            to.line(f"  Finding the plate: {warning}")
        to.lines(f"  {note}" for note in contract.get("notes", []))
        to.lines(f"  {line}" for line in contract.get("cautions", []) if line not in said)
        _say_strikes(to, "left out", contract.get("rejections", []))
        _say_strikes(to, "struck again", contract.get("struck_again", []))
        if state == "finished":
            to.line(command("Next", "map", folder, "--scan", contract["scan"], *PICTURE))
        else:
            to.line(command("Everything stored is kept. Go on with", "scan", folder, "--resume"))

    as_asked = state == "stopped" and options["max_taps"] is not None and not contract.get("moved")
    status = 0 if as_asked else {"finished": 0, "stopped": 1}.get(state, 3)
    return Answer(contract, say, status=status)


def _say_calibrations(rig_file: Path | None, records: Path | None) -> tuple[str, ...]:
    """Before the rig moves, in one line each: calibrations and the day's check of the bar."""
    if rig_file is None:
        return ()
    from rig.jobs.in_force import calibration_of
    from rig.model.errors import PlaterigError

    try:
        lines = calibration_of(rig_file, records).lines
    except PlaterigError:
        return ()  # the scan itself says what is wrong with the rig file
    sys.stderr.writelines(f"{line}\n" for line in lines)
    return lines


def _say_time(to: Speaker, contract: Json) -> None:
    """Real seconds; on a virtual rig at another speed those of the rig as well."""
    wall_s, rig_s, floor_s = contract["wall_s"], contract["rig_s"], contract["floor_s"]
    rig = "" if abs(rig_s - wall_s) < 0.1 * rig_s + 1.0 else f" ({duration(rig_s)} of rig time)"
    wall = duration(wall_s) if wall_s >= 1.0 else "less than 1 s"
    to.line(
        f"It took {wall}{rig}; moving, settling and recording alone need "
        f"{duration(floor_s)}{' of rig time' if rig else ''}."
    )


def _say_strikes(to: Speaker, what: str, strikes: list[Json]) -> None:
    """Which strikes, where and why; the first few, the rest counted."""
    for one in strikes[:MOST_LISTED]:
        to.line(
            f"  {what}: tap {one['tap']} at x {number(one['x_mm'])}, y {number(one['y_mm'])} mm: "
            f"{one['reason'] or 'no reason known'}"
        )
    if len(strikes) > MOST_LISTED:
        to.line(f"  {what}: {len(strikes) - MOST_LISTED} more (--json lists all)")


def _require_same_plan(folder: Path, options: dict[str, Any]) -> None:
    """What is asked for beside --resume must be what the scan was begun with."""
    from click.core import ParameterSource

    from rig.jobs.unfinished import require_same_plan

    context = click.get_current_context()
    named = {
        name: options[name]
        for name in PLANNED
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE
    }
    if named:
        require_same_plan(folder, **named)


def _real_rig(folder: Path, options: dict[str, Any]) -> bool:
    """Whether a scan moves a real rig where none was named: the one of an earlier scan."""
    from rig.jobs.further_taps import runs_on_real_rig
    from rig.jobs.unfinished import resumes_on_real_rig

    if options["where"] == "doubtful":
        return runs_on_real_rig(folder, options["from_scan"])
    return resumes_on_real_rig(folder)


def ask_hands_clear(yes: bool) -> None:
    """Print the cautions and wait for the word; without a terminal only --yes will do."""
    sys.stderr.write("\n".join(CAUTIONS) + "\n")
    if yes:
        return
    if not sys.stdin.isatty():
        raise click.UsageError("The rig will move: confirm with --yes when there is no terminal.")
    click.confirm("Are all hands clear of the bed?", abort=True, err=True)


def ask_plugged_in(error: Any) -> bool:
    """Tell what was lost in the middle of a scan, and ask whether it can go on."""
    sys.stderr.write(f"\n{error}\n")
    question = "Is it plugged in again, and are all hands clear? The gantry will home"
    return click.confirm(question, err=True)


COMMANDS = (devices, locate, scan)
