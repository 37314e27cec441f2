"""The plate folder: everything ever recorded on one plate.

Raw recordings are never changed and nothing is deleted: a retake supersedes, readings are added.
A strike is a sound file first (written to a `.part`, synced, renamed), then a row. Should the
program die between the two, the next opening for writing adopts the file by what it says of itself.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from rig.archive import folder_text, rows, scan_store, strike_store, sweep, thickness_store
from rig.archive.database import DATABASE_NAME, Database
from rig.archive.draft import draft_folder
from rig.archive.hand_store import file_hashes as kept_file_hashes
from rig.archive.naming import SOFTWARE, existing_folder, folder_path, utc_now
from rig.archive.rows import Problem, ScanSummary
from rig.archive.storage import storage_errors
from rig.archive.writer_lock import WriterLock
from rig.model.clip import Clip
from rig.model.errors import FolderError, UsageError
from rig.model.frames import Pose
from rig.model.outline import Outline
from rig.model.plan import Plan
from rig.model.plate_facts import PlateFacts
from rig.model.reading import ClipReading
from rig.model.rig_settings import RigSettings
from rig.model.scan_record import ScanRecord, ScanState

_READ_THREADS = min(8, (os.cpu_count() or 2) + 2)


class PlateFolder:
    """An open plate folder. Use as a context manager; methods may be called from several threads.

    Opened for reading it can be used while another process scans into it.
    """

    def __init__(self, path: Path, database: Database, lock: WriterLock | None) -> None:
        """Use `create` or `open` instead."""
        self.path = path
        self.database = database
        self._lock = lock
        self._plans: dict[str, Plan] = {}
        self._closed = False

    @classmethod
    def create(cls, path: Path | str, facts: PlateFacts, outline: Outline | None = None) -> Self:
        """Make a new folder and open it for writing; raises FolderError when there is one."""
        path = folder_path(path)
        draft_folder(path, facts)
        folder = cls.open(path, write=True)
        if outline is not None:
            folder.set_outline(outline)
        return folder

    @classmethod
    def open(cls, path: Path | str, *, write: bool = False) -> Self:
        """Open a folder that is there.

        Raises FolderMissingError, FolderNewerError, FolderDamagedError, and for writing
        FolderInUseError, which names the process that writes already.
        """
        path = existing_folder(path)
        lock = WriterLock(path, since_utc=utc_now()) if write else None
        try:
            folder = cls(path, Database(path / DATABASE_NAME, write=write), lock)
        except BaseException:
            if lock is not None:
                lock.release()
            raise
        if write:
            try:
                folder_text.withdraw_manifest(path)
                sweep.sweep(folder)
            except BaseException:
                with suppress(FolderError):
                    folder.close()
                raise
        return folder

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if problem is None:
            self.close()
        else:
            with suppress(FolderError):  # the first problem is the one to hear about
                self.close()

    def close(self) -> None:
        """Fold the log in, write README.txt and the manifest, let go of the lock."""
        if self._closed:
            return
        self._closed = True
        try:
            files = self.database.file_hashes() if self._lock is not None else {}
            self.database.close()
            if self._lock is not None:
                with storage_errors(self.path):
                    files |= kept_file_hashes(self.path)
                    files |= thickness_store.file_hashes(self.path)
                    folder_text.write_texts(self.path, files)
        finally:
            self.database.close()
            if self._lock is not None:
                self._lock.release()

    def require_writer(self) -> None:
        """Raise UsageError unless the folder is open for writing."""
        if self._lock is None or self._closed:
            raise UsageError("The folder is not open for writing.", where=str(self.path))

    # --- the plate -------------------------------------------------------------------------

    @property
    def facts(self) -> PlateFacts:
        """What is known about the plate besides its sound."""
        row = self.database.row("SELECT * FROM plate")
        if row is None:
            raise FolderError("The folder does not say which plate it is of.", where=str(self.path))
        return rows.facts_of(row)

    def update_facts(self, **changes: Any) -> PlateFacts:
        """Change single facts by name; the event log keeps what they were."""
        self.require_writer()
        before = self.facts
        try:
            after = replace(before, **changes)
        except TypeError:
            unknown = sorted(set(changes) - set(rows.FACT_COLUMNS))
            raise UsageError(
                f"A plate has no fact called {', '.join(unknown)}.",
                remedy=f"There are: {', '.join(rows.FACT_COLUMNS)}.",
            ) from None
        if after != before:
            sets = ", ".join(f"{name} = ?" for name in changes)
            old, new = (
                {name: value for name, value in asdict(facts).items() if name in changes}
                for facts in (before, after)
            )
            columns = rows.fact_columns(after)
            with self.database.transaction() as db:
                db.execute(f"UPDATE plate SET {sets}", tuple(columns[name] for name in changes))
            self.note("facts changed", json.dumps({"before": old, "after": new}))
        return after

    @property
    def outline(self) -> Outline | None:
        """The newest outline; None when none is known yet."""
        row = self.database.row("SELECT * FROM outline ORDER BY outline_id DESC LIMIT 1")
        return None if row is None else rows.outline_of_text(row["rings"], str(self.path))

    @property
    def outline_source(self) -> str | None:
        """Where the newest outline came from: file, picture, tap set, stand-in."""
        row = self.database.row("SELECT source FROM outline ORDER BY outline_id DESC LIMIT 1")
        return None if row is None else str(row["source"])

    def set_outline(self, outline: Outline, *, source: str = "file") -> None:
        """Add an outline; scans already made keep theirs, unless it was a stand-in."""
        self.require_writer()
        with self.database.transaction() as db:
            db.execute(
                "INSERT INTO outline (saved_utc, source, rings) VALUES (?, ?, ?)",
                (utc_now(), source, rows.outline_to_text(outline)),
            )

    # --- scans -----------------------------------------------------------------------------

    def new_scan(
        self,
        plan: Plan,
        *,
        pose: Pose | None = None,
        settings: RigSettings | None = None,
        origin: Mapping[str, Any] | None = None,
    ) -> str:
        """Save the plan and what the scan stands on, before the first move; return its name.

        origin: `simulated`, `world`, `seed`, `microphone_xyz_mm` (plate frame, z above the face
        at its rim; when absent derived from the rig's microphone, the pose and `rim_height_mm`,
        the rim's upper edge above the bed), `temperature_c`, `humidity_percent` (the plate's own
        facts when absent), and anything else worth keeping.
        """
        return scan_store.new_scan(self, plan, pose, settings, dict(origin or {}))

    def set_state(self, scan: str, state: ScanState, reason: str = "") -> None:
        """Say how far a scan has come; the event log keeps every change."""
        self.require_writer()
        self.scan_row(scan)
        now = utc_now()
        with self.database.transaction() as db:
            db.execute(
                "UPDATE scan SET state = ?, reason = ?, changed_utc = ? WHERE scan = ?",
                (ScanState(state).value, reason, now, scan),
            )
            db.execute(
                "INSERT INTO event (utc, what, scan, detail) VALUES (?, 'state', ?, ?)",
                (now, scan, f"{ScanState(state).value} {reason}".strip()),
            )

    def plan(self, scan: str) -> Plan:
        """The frozen plan of a scan, exactly as it was saved."""
        plan = self._plans.get(scan)
        if plan is None:
            row = self.scan_row(scan)
            plan = rows.plan_of_text(row["plan"], row["plan_hash"], f"{self.path}, {scan}")
            self._plans[scan] = plan
        return plan

    def pose(self, scan: str) -> Pose | None:
        """Where the plate lay during the scan."""
        return rows.pose_of_text(self.scan_row(scan)["pose"])

    def origin(self, scan: str) -> dict[str, Any]:
        """What `new_scan` was told: simulated, world, seed, rig file and the rest."""
        origin: dict[str, Any] = json.loads(self.scan_row(scan)["origin"])
        return origin

    def settings(self, scan: str) -> RigSettings | None:
        """The rig's settings as they were when the scan began."""
        from rig.archive.rig_file import settings_of_values

        text = self.scan_row(scan)["rig_settings"]
        return None if text is None else settings_of_values(json.loads(text))

    def scans(self) -> list[ScanSummary]:
        """A line about every scan, oldest first."""
        from rig.archive.scan_reader import summaries

        return summaries(self.database)

    def latest_scan(self) -> str:
        """The newest scan; raises FolderError when there is none."""
        row = self.database.row("SELECT scan FROM scan ORDER BY created_utc DESC, scan DESC")
        if row is None:
            raise FolderError(
                "There is no scan in this folder yet.",
                where=str(self.path),
                remedy="Scan the plate, or gather a tap set into the folder.",
            )
        return str(row["scan"])

    def unfinished_scan(self) -> str | None:
        """The newest scan by a rig that is not finished; None when all are."""
        for summary in reversed(self.scans()):
            by_hand = "gathered_from" in self.origin(summary.scan)
            if summary.state != ScanState.FINISHED and not by_hand:
                return summary.scan
        return None

    def scan_row(self, scan: str) -> sqlite3.Row:
        """The database row of a scan; raises FolderError, naming the scans there are."""
        row = self.database.row("SELECT * FROM scan WHERE scan = ?", (scan,))
        if row is None:
            known = [r["scan"] for r in self.database.rows("SELECT scan FROM scan ORDER BY scan")]
            raise FolderError(
                f"There is no scan {scan} in this folder.",
                where=str(self.path),
                remedy=f"There are: {', '.join(known)}." if known else "There are no scans yet.",
            )
        return row

    # --- strikes ---------------------------------------------------------------------------

    def store_strike(
        self,
        scan: str,
        *,
        tap: int,
        repeat: int,
        x_mm: float,
        y_mm: float,
        clip: Clip,
        pulse_us: int | None = None,
        pulse_time_us: int | None = None,
        source: str | None = None,
    ) -> int:
        """Store one blow for good before returning; an earlier one of this tap and repeat yields.

        x_mm, y_mm: where it fell, plate frame. source: the file it came from, if any. Raises
        StorageFullError with nothing lost, RecordingError, UsageError.
        """
        return strike_store.store(
            self,
            scan,
            tap=tap,
            repeat=repeat,
            x_mm=x_mm,
            y_mm=y_mm,
            clip=clip,
            pulse_us=pulse_us,
            pulse_time_us=pulse_time_us,
            source=source,
        )

    def store_reading(
        self,
        strike_id: int,
        reading: ClipReading,
        *,
        analysis: str = SOFTWARE,
        parameters: Mapping[str, Any] | None = None,
    ) -> int:
        """Add a reading to a strike; earlier readings stay, the newest counts."""
        return self.store_readings([(strike_id, reading)], analysis=analysis, parameters=parameters)

    def store_readings(
        self,
        pairs: Iterable[tuple[int, ClipReading]],
        *,
        analysis: str = SOFTWARE,
        parameters: Mapping[str, Any] | None = None,
    ) -> int:
        """Add many readings in one transaction; returns the number of the last."""
        return strike_store.store_readings(self, pairs, analysis, dict(parameters or {}))

    def supersede(self, strike_id: int, reason: str = "to be struck again") -> None:
        """Take a strike out of use; it stays in the folder."""
        strike_store.supersede(self, strike_id, reason)

    def done(self, scan: str) -> set[tuple[int, int]]:
        """(tap, repeat) of every strike that is stored and in use."""
        self.scan_row(scan)
        found = self.database.rows(
            "SELECT tap, repeat FROM strike WHERE scan = ? AND superseded = 0", (scan,)
        )
        return {(row["tap"], row["repeat"]) for row in found}

    def scan_record(self, scan: str, *, with_clips: bool = True) -> ScanRecord:
        """The whole scan in memory; a recording that cannot be read is left out and noted.

        with_clips=False leaves the clips empty, (0, channels), which is quick.
        Raises FolderError when the scan or an outline is missing.
        """
        from rig.archive.scan_reader import read_scan

        return read_scan(self, self.scan_row(scan), with_clips=with_clips, threads=_READ_THREADS)

    def clip(self, strike_id: int) -> Clip:
        """The recording of one strike; raises RecordingError when the file is damaged."""
        from rig.archive.scan_reader import read_clip

        row = self.database.row("SELECT * FROM strike WHERE strike_id = ?", (int(strike_id),))
        if row is None:
            raise UsageError(f"There is no strike {strike_id}.", where=str(self.path))
        return read_clip(self.path, row)

    # --- the rest --------------------------------------------------------------------------

    def store_image(self, scan: str | None, kind: str, image: bytes | np.ndarray) -> Path:
        """Keep a picture: PNG or JPEG bytes, or (h, w) or (h, w, 3) uint8 in blue, green, red.

        kind: short name such as "location"; returns the path of the file.
        """
        return strike_store.store_image(self, scan, kind, image)

    def note(self, what: str, detail: str, scan: str | None = None) -> None:
        """Add a line to the folder's event log."""
        self.require_writer()
        with self.database.transaction() as db:
            db.execute(
                "INSERT INTO event (utc, what, scan, detail) VALUES (?, ?, ?, ?)",
                (utc_now(), what, scan, detail),
            )

    def check(self) -> list[Problem]:
        """Everything that is wrong with the folder; empty when it is sound."""
        from rig.archive.health import check_folder

        return list(check_folder(self.path).problems)
