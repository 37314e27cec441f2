"""The verb check: a plate folder, a rig file, or a rig step by step."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from rig.cli.answer import MOST_LISTED, Answer, Json, Speaker
from rig.cli.commands.bench import CAUTIONS, serial_log_option
from rig.cli.verb import FILE, FOLDER, contract_of, verb
from rig.cli.verbs import job

_MARKS = {"pass": "pass", "fail": "FAIL", "not done": "----"}


@verb(
    "check",
    "Look over a plate folder, or walk through a rig.",
    example="platerig check maple-back.plate\n"
    "platerig check maple-back.plate --repair --from copy/maple-back.plate\n"
    "platerig check --rig rig.toml\n"
    "platerig check --rig rig.toml --file-only\n"
    "platerig check --virtual maple-graded",
)
@click.argument("folder", metavar="[NAME.plate]", type=FOLDER, required=False)
@click.option("--repair", is_flag=True, help="Put right in the folder what can be.")
@click.option(
    "--from",
    "copy",
    metavar="COPY.plate",
    type=FOLDER,
    help="With --repair: fetch what is lost from this copy of the folder, or from a pack of it.",
)
@click.option("--rig", "rig_file", type=FILE, help="Walk through the rig of this file.")
@click.option("--virtual", "world", metavar="WORLD", help="Walk through the virtual rig.")
@click.option("--file-only", is_flag=True, help="With --rig: look at the file, touch no device.")
@click.option("--hands-clear", is_flag=True, help="Hands are clear: do not ask (for scripts).")
@serial_log_option
def check(
    folder: Path | None,
    repair: bool,
    copy: Path | None,
    rig_file: Path | None,
    world: str | None,
    file_only: bool,
    hands_clear: bool,
    serial_log: Path | None,
    progress: Any,
    machine: bool,
) -> Answer:
    """Look over a plate folder, or walk through a rig, and say what is wrong and what to do.

    A rig is tried step by step: link, homing, limits, hammer, levels, camera. It asks whether
    hands are clear before the gantry homes and before the hammer fires; where nobody can be
    asked, nothing moves without --hands-clear.

    Of a folder every hash is checked. --repair adopts or sets aside what a crash left, fetches
    lost files from quarantine and from a copy, and writes the manifest anew; nothing is deleted.

    Exit status 1 when a problem was found and is still there.
    """
    if sum(thing is not None for thing in (folder, rig_file, world)) != 1:
        raise click.UsageError("Name a plate folder, a rig file with --rig, or a --virtual WORLD.")
    if rig_file is not None and rig_file.is_dir():
        raise click.UsageError(f"{rig_file} is a directory, not a rig file.")
    if (repair or copy is not None) and folder is None:
        raise click.UsageError("--repair and --from are for a plate folder.")
    if folder is not None or file_only:
        mending = {"repair": True, "copy": copy} if repair or copy is not None else {}
        if copy is not None and not repair:
            raise click.UsageError("--from COPY.plate goes with --repair.")
        contract = contract_of(job("check")(folder or rig_file, progress=progress, **mending))
    else:
        from rig.jobs.check_rig import check_rig

        confirm = _confirmation(hands_clear, rig_file is not None)
        report = check_rig(
            rig_file, world=world, confirm=confirm, serial_log=serial_log, progress=progress
        )
        contract = contract_of(report)
    del machine
    problems = contract.get("problems", [])

    def say(to: Speaker) -> None:
        _say_scans(to, contract)
        _say_values(to, contract)
        _say_steps(to, contract)
        for line in contract.get("repaired", []):
            to.line(f"Repaired: {line}")
        if contract.get("repaired") == []:
            to.line("There was nothing that could be repaired.")
        if not problems and contract.get("ready", True):
            to.line("No problem found.")
        to.lines(contract.get("notes", []))
        told = {step["what"] for step in contract.get("steps", [])}
        rest = [one for one in problems if one["what"].partition(": ")[2] not in told]
        for problem in rest[:MOST_LISTED]:
            to.line(f"{problem['what']} ({problem['where']})")
            to.line(f"  What to do: {problem['remedy']}")
        if len(rest) > MOST_LISTED:
            to.line(f"And {len(rest) - MOST_LISTED} more problems; --json lists all.")

    return Answer(contract, say, status=1 if problems or not contract.get("ready", True) else 0)


def _confirmation(hands_clear: bool, real: bool) -> Callable[[str], bool]:
    """Who says that hands are clear: the option, somebody at the terminal, or nobody."""
    if real:
        sys.stderr.write("\n".join(CAUTIONS) + "\n")
    if hands_clear:
        return lambda _question: True
    if not sys.stdin.isatty():
        return lambda _question: False
    return lambda question: click.confirm(question, err=True)


def _say_scans(to: Speaker, contract: Json) -> None:
    scans = contract.get("scans", [])
    if scans:
        to.table(
            ("scan", "state", "taps planned, #", "taps done, #", "strikes, #"),
            [
                (
                    scan["scan"],
                    scan["state"],
                    str(scan["taps_planned"]),
                    str(scan["taps_done"]),
                    str(scan["strikes"]),
                )
                for scan in scans
            ],
        )
    elif "scans" in contract and not contract.get("problems"):
        to.line("The folder holds no scan yet.")


def _say_values(to: Speaker, contract: Json) -> None:
    values = contract.get("values", [])
    if values:
        to.table(
            ("setting", "value", "from"),
            [(v["key"], str(v["value"]), v["origin"]) for v in values],
        )


def _say_steps(to: Speaker, contract: Json) -> None:
    if contract.get("simulated"):
        to.line("SIMULATED: this is the virtual rig.")
    for step in contract.get("steps", []):
        where = f" ({step['where']})" if step["where"] else ""
        to.line(f"{_MARKS[step['state']]}  {step['step']}: {step['what']}{where}")
        if step["remedy"]:
            to.line(f"      What to do: {step['remedy']}")
    if contract.get("ready"):
        to.line("The rig is ready.")


COMMANDS = (check,)
