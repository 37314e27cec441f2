"""The health of a plate folder: what is wrong, where, and what to do; works on damaged ones too."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.archive import folder_text, hand_store, scan_reader, thickness_store, writer_lock
from rig.archive.database import DATABASE_NAME, Database, not_understood
from rig.archive.naming import existing_folder
from rig.archive.rows import Problem, ScanSummary, facts_of, plan_of_text
from rig.archive.storage import PART_SUFFIX, sha256_of
from rig.archive.sweep import QUARANTINE, files_below, identify
from rig.archive.writer_lock import LOCK_NAME
from rig.model.errors import FolderDamagedError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanState

_FROM_COPY = (
    "Fetch it from a copy of the folder (`platerig check NAME.plate --repair --from COPY.plate`); "
    "if there is none, tap these places again."
)
_OWN_FILES = (DATABASE_NAME, folder_text.MANIFEST_NAME, folder_text.README_NAME, LOCK_NAME)


@dataclass(frozen=True)
class FolderHealth:
    """Scans in the folder, problems (what, where, remedy), and notes that ask for nothing.

    repaired: what was put right just before, a sentence each; None where that was not asked for.
    """

    scans: tuple[ScanSummary, ...]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...] = ()
    repaired: tuple[str, ...] | None = None

    def as_json(self) -> dict[str, Any]:
        """The JSON contract of `platerig check`."""
        return {
            "scans": [summary.as_json() for summary in self.scans],
            "problems": [problem.as_json() for problem in self.problems],
            "notes": list(self.notes),
            **({} if self.repaired is None else {"repaired": list(self.repaired)}),
        }


def check_folder(path: Path | str, progress: Progress = silent) -> FolderHealth:
    """Look over a folder without changing it: database, hashes, missing and stray files.

    Raises FolderMissingError and FolderNewerError; everything else becomes a problem.
    """
    folder = existing_folder(path)
    try:
        database = Database(folder / DATABASE_NAME, write=False)
    except FolderDamagedError as problem:
        return _what_is_left(folder, problem)
    try:
        return _check_open(folder, database, progress)
    except FolderDamagedError as problem:
        return _what_is_left(folder, problem)
    except (ValueError, KeyError, TypeError, IndexError) as problem:
        return _what_is_left(folder, not_understood(problem, folder / DATABASE_NAME))
    finally:
        database.close()


def _check_open(folder: Path, database: Database, progress: Progress) -> FolderHealth:
    problems = _database_problems(folder, database)
    notes: list[str] = []
    busy = writer_lock.held(folder)
    if busy:
        notes.append("Another process is writing to this folder at the moment.")
    scans = scan_reader.summaries(database)
    hashes = database.file_hashes()
    problems += _plan_problems(folder, database)
    problems += _file_problems(folder, hashes, progress)
    if not busy:
        problems += _stray_problems(folder, hashes)
        problems += hand_store.problems(folder)
        problems += thickness_store.problems(folder)
        problems += _manifest_problems(folder, hashes, notes)
        notes += _left_by_a_crash(folder, scans)
        notes += _strangers(folder)
    quarantined = Counter(
        path.suffix for path in (folder / QUARANTINE).rglob("*") if path.is_file()
    )
    if quarantined:
        notes.append(
            f"{quarantined.total()} file(s) left by a crash are kept in {QUARANTINE}/; "
            "no stored strike is among them."
        )
    if database.row("SELECT 1 FROM outline") is None:
        notes.append("The outline of this plate is not known yet.")
    for event in database.rows("SELECT count(*) AS n FROM event WHERE what = 'adopted'"):
        if event["n"]:
            notes.append(f"{event['n']} recording(s) were adopted after a crash.")
    return FolderHealth(tuple(scans), tuple(problems), tuple(notes))


def log_left(folder: Path) -> bool:
    """Whether the database's log was not folded in: the program ended in the middle of its work."""
    log = folder / f"{DATABASE_NAME}-wal"
    try:
        return log.stat().st_size > 0
    except OSError:
        return False


def _left_by_a_crash(folder: Path, scans: list[ScanSummary]) -> Iterable[str]:
    if log_left(folder):
        yield (
            "The database's log is not folded in yet (plate.sqlite-wal): keep both files together; "
            "`platerig check --repair` folds it in."
        )
    for scan in scans:
        if scan.state in (ScanState.RUNNING, ScanState.PAUSED):
            yield f"The program ended in the middle of {scan.scan}; go on with `scan --resume`."


def _strangers(folder: Path) -> Iterable[str]:
    """Files at the top that are not platerig's: nobody keeps a hash of them."""
    names = sorted(
        path.name
        for path in folder.iterdir()
        if path.is_file()
        and path.name not in _OWN_FILES
        and not path.name.startswith((f"{DATABASE_NAME}-", "plate-schema-"))
        and not path.name.endswith(PART_SUFFIX)
    )
    if names:
        listed = ", ".join(names)
        yield f"{len(names)} file(s) here are not platerig's and are left alone: {listed}."


def _database_problems(folder: Path, database: Database) -> list[Problem]:
    found = []
    for row in database.rows("PRAGMA quick_check(5)"):
        if row[0] != "ok":
            found.append(
                Problem(
                    f"The database is damaged: {row[0]}.",
                    str(folder / DATABASE_NAME),
                    "Fetch plate.sqlite from a copy; the recordings carry their own places.",
                )
            )
    for row in database.rows("SELECT * FROM plate"):
        facts_of(row)  # raises where that is not what was written
    for row in database.rows("PRAGMA foreign_key_check"):
        found.append(
            Problem(
                f"A row of table {row[0]} points to a row of {row[2]} that is not there.",
                str(folder / DATABASE_NAME),
                "Fetch plate.sqlite from a copy of the folder.",
            )
        )
    return found


