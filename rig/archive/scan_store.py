"""Starting a scan: the plan and what the scan stands on, saved before the first move."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.archive import rows
from rig.archive.naming import SOFTWARE, utc_now
from rig.archive.storage import storage_errors
from rig.model.frames import BedXY, Pose
from rig.model.plan import Plan
from rig.model.rig_settings import RIM_HEIGHT_MM, RigSettings
from rig.model.scan_record import ScanState

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder


def new_scan(
    folder: PlateFolder,
    plan: Plan,
    pose: Pose | None,
    settings: RigSettings | None,
    origin: dict[str, Any],
) -> str:
    """See `PlateFolder.new_scan`."""
    folder.require_writer()
    microphone = origin.get("microphone_xyz_mm")
    if microphone is None and pose is not None and settings is not None:
        rim_height_mm = origin.get("rim_height_mm")
        microphone = _microphone_in_plate_frame(
            pose, settings, RIM_HEIGHT_MM if rim_height_mm is None else float(rim_height_mm)
        )
    facts = folder.facts
    where = [None] * 3 if microphone is None else [float(v) for v in microphone]
    conditions = [
        origin[name] if origin.get(name) is not None else getattr(facts, name)
        for name in ("temperature_c", "humidity_percent")
    ]
    conditions = [None if value is None else float(value) for value in conditions]
    seed = origin.get("seed")
    with folder.database.transaction() as db:
        last = db.execute("SELECT max(CAST(substr(scan, 2) AS INTEGER)) FROM scan").fetchone()
        scan = f"S{(last[0] or 0) + 1:04d}"
        newest = db.execute("SELECT max(outline_id) FROM outline").fetchone()[0]
        now = utc_now()
        values = (
            scan, plan.face, plan.strength, float(plan.spacing_mm), len(plan.taps),
            plan.repeats, rows.plan_to_text(plan), plan.hash(), ScanState.PLANNED.value, "",
            now, now, int(bool(origin.get("simulated"))), origin.get("world"),
            None if seed is None else int(seed),
            None if pose is None else rows.to_text(asdict(pose)), *where, *conditions,
            None if settings is None else rows.to_text(asdict(settings)),
            rows.to_text(origin), newest, SOFTWARE,
        )  # fmt: skip
        db.execute(f"INSERT INTO scan VALUES ({', '.join('?' * len(values))})", values)
    with storage_errors(folder.path):
        (folder.path / "audio" / scan).mkdir(exist_ok=True)
    return scan


def amend_origin(folder: PlateFolder, scan: str, **changes: Any) -> None:
    """Add to what a scan's origin says; the event log keeps what was changed."""
    folder.require_writer()
    origin = folder.origin(scan) | changes
    with folder.database.transaction() as db:
        db.execute("UPDATE scan SET origin = ? WHERE scan = ?", (rows.to_text(origin), scan))
    folder.note("origin changed", rows.to_text(changes), scan)


def _microphone_in_plate_frame(
    pose: Pose, settings: RigSettings, rim_height_mm: float
) -> list[float] | None:
    """Where the microphone is seen from the plate; z above the face where it meets the rim."""
    place = settings.microphone.position_mm
    if place is None:
        return None
    x, y = pose.to_plate(BedXY(np.array([place[:2]], dtype=np.float64)))[0]
    return [float(x), float(y), float(place[2]) - rim_height_mm]
