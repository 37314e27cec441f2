"""Verbs on keeping and handing on: pack, unpack."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import MOST_LISTED, Answer, Json, Speaker, command, count
from rig.cli.verb import FILE, FOLDER, contract_of, folder_argument, verb
from rig.cli.verbs import job


@verb(
    "pack",
    "Pack a plate folder into one checked file.",
    example="platerig pack maple-back.plate\nplaterig pack maple-back.plate shelf/maple-back.zip",
)
@folder_argument
@click.argument("file", metavar="[FILE.zip]", type=FILE, required=False)
def pack(folder: Path, file: Path | None, progress: Any, machine: bool) -> Answer:
    """Pack everything in a plate folder into one zip file, to be put away or handed on.

    The file holds a hash of every file (BagIt, RFC 8493) and a README that says how to open it
    without platerig, decades from now. The same folder gives the same file to the last bit. FILE
    is NAME.plate.zip beside the folder when left out.

    Exit status 1 when a file of the folder is not as it was stored; it is packed all the same.
    """
    del machine
    contract = contract_of(job("pack")(folder, file, progress=progress))
    problems = contract["problems"]

    def say(to: Speaker) -> None:
        size = contract["octets"] / 1e6
        to.line(f"{count(contract['files'], 'file')}, {size:.1f} MB, packed in {contract['file']}.")
        to.line(f"SHA-256 of the pack: {contract['sha256']}")
        _say_problems(to, problems)
        to.line(command("Back again", "unpack", contract["file"]))

    return Answer(contract, say, status=1 if problems else 0)


@verb(
    "unpack",
    "Check a packed file and lay its folder out.",
    example="platerig unpack maple-back.plate.zip\n"
    "platerig unpack maple-back.plate.zip elsewhere/maple-back.plate",
)
@click.argument("file", metavar="FILE.zip", type=FILE)
@click.argument("folder", metavar="[NAME.plate]", type=FOLDER, required=False)
@click.option("--rescue", is_flag=True, help="Leave damaged files out and lay out the rest.")
def unpack(file: Path, folder: Path | None, rescue: bool, progress: Any, machine: bool) -> Answer:
    """Check every hash of a packed file, then lay its plate folder out as it was.

    Where a file in it is damaged, nothing is laid out and every damaged file is named; --rescue
    lays out what is whole. Files whose names or sizes are not to be trusted are refused.

    Exit status 1 when something was damaged.
    """
    del machine
    contract = contract_of(job("unpack")(file, folder, rescue=rescue, progress=progress))
    problems = contract["problems"]

    def say(to: Speaker) -> None:
        _say_problems(to, problems)
        if contract["plate"] is None:
            to.line(f"Nothing was unpacked: {count(len(problems), 'file')} of {file} damaged.")
            to.line(command("What is whole", "unpack", file, "--rescue"))
            return
        if contract["left_out"]:
            to.line(f"{count(len(contract['left_out']), 'damaged file')} left out.")
        to.line(f"{count(contract['files'], 'file')} laid out in {contract['plate']}.")
        to.line(command("Next", "check", contract["plate"]))

    return Answer(contract, say, status=1 if problems else 0)


def _say_problems(to: Speaker, problems: list[Json]) -> None:
    for problem in problems[:MOST_LISTED]:
        to.line(f"{problem['what']} ({problem['where']})")
        to.line(f"  What to do: {problem['remedy']}")
    if len(problems) > MOST_LISTED:
        to.line(f"And {len(problems) - MOST_LISTED} more; --json lists all.")


COMMANDS = (pack, unpack)
