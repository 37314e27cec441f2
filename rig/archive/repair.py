"""What is wrong with a plate folder put right, as far as that can be; nothing is ever deleted.

Opening a folder for writing mends what a crash leaves: the log is folded in, recordings without a
row are adopted or set aside, the manifest is written anew. What is lost or changed is looked for in
quarantine/ and in a copy of the folder, by its hash; what it replaces goes to quarantine/.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from rig.archive import folder_text, hand_store, scan_reader
from rig.archive.database import DATABASE_NAME, Database
from rig.archive.health import FolderHealth, check_folder, log_left
from rig.archive.naming import existing_folder, utc_now
from rig.archive.plate_folder import PlateFolder
from rig.archive.rows import Problem, facts_of
from rig.archive.storage import sha256_of, storage_errors, write_durably
from rig.archive.sweep import QUARANTINE, files_below, free_place, set_aside
from rig.archive.unpacking import unpack_file
from rig.archive.writer_lock import WriterLock
from rig.model.errors import FolderDamagedError, FolderError
from rig.model.progress import Progress, ProgressEvent, silent

_RAW_ROOMS = ("audio/", "images/")
_EVENTS = {
    "adopted": "Adopted into the database: {}.",
    "quarantined": "Set aside into quarantine/: {}.",
    "state": "{scan} is no longer running: {}.",
}


def repair_folder(
    folder: Path | str, copy: Path | str | None = None, progress: Progress = silent
) -> FolderHealth:
    """Put right what can be, then look the folder over anew.

    copy: another folder of the same plate, or a pack of it, to fetch lost files from. Returns what
    was done (`repaired`) and what is still wrong. Raises FolderMissingError, FolderNewerError,
    FolderInUseError, FolderError for a copy of another plate, StorageFullError.
    """
    path = existing_folder(folder)
    with _copy_at(copy, progress) as source:
        if source is not None and source.resolve() == path.resolve():
            raise FolderError(
                "The copy is the folder itself.", where=str(source), remedy="Name another folder."
            )
        done: list[str] = []
        stored = (folder_text.read_manifest(path) or {}).get(DATABASE_NAME)
        changed = stored is not None and not _holds(path / DATABASE_NAME, stored)
        if source is not None and changed and _holds(source / DATABASE_NAME, str(stored)):
            done += _take_database(path, source)  # the very one that the manifest tells of
        elif not _database_reads(path):
            if source is None:
                return replace(check_folder(path, progress), repaired=())
            done += _take_database(path, source)
        elif source is not None:
            _require_same_plate(path, source)
        if changed and not done and not log_left(path):
            done.append(
                "The database had been changed by something other than platerig and was taken as "
                "it is: compare it with a copy."
            )
        mended, lost = _mend(path, source, progress)
    health = check_folder(path, progress)
    return replace(health, problems=(*health.problems, *lost), repaired=(*done, *mended))


@contextmanager
def _copy_at(copy: Path | str | None, progress: Progress) -> Iterator[Path | None]:
    """The copy as a folder; a pack is laid out for the time being, without what is damaged."""
    if copy is None:
        yield None
    elif Path(copy).is_file():
        with TemporaryDirectory(prefix="platerig-") as room:
            laid_out = unpack_file(copy, Path(room) / "copy.plate", progress, rescue=True)
            assert laid_out.plate is not None  # rescuing always lays something out
            yield laid_out.plate
    else:
        yield existing_folder(copy)


def _database_reads(folder: Path) -> bool:
    try:
        database = Database(folder / DATABASE_NAME, write=False)
    except FolderDamagedError:
        return False
    try:
        whole = all(row[0] == "ok" for row in database.rows("PRAGMA quick_check(1)"))
        plates = database.rows("SELECT * FROM plate")
        database.file_hashes()
        scan_reader.summaries(database)
        return whole and [facts_of(row) for row in plates] != []
    except (FolderDamagedError, ValueError, KeyError, TypeError, IndexError):
        return False  # it cannot be read, or what it holds cannot be understood
    finally:
        database.close()


def _require_same_plate(folder: Path, source: Path) -> None:
    """The copy must share a recording with the folder, where that has any."""
    theirs = _hashes(source)
    try:
        known = _hashes(folder)
    except FolderDamagedError:
        known = {}
    if known:
        same = any(theirs.get(file) == digest for file, digest in known.items())
    else:
        there = [file for file in theirs if (folder / file).exists()]
        same = any(_holds(folder / file, theirs[file]) for file in there)
        same = same or not any(path.is_file() for path in (folder / "audio").rglob("*"))
    if not same:
        raise FolderError(
            "This is no copy of the folder: they have no recording in common.",
            where=str(source),
            remedy="Name a copy of this very plate.",
        )


def _hashes(folder: Path) -> dict[str, str]:
    """What a folder's database knows of its files; raises FolderDamagedError."""
    database = Database(folder / DATABASE_NAME, write=False)
    try:
        return database.file_hashes()
    finally:
        database.close()


