"""What the first look into a folder after a crash puts right. Nothing is ever deleted.

A finished recording without a row is adopted by what it says of itself; what is half written or
says nothing goes to quarantine/. A scan that no living process works on is no longer running.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

from rig.archive.naming import utc_now
from rig.archive.rows import StrikeTag
from rig.archive.sound_files import RawSound, read_raw
from rig.archive.storage import PART_SUFFIX, sha256_of, storage_errors
from rig.archive.strike_store import insert_strike
from rig.model.errors import FolderError, PlaterigError, RecordingError
from rig.model.scan_record import ScanState

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder

QUARANTINE = "quarantine"


def sweep(folder: PlateFolder) -> None:
    """Put the folder in order; only the holder of the writer's lock may call this."""
    known = folder.database.file_hashes()
    with storage_errors(folder.path):
        for path in sorted(files_below(folder.path)):
            file = path.relative_to(folder.path).as_posix()
            if file.endswith(PART_SUFFIX):
                set_aside(folder, path, "half written when the program ended")
            elif file.startswith("audio/") and file not in known:
                _adopt_strike(folder, path, file)
            elif file.startswith("images/") and file not in known:
                _adopt_image(folder, path, file)
    for row in folder.database.rows("SELECT scan, state FROM scan"):
        if row["state"] in (ScanState.RUNNING, ScanState.PAUSED):
            folder.set_state(
                row["scan"], ScanState.STOPPED, "the program ended in the middle of the scan"
            )


def files_below(folder: Path) -> list[Path]:
    """Files that belong to the folder: its top, audio/ and images/."""
    found = [path for path in folder.iterdir() if path.is_file()]
    for room in ("audio", "images"):
        found += [path for path in (folder / room).rglob("*") if path.is_file()]
    return found


def identify(path: Path) -> tuple[StrikeTag, RawSound] | None:
    """Read a recording and what it says of itself; None when it is unreadable or says nothing."""
    try:
        sound = read_raw(path)
    except RecordingError:
        return None
    tag = StrikeTag.of_text(sound.comment)
    return None if tag is None or len(sound.samples) == 0 else (tag, sound)


def _adopt_strike(folder: PlateFolder, path: Path, file: str) -> None:
    identified = identify(path)
    if identified is None:
        set_aside(folder, path, "it does not say which strike it is")
        return
    tag, sound = identified
    try:
        taps = len(folder.plan(tag.scan).taps)
    except FolderError:
        taps = 0
    taken = folder.database.row(
        "SELECT 1 FROM strike WHERE scan = ? AND tap = ? AND repeat = ? AND take = ?",
        (tag.scan, tag.tap, tag.repeat, tag.take),
    )
    if not 0 <= tag.tap < taps or taken is not None:
        set_aside(folder, path, f"its strike ({tag.scan}, tap {tag.tap}) is not wanted here")
        return
    try:
        with folder.database.transaction() as db:
            insert_strike(
                db,
                tag,
                file=file,
                sha256=sha256_of(path),
                shape=(sound.samples.shape[0], sound.samples.shape[1]),
                sample_rate_hz=sound.sample_rate_hz,
            )
    except sqlite3.IntegrityError as problem:
        set_aside(folder, path, f"what it says of itself cannot be: {problem}")
        return
    folder.note("adopted", file, tag.scan)


def _adopt_image(folder: PlateFolder, path: Path, file: str) -> None:
    scan, _, rest = path.stem.partition("-")
    kind = rest.rpartition("-")[0]
    known = {row["scan"] for row in folder.database.rows("SELECT scan FROM scan")}
    if not kind or scan not in known | {"plate"}:
        set_aside(folder, path, "it does not say what it shows")
        return
    with folder.database.transaction() as db:
        db.execute(
            "INSERT INTO image (scan, kind, file, sha256, saved_utc) VALUES (?, ?, ?, ?, ?)",
            (scan if scan in known else None, kind, file, sha256_of(path), utc_now()),
        )
    folder.note("adopted", file)


def free_place(folder: Path, inner: Path) -> Path:
    """Where a file of the folder is put aside; a number is added rather than anything overwritten.

    The directory is made.
    """
    target = folder / QUARANTINE / inner
    number = 1
    while target.exists():
        number += 1
        target = folder / QUARANTINE / inner.with_name(f"{inner.name}.{number}")
    target.parent.mkdir(parents=True, exist_ok=True)
    return target


def set_aside(folder: PlateFolder, path: Path, reason: str) -> None:
    """Move a file into quarantine/ under its own path, and say so in the event log."""
    inner = path.relative_to(folder.path)
    path.rename(free_place(folder.path, inner))
    try:
        folder.note("quarantined", f"{inner.as_posix()}: {reason}")
    except PlaterigError:
        # A full disk must not keep the folder shut; the file itself is safe in quarantine.
        return