def _plan_problems(folder: Path, database: Database) -> list[Problem]:
    found = []
    for row in database.rows("SELECT scan, plan, plan_hash, taps_planned FROM scan"):
        where = f"{folder}, {row['scan']}"
        try:
            plan_of_text(row["plan"], row["plan_hash"], where)
        except FolderDamagedError as problem:
            found.append(Problem(problem.what, where, problem.remedy))
        except (ValueError, KeyError, TypeError) as problem:
            damage = not_understood(problem, folder / DATABASE_NAME)
            found.append(
                Problem(f"The stored plan cannot be read: {problem}.", where, damage.remedy)
            )
    return found


def _file_problems(folder: Path, hashes: dict[str, str], progress: Progress) -> list[Problem]:
    """Files that a row speaks of and that are missing or changed."""

    def fault(item: tuple[str, str]) -> str | None:
        path = folder / item[0]
        try:
            return None if sha256_of(path) == item[1] else "changed"
        except FileNotFoundError:
            return "missing"
        except OSError:
            return "unreadable"

    found = []
    items = sorted(hashes.items())
    with ThreadPoolExecutor(4) as pool:
        for number, (item, what) in enumerate(zip(items, pool.map(fault, items), strict=True), 1):
            if what is not None:
                text = {
                    "changed": "This file is not as it was stored.",
                    "missing": "This file is missing.",
                    "unreadable": "This file cannot be read.",
                }[what]
                found.append(Problem(text, str(folder / item[0]), _FROM_COPY))
            if number % 50 == 0 or number == len(items):
                progress(ProgressEvent("checking files", number, len(items)))
    return found


def _stray_problems(folder: Path, hashes: dict[str, str]) -> list[Problem]:
    """Files that no row speaks of; opening the folder for writing puts them in order."""
    found = []
    for path in files_below(folder):
        file = path.relative_to(folder).as_posix()
        stray = file.startswith(("audio/", "images/")) and file not in hashes
        if file.endswith(PART_SUFFIX) or stray:
            half = "half written" if file.endswith(PART_SUFFIX) else "not in the database"
            found.append(
                Problem(
                    f"This file is {half}: the program ended while it was being stored.",
                    str(path),
                    "Go on with the scan (`platerig scan --resume`), or run `platerig check "
                    "--repair`: it is adopted or set aside then, never deleted.",
                )
            )
    return found


def _manifest_problems(folder: Path, hashes: dict[str, str], notes: list[str]) -> list[Problem]:
    manifest = folder_text.read_manifest(folder)
    if manifest is None:
        notes.append(
            f"There is no {folder_text.MANIFEST_NAME}: the folder was not closed properly; "
            "the next scan or map that writes to it makes a new one."
        )
        return []
    database_hash = manifest.get(DATABASE_NAME)
    found = []
    if database_hash is not None and sha256_of(folder / DATABASE_NAME) != database_hash:
        found.append(
            Problem(
                "The database was changed by something other than platerig.",
                str(folder / DATABASE_NAME),
                "Compare it with a copy of the folder; --repair takes it as it is.",
            )
        )
    for file, digest in sorted(manifest.items()):
        if file in hashes or file == DATABASE_NAME or file.startswith(f"{hand_store.ROOM}/"):
            continue  # looked at elsewhere
        path = folder / file
        if not path.exists():
            found.append(Problem("This file is missing.", str(path), _FROM_COPY))
        elif sha256_of(path) != digest:
            found.append(Problem("This file is not as it was stored.", str(path), _FROM_COPY))
    differing = [file for file, digest in hashes.items() if manifest.get(file) != digest]
    if differing:
        found.append(
            Problem(
                f"Manifest and database differ on {len(differing)} file(s), "
                f"the first {differing[0]}.",
                str(folder / folder_text.MANIFEST_NAME),
                "`platerig check --repair` writes the manifest anew from the database.",
            )
        )
    return found


def _what_is_left(folder: Path, problem: FolderDamagedError) -> FolderHealth:
    """What can still be said without a database: the recordings speak for themselves."""
    recordings = [path for path in files_below(folder) if path.parent.parent.name == "audio"]
    with ThreadPoolExecutor(4) as pool:
        known = [found for found in pool.map(identify, recordings) if found is not None]
    per_scan = Counter(tag.scan for tag, _ in known)
    listed = ", ".join(f"{scan}: {count}" for scan, count in sorted(per_scan.items()))
    problems = [Problem(problem.what, problem.where or str(folder), problem.remedy)]
    problems += _manifest_of_damaged(folder)
    notes = [
        f"{len(known)} of {len(recordings)} recordings are readable and say which strike they are"
        + (f" ({listed})." if listed else "."),
        "`platerig export` writes them out as a tap set, from which a new folder can be gathered; "
        "with a copy of the folder `platerig check --repair --from COPY.plate` mends this one.",
    ]
    return FolderHealth((), tuple(problems), tuple(notes))


def _manifest_of_damaged(folder: Path) -> Iterable[Problem]:
    for file, digest in (folder_text.read_manifest(folder) or {}).items():
        path = folder / file
        if file == DATABASE_NAME:
            continue
        if not path.exists():
            yield Problem("This file is missing.", str(path), _FROM_COPY)
        elif sha256_of(path) != digest:
            yield Problem("This file is not as it was stored.", str(path), _FROM_COPY)
