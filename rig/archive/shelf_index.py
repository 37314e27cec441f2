"""The shelf's index: what was seen of each plate folder, and what its scans were read as.

One small SQLite file in the user's cache directory, never in a plate folder. It can be thrown away:
what was seen is looked up again, what was read is read again. Seen is kept under a folder's path
and the stamp of its database; read is kept under a scan's fingerprint, so that a folder that was
moved or copied keeps it, and under the code that read it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from rig.archive.kept_tones import code_print
from rig.archive.naming import utc_now
from rig.archive.shelf_look import Found, ShelfPlate, look_into
from rig.model.progress import Progress, ProgressEvent, silent

INDEX_NAME = "shelf.sqlite"
_FORMAT = 1
_ROOMS_THAT_READ = ("tone", "field", "plate", "model")
_MOST_READ = 50_000  # scans, about 25 MB
_TABLES = f"""
CREATE TABLE seen (path TEXT PRIMARY KEY, stamp TEXT NOT NULL, plate TEXT NOT NULL) STRICT;
CREATE TABLE read (
    mark TEXT NOT NULL, wanted TEXT NOT NULL, code TEXT NOT NULL, made_utc TEXT NOT NULL,
    outcome TEXT NOT NULL, PRIMARY KEY (mark, wanted, code)
) STRICT;
PRAGMA user_version = {_FORMAT};
"""


class ShelfIndex:
    """Use as a context manager. Where no file can be kept, it lives in memory for this call."""

    def __init__(self, path: Path | None = None) -> None:
        """Open or make the index; a file that is no index is thrown away and made anew."""
        self._connection = _opened(path if path is not None else default_path())

    def __enter__(self) -> ShelfIndex:
        return self

    def __exit__(self, *_problem: object) -> None:
        with suppress(sqlite3.Error):
            self._connection.commit()
        self._connection.close()

    def plates(
        self, root: Path, found: Iterable[Found], progress: Progress = silent
    ) -> list[ShelfPlate]:
        """What is known of each folder found below root; what changed is looked up anew."""
        below = f"{root}/"
        known = {
            path: (stamp, text)
            for path, stamp, text in self._rows("SELECT path, stamp, plate FROM seen")
            if path == str(root) or path.startswith(below)
        }
        folders = list(found)
        plates, fresh = [], []
        for number, folder in enumerate(folders, start=1):
            path = str(folder.path)
            stamp, text = known.pop(path, ("", ""))
            if folder.refused is not None:
                remedy = "Ask for the right to read there."
                plates.append(
                    ShelfPlate(path, folder.path.name, problem=folder.refused, remedy=remedy)
                )
                continue
            plate = _plate_of(text) if stamp == folder.stamp else None
            if plate is None:
                plate, lasting = look_into(folder.path)
                if lasting:
                    fresh.append((path, folder.stamp, plate.text()))
                if len(fresh) % 50 == 1 or number == len(folders):
                    progress(ProgressEvent("looking into folders", number, len(folders)))
            plates.append(plate)
        with suppress(sqlite3.Error), self._connection:
            self._connection.executemany("INSERT OR REPLACE INTO seen VALUES (?, ?, ?)", fresh)
            self._connection.executemany(
                "DELETE FROM seen WHERE path = ?", [(path,) for path in known]
            )
        return plates

    def outcomes(self, wanted: str) -> dict[str, tuple[dict[str, Any], bool]]:
        """By fingerprint what a scan was read as, the newest, and whether by the code of today."""
        code = code_now()
        found: dict[str, tuple[dict[str, Any], bool]] = {}
        rows = self._rows(
            "SELECT mark, code, outcome FROM read WHERE wanted = ? ORDER BY code = ?, made_utc",
            (wanted, code),
        )
        for mark, made_by, text in rows:
            with suppress(ValueError):
                found[mark] = (json.loads(text), made_by == code)
        return found

    def keep(self, mark: str, wanted: str, outcome: Mapping[str, Any]) -> None:
        """Keep what a scan was read as, at once, so that an interruption loses nothing."""
        row = (mark, wanted, code_now(), utc_now(), json.dumps(outcome, allow_nan=False))
        with suppress(sqlite3.Error), self._connection:
            self._connection.execute("INSERT OR REPLACE INTO read VALUES (?, ?, ?, ?, ?)", row)
            self._connection.execute(
                "DELETE FROM read WHERE rowid IN "
                "(SELECT rowid FROM read ORDER BY made_utc DESC LIMIT -1 OFFSET ?)",
                (_MOST_READ,),
            )

    def _rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[Any]:
        try:
            return self._connection.execute(sql, values).fetchall()
        except sqlite3.Error:  # damaged behind its head: nothing is known
            return []


def default_path() -> Path:
    """Where the index is kept."""
    from platformdirs import user_cache_dir

    return Path(user_cache_dir("platerig")) / INDEX_NAME


def code_now() -> str:
    """Fingerprint of the code that reads a scan."""
    return code_print(_ROOMS_THAT_READ).hex()


def _plate_of(text: str) -> ShelfPlate | None:
    try:
        return ShelfPlate.of_text(text)
    except (ValueError, KeyError, TypeError):
        return None


def _opened(path: Path) -> sqlite3.Connection:
    with suppress(OSError, sqlite3.Error):
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = _whole(path)
        if connection is not None:
            return connection
        for name in (path.name, f"{path.name}-wal", f"{path.name}-shm", f"{path.name}-journal"):
            path.with_name(name).unlink(missing_ok=True)
        connection = _whole(path)
        if connection is not None:
            return connection
    memory = sqlite3.connect(":memory:")
    memory.executescript(_TABLES)
    return memory


def _whole(path: Path) -> sqlite3.Connection | None:
    """The index of today's format, made where there is none; None when the file is another."""
    connection = sqlite3.connect(path, timeout=2.0)
    try:
        (number,) = connection.execute("PRAGMA user_version").fetchone()
        if number == 0 and not connection.execute("SELECT 1 FROM sqlite_master").fetchone():
            connection.executescript(_TABLES)
            number = _FORMAT
        if number == _FORMAT:
            connection.execute("SELECT count(*) FROM seen").fetchone()
            connection.execute("SELECT 1 FROM read LIMIT 1").fetchone()
            return connection
    except sqlite3.OperationalError:
        connection.close()
        raise  # in use or not writable: not a reason to throw it away
    except sqlite3.DatabaseError:
        pass
    connection.close()
    return None