def _take_database(folder: Path, source: Path) -> list[str]:
    """The copy's database in the place of one that cannot be read, which is kept."""
    if not _database_reads(source):
        raise FolderError(
            "The copy's database cannot be read either.",
            where=str(source / DATABASE_NAME),
            remedy="Look for another copy; `platerig export` still writes the recordings out.",
        )
    _require_same_plate(folder, source)
    lock = WriterLock(folder, since_utc=utc_now())
    try:
        with storage_errors(folder):
            for name in (DATABASE_NAME, f"{DATABASE_NAME}-wal", f"{DATABASE_NAME}-shm"):
                if (folder / name).exists():
                    target = free_place(folder, Path(name))
                    (folder / name).rename(target)
            whole = Database(source / DATABASE_NAME, write=False)
            try:
                whole.copy_to(folder / DATABASE_NAME)
            finally:
                whole.close()
    finally:
        lock.release()
    return [
        "The database was taken from the copy; the one that was here is in quarantine/. "
        "Readings made since the copy are made again when they are needed."
    ]


def _mend(folder: Path, source: Path | None, progress: Progress) -> tuple[list[str], list[Problem]]:
    """Everything that can be done with a database that reads; what was done, what stays wrong.

    Thickness readings have no hash but the manifest's, which is written anew: what is wrong with
    them is told here for the last time.
    """
    done = []
    if log_left(folder):
        done.append("The database's log was folded in.")
    manifest = folder_text.read_manifest(folder)
    sound_before = manifest is not None and not _manifest_differs(folder, manifest)
    last = _last_event(folder)
    with PlateFolder.open(folder, write=True) as opened:
        for place in sorted((folder / hand_store.ROOM).glob("H*")):
            if place.is_dir() and not (place / hand_store.RECORD_NAME).exists():
                set_aside(opened, place, "this record of the hand was never finished")
        wanted = opened.database.file_hashes() | hand_store.file_hashes(folder)
        told = {
            file: digest
            for file, digest in (manifest or {}).items()
            if file.startswith("thickness/")
        }
        fetched = _fetch(folder, wanted | told, source, opened.note, progress)
        events = opened.database.rows(
            "SELECT what, scan, detail FROM event WHERE event_id > ? ORDER BY event_id", (last,)
        )
    for event in events:
        words = _EVENTS.get(event["what"])
        if words is not None:
            done.append(words.format(event["detail"], scan=event["scan"]))
    done += fetched
    if not sound_before:
        done.append("The manifest was written anew, by the hashes taken when each file was stored.")
    lost = [
        Problem(
            "This file is not as it was stored, and nothing like it was found; its present content "
            "is what the manifest tells of now.",
            str(folder / file),
            "Look it over, or fetch it from a copy by hand.",
        )
        for file, digest in sorted(told.items())
        if not _holds(folder / file, digest)
    ]
    return done, lost


def _manifest_differs(folder: Path, manifest: Mapping[str, str]) -> bool:
    known = _hashes(folder)
    own = (DATABASE_NAME, folder_text.README_NAME)
    changed = any(
        not (folder / name).exists() or manifest.get(name) != sha256_of(folder / name)
        for name in own
    )
    return changed or any(manifest.get(file) != digest for file, digest in known.items())


def _last_event(folder: Path) -> int:
    database = Database(folder / DATABASE_NAME, write=False)
    try:
        row = database.row("SELECT coalesce(max(event_id), 0) AS last FROM event")
    finally:
        database.close()
    return 0 if row is None else int(row["last"])


def _fetch(
    folder: Path,
    wanted: Mapping[str, str],
    source: Path | None,
    note: Callable[[str, str], None],
    progress: Progress,
) -> list[str]:
    """Files that are missing or changed, found again by their hash."""
    done = []
    aside: dict[str, Path] | None = None
    for number, (file, digest) in enumerate(sorted(wanted.items()), start=1):
        if number % 50 == 0 or number == len(wanted):
            progress(ProgressEvent("looking for lost files", number, len(wanted)))
        if _holds(folder / file, digest):
            continue
        if aside is None:
            places = [path for path in (folder / QUARANTINE).rglob("*") if path.is_file()]
            places += [path for path in files_below(folder) if path.suffix in (".flac", ".wav")]
            aside = {sha256_of(path): path for path in places}
        found, origin = aside.get(digest), "quarantine/"
        if found is None and source is not None and _holds(source / file, digest):
            found, origin = source / file, "the copy"
        if found is None:
            continue
        with storage_errors(folder / file):
            if (folder / file).exists():
                (folder / file).rename(free_place(folder, Path(file)))
            (folder / file).parent.mkdir(parents=True, exist_ok=True)
            raw = file.startswith(_RAW_ROOMS)
            write_durably(folder / file, found.read_bytes(), read_only=raw)
        note("fetched", f"{file} from {origin}")
        done.append(f"Fetched from {origin}: {file}.")
    return done


def _holds(path: Path, digest: str) -> bool:
    try:
        return sha256_of(path) == digest
    except OSError:
        return False
