"""Verbs on keeping, handing on and looking over many plates: pack, unpack, shelf."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import MOST_LISTED, Answer, Json, Speaker, command, count
from rig.cli.verb import FILE, FOLDER, contract_of, folder_argument, reading_option, verb
from rig.cli.verbs import job

ORDERS = (
    "name", "wood", "instrument", "mass", "scans", "date", "evenness", "change", "partial",
)  # fmt: skip


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


@verb(
    "shelf",
    "List, search and compare all plate folders below a directory.",
    example="platerig shelf ~/plates --wood maple --sort evenness\n"
    'platerig shelf ~/plates --search "poplar 1998" --csv plates.csv\n'
    "platerig shelf ~/plates --read-again --workers 4",
)
@click.argument("directory", metavar="DIR", type=FOLDER)
@click.option("--wood", help="Only plates of this wood: maple, spruce, …")
@click.option("--instrument", help="Only plates of this instrument: violin, viola, cello, …")
@click.option("--search", metavar="TEXT", help="Only plates whose facts hold all these words.")
@click.option("--sort", "order", type=click.Choice(ORDERS), default="name", show_default=True)
@click.option("--descending", is_flag=True, help="Sort from the highest down.")
@click.option("--csv", "table", metavar="OUT.csv", type=FILE, help="Write the list as a table.")
@click.option(
    "--read-again", is_flag=True, help="Read every scan listed with the present analysis."
)
@reading_option
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    metavar="N",
    help="Processes for --read-again; one for each processor if left out.",
)
@click.option("--dask", metavar="ADDRESS", help="Read again on the Dask cluster at this address.")
def shelf(
    directory: Path, read_again: bool, progress: Any, machine: bool, **options: Any
) -> Answer:
    """List all plate folders below DIR, search them and set them side by side.

    Evenness and partials are known once a plate was read with --read-again: every scan is read
    from its recordings by the analysis of today and kept in an index in your cache directory. It
    can be interrupted and started again; what is known is not read twice. No folder is changed.

    "before" and "after" are the first and the last scan made and read alike (face, strength,
    reading). Folders that cannot be read are named with their reason.

    Exit status 1 when a folder could not be read.
    """
    del machine
    if not read_again and (options["workers"] is not None or options["dask"] is not None):
        raise click.UsageError("--workers and --dask go with --read-again.")
    contract = contract_of(
        job("shelf")(directory, read_again=read_again, progress=progress, **options)
    )
    plates = contract["plates"]
    amiss = [plate for plate in plates if plate["problem"]]
    done = contract.get("read_again")
    failed = done["failed"] if done else []

    def say(to: Speaker) -> None:
        if not contract["found"]:
            to.line(f"There is no plate folder below {directory}.")
            to.line(command("Make one", "new", directory / "NAME.plate"))
            return
        if not plates:
            to.line(f"None of the {count(contract['found'], 'plate')} below {directory} fits.")
            return
        to.line(f"{count(len(plates), 'plate')} of {contract['found']} below {directory}:")
        _say_shelf(to, [plate for plate in plates if not plate["problem"]], contract["shelf"])
        _say_woods(to, contract["woods"])
        for plate in amiss[:MOST_LISTED]:
            to.line(f"{plate['problem']} ({plate['plate']})")
            to.line(f"  What to do: {plate['remedy']}")
        if len(amiss) > MOST_LISTED:
            to.line(f"And {len(amiss) - MOST_LISTED} more folders; --json lists all.")
        for one in failed[:MOST_LISTED]:
            to.line(f"Could not be read: {one['plate']}, {one['scan']}: {one['reason']}")
        if done:
            to.line(f"{count(done['read'], 'scan')} read now, {done['known']} known already.")
        elif any(plate["unread"] or plate["current"] is False for plate in plates):
            to.line("Not all scans were read by the analysis of today; --read-again does it.")
        if contract["table"]:
            to.line(f"Written: {contract['table']}")

    return Answer(contract, say, status=1 if amiss or failed else 0)


def _say_shelf(to: Speaker, plates: list[Json], root: str) -> None:
    """One line a plate, plainly laid out: a drawn table of a thousand lines takes seconds."""
    heads = (
        "plate", "wood", "instrument", "reference", "mass, g", "scans", "last", "before, cents",
        "after, cents", "partials, Hz",
    )  # fmt: skip
    left = {0, 1, 2, 3, 6, 9}
    lines = [heads]
    for plate in plates:
        path = plate["plate"].removeprefix(root).lstrip("/") or plate["name"]
        stamp = " (SIMULATED)" if plate["simulated"] else ""
        old = plate["current"] is False
        lines.append(
            (
                path + stamp,
                plate["wood"] or "–",
                plate["instrument"] or "–",
                plate["reference"] or "–",
                _known(plate["mass_g"], 1),
                str(plate["scans"]),
                (plate["last_utc"] or "–")[:10],
                _known(plate["evenness_before_cents"], old=old),
                _known(plate["evenness_after_cents"], old=old),
                " ".join(f"{hz:.0f}" for hz in plate["partials_hz"]) or "–",
            )
        )
    wide = [min(max(len(line[k]) for line in lines), 40) for k in range(len(heads))]
    for line in lines:
        cells = [
            cell.ljust(wide[k]) if k in left else cell.rjust(wide[k]) for k, cell in enumerate(line)
        ]
        to.line("  ".join(cells).rstrip())
    if any(plate["current"] is False for plate in plates):
        to.line("* read by an earlier analysis")


def _known(value: float | None, digits: int = 0, *, old: bool = False) -> str:
    return "–" if value is None else f"{value:.{digits}f}{'*' if old else ''}"


def _say_woods(to: Speaker, woods: list[Json]) -> None:
    for group in woods if len(woods) > 1 else []:
        name = group["wood"] or "wood not known"
        before, after = group["evenness_before_cents"], group["evenness_after_cents"]
        change = "" if before is None else f", evenness {before:.0f} → {after:.0f} cents"
        mass = "" if group["mass_g"] is None else f", {group['mass_g']:.0f} g"
        to.line(f"{name}: {count(group['plates'], 'plate')}{mass}{change} (middle values)")


def _say_problems(to: Speaker, problems: list[Json]) -> None:
    for problem in problems[:MOST_LISTED]:
        to.line(f"{problem['what']} ({problem['where']})")
        to.line(f"  What to do: {problem['remedy']}")
    if len(problems) > MOST_LISTED:
        to.line(f"And {len(problems) - MOST_LISTED} more; --json lists all.")


COMMANDS = (pack, unpack, shelf)
