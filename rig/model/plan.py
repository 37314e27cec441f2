"""A scan as data: which places are tapped, in which order, how hard and how often."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass

import numpy as np

from rig.model.frames import Face, PlateXY, Strength


@dataclass(frozen=True)
class PlannedTap:
    """One place to strike. `number` is its place in the order of the scan, from 0."""

    number: int
    x_mm: float
    y_mm: float


@dataclass(frozen=True)
class LeftOut:
    """Grid places that are not tapped, and why."""

    reason: str
    count: int


@dataclass(frozen=True)
class Plan:
    """A frozen tap plan in the plate frame; saved before the first move."""

    face: Face
    strength: Strength
    spacing_mm: float
    margin_mm: float
    repeats: int
    taps: tuple[PlannedTap, ...]
    left_out: tuple[LeftOut, ...] = ()

    @property
    def strike_count(self) -> int:
        """Strikes if none has to be repeated."""
        return len(self.taps) * self.repeats

    def places(self) -> PlateXY:
        """(n, 2) mm, in the order of the scan."""
        return PlateXY(np.array([(tap.x_mm, tap.y_mm) for tap in self.taps], dtype=np.float64))

    def hash(self) -> str:
        """Fingerprint by which a resumed scan proves that it follows the same plan."""
        return hashlib.sha256(json.dumps(asdict(self), sort_keys=True).encode()).hexdigest()[:16]
