"""Reading scans back: summaries, single clips, whole records."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.archive import rows
from rig.archive.database import Database
from rig.archive.rows import ScanSummary
from rig.archive.sound_files import read_raw
from rig.model.calibration import CalibrationNote
from rig.model.clip import Clip
from rig.model.errors import FolderError, RecordingError
from rig.model.outline import Outline
from rig.model.reading import ClipReading
from rig.model.scan_record import ScanRecord, ScanState, Strike

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder

_SUMMARY_SQL = """
SELECT s.*,
    (SELECT count(*) FROM strike k WHERE k.scan = s.scan AND k.superseded = 0) AS strikes,
    (SELECT count(*) FROM strike k WHERE k.scan = s.scan AND k.superseded = 1) AS retakes,
    (SELECT count(*) FROM (
        SELECT k.tap FROM strike k WHERE k.scan = s.scan AND k.superseded = 0
        GROUP BY k.tap HAVING count(*) >= s.repeats)) AS taps_done
FROM scan s ORDER BY s.created_utc, s.scan
"""
_READINGS_SQL = """
SELECT r.* FROM reading r JOIN (
    SELECT max(reading.reading_id) AS newest FROM reading JOIN strike USING (strike_id)
    WHERE strike.scan = ? GROUP BY reading.strike_id) ON r.reading_id = newest
"""


def summaries(database: Database) -> list[ScanSummary]:
    """A line about every scan, oldest first."""
    return [
        ScanSummary(
            scan=row["scan"],
            state=ScanState(row["state"]),
            reason=row["reason"],
            face=row["face"],
            strength=row["strength"],
            spacing_mm=row["spacing_mm"],
            taps_planned=row["taps_planned"],
            taps_done=row["taps_done"],
            strikes=row["strikes"],
            retakes=row["retakes"],
            created_utc=row["created_utc"],
            simulated=bool(row["simulated"]),
            world=row["world"],
            seed=row["seed"],
            plan_hash=row["plan_hash"],
            further_to=json.loads(row["origin"]).get("further_to"),
        )
        for row in database.rows(_SUMMARY_SQL)
    ]


def read_clip(folder: Path, row: sqlite3.Row) -> Clip:
    """The recording behind a strike row; raises RecordingError when it is not as it was stored."""
    path = folder / row["file"]
    sound = read_raw(path)
    if sound.samples.shape != (row["samples"], row["channels"]):
        raise RecordingError(
            f"The recording holds {sound.samples.shape} samples where "
            f"{(row['samples'], row['channels'])} were stored.",
            where=str(path),
            remedy="Fetch the file from a copy of the folder.",
        )
    return rows.clip_of(row, sound.samples)


def read_scan(
    folder: PlateFolder, scan_row: sqlite3.Row, *, with_clips: bool, threads: int
) -> ScanRecord:
    """See `PlateFolder.scan_record`."""
    scan = scan_row["scan"]
    outline = scan_outline(folder, scan_row)
    if outline is None:
        raise FolderError(
            "The outline of this plate is not known yet.",
            where=str(folder.path),
            remedy="Give one: a CSV with x_mm,y_mm round the rim, or take it from a picture.",
        )
    origin = json.loads(scan_row["origin"])
    strikes = folder.database.rows(
        "SELECT * FROM strike WHERE scan = ? ORDER BY tap, repeat, take", (scan,)
    )
    readings = {
        row["strike_id"]: rows.reading_of(row)
        for row in folder.database.rows(_READINGS_SQL, (scan,))
    }
    notes: list[str] = []

    def load(row: sqlite3.Row) -> Clip | RecordingError:
        if not with_clips:
            return rows.clip_of(row, np.zeros((0, row["channels"]), dtype=np.int32))
        try:
            return read_clip(folder.path, row)
        except RecordingError as problem:
            return problem

    with ThreadPoolExecutor(threads) as pool:
        clips = list(pool.map(load, strikes))
    found: list[Strike] = []
    for row, clip in zip(strikes, clips, strict=True):
        if isinstance(clip, RecordingError):
            notes.append(f"Tap {row['tap']}, repeat {row['repeat']} is left out: {clip.what}")
        else:
            found.append(_strike(row, clip, readings.get(row["strike_id"])))
    return ScanRecord(
        scan=scan,
        face=scan_row["face"],
        strength=scan_row["strength"],
        spacing_mm=scan_row["spacing_mm"],
        outline=outline,
        facts=folder.facts,
        strikes=tuple(found),
        pose=rows.pose_of_text(scan_row["pose"]),
        microphone_xyz_mm=_microphone(scan_row),
        simulated=bool(scan_row["simulated"]),
        world=scan_row["world"],
        recorded_utc=scan_row["created_utc"],
        conditions=_conditions(scan_row, origin),
        notes=(*origin.get("notes", ()), *notes),
        calibration=CalibrationNote.of_origin(origin),
        further_to=origin.get("further_to"),
    )


def _strike(row: sqlite3.Row, clip: Clip, reading: ClipReading | None) -> Strike:
    return Strike(
        strike_id=row["strike_id"],
        tap=row["tap"],
        repeat=row["repeat"],
        x_mm=row["x_mm"],
        y_mm=row["y_mm"],
        clip=clip,
        reading=reading,
        superseded=bool(row["superseded"]),
    )


def _conditions(row: Any, origin: Mapping[str, Any]) -> dict[str, float]:
    known = {name: row[name] for name in ("temperature_c", "humidity_percent")}
    known["mass_g"] = origin.get("mass_g")
    return {name: float(value) for name, value in known.items() if value is not None}


def _microphone(row: Any) -> tuple[float, float, float] | None:
    place = tuple(row[f"microphone_{axis}_mm"] for axis in "xyz")
    return None if None in place else (place[0], place[1], place[2])


def scan_outline(folder: PlateFolder, scan_row: sqlite3.Row) -> Outline | None:
    """The outline the scan was made with; the newest one where that was missing or a stand-in."""
    own = folder.database.row(
        "SELECT * FROM outline WHERE outline_id = ?", (scan_row["outline_id"],)
    )
    if own is not None and own["source"] != "stand-in":
        return rows.outline_of_text(own["rings"], str(folder.path))
    return folder.outline
