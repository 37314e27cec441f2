"""One tap of a scan: its strikes to look at and to hear, and what to do with them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.model.errors import UsageError
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanState
from rig.model.units import FloatArray

if TYPE_CHECKING:
    from rig.model.reading import ClipReading

LEFT_OUT = "Left out by hand."
_BY_HAND = "by hand"


@dataclass(frozen=True)
class StrikeView:
    """One strike: wave (n,), full scale 1; spectrum in dB against its own peak."""

    strike_id: int
    repeat: int
    superseded: bool
    reading: ClipReading | None
    rate_hz: int
    wave: FloatArray
    spectrum_hz: FloatArray
    spectrum_db: FloatArray

    @property
    def left_out(self) -> bool:
        """Whether somebody has left it out by hand."""
        return self.reading is not None and LEFT_OUT in self.reading.reasons


@dataclass(frozen=True)
class Spot:
    """One tap with its strikes, the one in use first."""

    scan: str
    tap: int
    x_mm: float
    y_mm: float
    strikes: tuple[StrikeView, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain values, without the sound."""
        return {
            "scan": self.scan,
            "tap": self.tap,
            "x_mm": self.x_mm,
            "y_mm": self.y_mm,
            "strikes": [
                {"strike": s.strike_id, "superseded": s.superseded, "left_out": s.left_out}
                for s in self.strikes
            ],
        }


def spot(folder: Path | str, scan: str, tap: int, *, progress: Progress = silent) -> Spot:
    """Fetch one tap. Raises UsageError for a tap that is not planned, RecordingError."""
    from rig.archive.plate_folder import PlateFolder

    del progress
    with PlateFolder.open(folder) as opened:
        planned = next((t for t in opened.plan(scan).taps if t.number == tap), None)
        if planned is None:
            raise UsageError(f"{scan} has no tap {tap}.", where=str(folder))
        record = opened.scan_record(scan, with_clips=False)
        struck = [s for s in record.strikes if s.tap == tap]
        struck.sort(key=lambda s: (s.superseded, s.repeat, -s.strike_id))
        views = []
        for strike in struck:
            clip = opened.clip(strike.strike_id)
            hz, db = spectrum(clip.mic, clip.sample_rate_hz)
            views.append(
                StrikeView(
                    strike.strike_id, strike.repeat, strike.superseded, strike.reading,
                    clip.sample_rate_hz, clip.mic, hz, db,
                )
            )  # fmt: skip
    return Spot(scan, tap, planned.x_mm, planned.y_mm, tuple(views))


def spectrum(wave: FloatArray, rate_hz: int, highest_hz: float = 3000.0) -> tuple[Any, Any]:
    """Hz (k,) and dB against the peak (k,), under a Hann window, up to `highest_hz`."""
    if len(wave) < 2:
        return np.zeros(0), np.zeros(0)
    size = np.abs(np.fft.rfft((wave - np.mean(wave)) * np.hanning(len(wave))))
    hz = np.fft.rfftfreq(len(wave), 1.0 / rate_hz)
    keep = (hz >= 40.0) & (hz <= highest_hz)
    peak = float(np.max(size[keep])) if np.any(keep) and np.any(size[keep] > 0) else 1.0
    return hz[keep], 20.0 * np.log10(np.maximum(size[keep] / peak, 1e-5))


def leave_out(
    folder: Path | str, strike_id: int, *, out: bool = True, progress: Progress = silent
) -> None:
    """Leave a strike out of all maps, or take it in again; the recording stays as it is.

    A reading by hand is laid over the earlier one, which stays in the folder. Raises UsageError
    for a strike that is not there or was never read, FolderInUseError.
    """
    from rig.archive.naming import SOFTWARE
    from rig.archive.plate_folder import PlateFolder
    from rig.tone import read_clip

    del progress
    with PlateFolder.open(folder, write=True) as opened:
        clip = opened.clip(strike_id)
        reading = read_clip(clip)
        if out:
            reading = replace(reading, quality="bad", reasons=(LEFT_OUT, *reading.reasons))
        opened.store_reading(strike_id, reading, analysis=_BY_HAND if out else SOFTWARE)


def strike_again(
    folder: Path | str, scan: str, tap: int, *, undo: bool = False, progress: Progress = silent
) -> None:
    """Mark a tap to be struck again when the scan is resumed, or take that back.

    Earlier strikes are kept in the folder. Raises UsageError for a scan that no rig made and
    where there is nothing to take back, FolderError.
    """
    from rig.archive.plate_folder import PlateFolder
    from rig.archive.strike_store import reinstate

    del progress
    with PlateFolder.open(folder, write=True) as opened:
        if "gathered_from" in opened.origin(scan):
            raise UsageError(
                f"{scan} was recorded by hand, so no rig can strike it again.", where=str(folder)
            )
        struck = [s for s in opened.scan_record(scan, with_clips=False).strikes if s.tap == tap]
        if not undo:
            for strike in struck:
                if not strike.superseded:
                    opened.supersede(strike.strike_id)
            opened.set_state(scan, ScanState.STOPPED, "taps are to be struck again")
            return
        newest = {s.repeat: s.strike_id for s in struck}  # in the order of the takes
        for strike_id in newest.values():
            reinstate(opened, strike_id)
        plan = opened.plan(scan)
        if len(opened.done(scan)) >= plan.strike_count:
            opened.set_state(scan, ScanState.FINISHED, "all taps done")
