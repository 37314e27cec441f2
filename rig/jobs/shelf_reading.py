"""One scan read again from its recordings: the piece of work that the shelf hands out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from rig.model.errors import AnalysisError, PlaterigError

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder
    from rig.model.scan_record import ScanRecord
    from rig.model.tone_map import ReadingKind

PARTIALS = 5
_HEARD_DB = -40.0  # against the strongest partial; below it lies what only some scans find


@dataclass(frozen=True)
class ScanToRead:
    """Which scan of which folder; reading None: local where the scan allows it, else attack."""

    folder: str
    scan: str
    reading: ReadingKind | None = None


def read_again(task: ScanToRead) -> dict[str, Any]:
    """Read every strike anew, pool the ring, draw the map; plain values.

    Stored readings are not looked at and the folder is not changed. A scan that carries no map
    has `problem`; one whose folder cannot be read has `failed` as well, and may be tried again.
    lost: recordings that could not be read.
    """
    try:
        return _read(task)
    except AnalysisError as problem:
        return {"problem": problem.what, "failed": False}
    except PlaterigError as problem:
        return {"problem": problem.what, "failed": True}
    except Exception as surprise:
        # one folder with damage nobody thought of must not end the reading of a thousand others
        return {"problem": f"{type(surprise).__name__}: {surprise}", "failed": True}


def _read(task: ScanToRead) -> dict[str, Any]:
    from rig.archive.plate_folder import PlateFolder
    from rig.field import tap_tone, tone_map
    from rig.jobs.further_taps import taken_together
    from rig.jobs.scan_readings import pooled_ring
    from rig.tone import read_clip

    with PlateFolder.open(task.folder) as opened:
        records = [opened.scan_record(task.scan)]
        while (before := records[-1].further_to) is not None:
            records.append(opened.scan_record(before))
        lost = sum(_lost(opened, one) for one in records)
    record = records.pop()
    while records:
        record = taken_together(record, records.pop())
    strikes = [s for s in record.strikes if not s.superseded]
    if not strikes:
        raise AnalysisError(f"No strike of {task.scan} can be read.")
    fresh = tuple(replace(s, reading=read_clip(s.clip)) for s in strikes)
    record = replace(record, strikes=fresh)
    ring = pooled_ring(record)
    # the evenness does not depend on the target, and the flat one costs nothing
    made = tone_map(record, tap_tone(record, task.reading), "flat", ring=ring)
    partials = sorted(ring, key=lambda partial: partial.hz)
    strong = [p for p in partials if p.level_db > _HEARD_DB] or partials
    return {
        "reading": made.reading,
        "evenness_cents": round(made.evenness_cents, 1),
        "evenness_low_cents": round(made.evenness_low_cents, 1),
        "evenness_high_cents": round(made.evenness_high_cents, 1),
        "middle_hz": round(made.middle_hz, 2),
        "verdict": made.verdict,
        "partials_hz": [round(partial.hz, 2) for partial in strong[:PARTIALS]],
        "taps": len(made.taps),
        "lost": lost,
    }


def _lost(folder: PlateFolder, record: ScanRecord) -> int:
    """Strikes of a scan whose recordings could not be read."""
    row = folder.database.row("SELECT count(*) AS n FROM strike WHERE scan = ?", (record.scan,))
    return (0 if row is None else int(row["n"])) - len(record.strikes)
