"""A whole scan in memory: the one thing that the estimators, maps and reports are given."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from rig.model.calibration import CalibrationNote
from rig.model.clip import Clip
from rig.model.frames import Face, PlateXY, Pose, Strength
from rig.model.outline import Outline
from rig.model.plate_facts import PlateFacts
from rig.model.reading import ClipReading


class ScanState(StrEnum):
    """How far a scan has come; the last three are final until it is resumed."""

    PLANNED = "planned"
    RUNNING = "running"
    PAUSED = "paused"
    FINISHED = "finished"
    STOPPED = "stopped"
    HALTED = "halted"


@dataclass(frozen=True)
class Strike:
    """One stored blow: which tap, which repeat, where it truly fell, what was heard."""

    strike_id: int
    tap: int
    repeat: int
    x_mm: float
    y_mm: float
    clip: Clip
    reading: ClipReading | None = None
    superseded: bool = False  # a retake replaced it; kept, but no longer used


@dataclass(frozen=True)
class ScanRecord:
    """One pass over a plan: one face, one strength, one calibration."""

    scan: str
    face: Face
    strength: Strength
    spacing_mm: float
    outline: Outline
    facts: PlateFacts
    strikes: tuple[Strike, ...]
    pose: Pose | None = None
    microphone_xyz_mm: tuple[float, float, float] | None = None  # plate frame, z above the face
    simulated: bool = False
    world: str | None = None
    recorded_utc: str | None = None
    conditions: dict[str, float] = field(default_factory=dict)  # temperature_c, humidity_percent, …
    notes: tuple[str, ...] = ()
    calibration: CalibrationNote = field(default_factory=CalibrationNote)
    further_to: str | None = None  # the scan that this one adds taps to

    def used_strikes(self) -> tuple[Strike, ...]:
        """Strikes to analyse: neither superseded nor called bad."""
        return tuple(
            s
            for s in self.strikes
            if not s.superseded and (s.reading is None or s.reading.quality != "bad")
        )

    def tap_places(self) -> tuple[list[int], PlateXY]:
        """Tap numbers with at least one used strike, and their (n, 2) mean places."""
        places: dict[int, list[tuple[float, float]]] = {}
        for strike in self.used_strikes():
            places.setdefault(strike.tap, []).append((strike.x_mm, strike.y_mm))
        numbers = sorted(places)
        xy = np.array([np.mean(places[n], axis=0) for n in numbers], dtype=np.float64)
        return numbers, PlateXY(xy.reshape(-1, 2))
