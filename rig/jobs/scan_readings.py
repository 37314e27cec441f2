"""A scan out of its plate folder with every strike read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from rig.model.errors import AnalysisError, FolderError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord

if TYPE_CHECKING:
    from rig.model.clip import Clip
    from rig.model.reading import ClipReading


def load_scan(folder: Path | str, scan: str | None, progress: Progress = silent) -> ScanRecord:
    """Open the folder, take one scan (None: the latest) and read strikes not read yet.

    New readings are stored where the folder can be opened for writing, so that they are computed
    once. A scan of further taps comes with the strikes of the scan that it adds to. Raises the
    folder's own errors, AnalysisError where the scan holds no strike.
    """
    from rig.jobs.further_taps import taken_together

    record = _alone(folder, scan, progress)
    if record.further_to is None:
        return record
    return taken_together(load_scan(folder, record.further_to, progress), record)


def _alone(folder: Path | str, scan: str | None, progress: Progress) -> ScanRecord:
    from rig.archive.plate_folder import PlateFolder

    with PlateFolder.open(folder) as opened:
        name = scan or opened.latest_scan()
        record = opened.scan_record(name)
    if not record.strikes and record.notes:
        raise AnalysisError(
            f"None of the recordings of {name} can be read.",
            where=str(folder),
            remedy="See what is missing with `platerig check`, and fetch it from a copy.",
        )
    if not record.strikes:
        raise AnalysisError(
            f"No strike of {name} is stored.",
            where=str(folder),
            remedy="Go on with the scan (scan --resume), or name another with --scan.",
        )
    missing = [s for s in record.strikes if s.reading is None and not s.superseded]
    if not missing:
        return record
    readings = dict(zip((s.strike_id for s in missing), _read(missing, progress), strict=True))
    try:
        with PlateFolder.open(folder, write=True) as opened:
            opened.store_readings(list(readings.items()))
    except (FolderError, OSError):
        pass  # a scan in progress or a folder on read-only ground: the readings serve this call
    return replace(
        record,
        strikes=tuple(
            replace(s, reading=readings[s.strike_id]) if s.strike_id in readings else s
            for s in record.strikes
        ),
    )


def _read(strikes, progress: Progress) -> list[ClipReading]:  # type: ignore[no-untyped-def]
    from concurrent.futures import ThreadPoolExecutor

    from rig.tone import read_clip

    def one(clip: Clip) -> ClipReading:
        return read_clip(clip)

    found = []
    with ThreadPoolExecutor(2) as pool:
        for done, reading in enumerate(pool.map(one, [s.clip for s in strikes]), start=1):
            found.append(reading)
            if done % 25 == 0 or done == len(strikes):
                progress(ProgressEvent("Reading the strikes", done, len(strikes)))
    return found


def pooled_ring(record: ScanRecord) -> tuple[RingPartial, ...]:
    """The plate's partials from all usable strikes together."""
    from rig.tone import ring_of_scan

    used = [
        s for s in record.used_strikes() if s.reading is not None and s.reading.onset_s is not None
    ]
    if not used:
        return ()
    onsets = [s.reading.onset_s for s in used if s.reading and s.reading.onset_s is not None]
    return tuple(ring_of_scan([s.clip for s in used], onsets))
