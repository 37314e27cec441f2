"""What a faulty rig does wrong, as probabilities, and the line that does it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class FaultSpec:
    """Probabilities of each fault; all zero is a healthy rig.

    Lines: per line and direction. Strikes: per strike. Overflow: per strike recorded.
    delay_s: how late a delayed line comes (uniform up to this). gantry_*: what the gantry makes of
    a place it is sent to: each axis longer or shorter by its scale, the Y axis leaning by the skew
    (90° less the angle from X to Y), all of it displaced. slip_mm: by how much the plate slips on
    the bed when it has been struck slip_after times; 0 never.
    """

    line_lost: float = 0.0
    line_garbled: float = 0.0
    line_doubled: float = 0.0
    line_delayed: float = 0.0
    delay_s: float = 0.15
    strike_missed: float = 0.0
    strike_double: float = 0.0
    strike_clipped: float = 0.0
    sound_overflow: float = 0.0
    marker_missing: int = 0  # how many bed markers the camera cannot see
    gantry_scale: tuple[float, float] = (1.0, 1.0)
    gantry_skew_deg: float = 0.0
    gantry_offset_mm: tuple[float, float] = (0.0, 0.0)
    slip_after: int = 0
    slip_mm: tuple[float, float] = (0.0, 0.0)

    @property
    def any_line_fault(self) -> bool:
        """Whether the line itself misbehaves."""
        return (self.line_lost + self.line_garbled + self.line_doubled + self.line_delayed) > 0

    def gantry_comes_to(self, told_mm: tuple[float, float]) -> tuple[float, float]:
        """Where the gantry truly stands, bed frame, when it believes to be at a place."""
        lean = math.radians(self.gantry_skew_deg)
        along_y = self.gantry_scale[1] * told_mm[1]
        return (
            self.gantry_scale[0] * told_mm[0] + along_y * math.sin(lean) + self.gantry_offset_mm[0],
            along_y * math.cos(lean) + self.gantry_offset_mm[1],
        )


HEALTHY = FaultSpec()


class FaultyLine:
    """Decides the fate of each line on one direction of the cable; seeded."""

    def __init__(self, faults: FaultSpec, rng: np.random.Generator) -> None:
        self._faults = faults
        self._rng = rng
        self.counts = {"lost": 0, "garbled": 0, "doubled": 0, "delayed": 0}

    def carry(self, line: bytes) -> list[tuple[float, bytes]]:
        """Return what arrives of one line: (extra delay in s, bytes), in sending order."""
        faults = self._faults
        if not faults.any_line_fault:
            return [(0.0, line)]
        draw = float(self._rng.random())
        for name, share in (
            ("lost", faults.line_lost),
            ("garbled", faults.line_garbled),
            ("doubled", faults.line_doubled),
            ("delayed", faults.line_delayed),
        ):
            if draw < share:
                self.counts[name] += 1
                return self._spoil(name, line)
            draw -= share
        return [(0.0, line)]

    def _spoil(self, name: str, line: bytes) -> list[tuple[float, bytes]]:
        if name == "lost":
            return []
        if name == "doubled":
            return [(0.0, line), (float(self._rng.uniform(0.0, self._faults.delay_s)), line)]
        if name == "delayed":
            return [(float(self._rng.uniform(0.0, self._faults.delay_s)), line)]
        spoilt = bytearray(line)
        for _ in range(int(self._rng.integers(1, 4))):
            place = int(self._rng.integers(0, len(spoilt)))  # may hit the line end too
            spoilt[place] ^= int(self._rng.integers(1, 256))
        return [(0.0, bytes(spoilt))]
