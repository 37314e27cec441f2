"""Straight moves with limited speed and acceleration: the closed form both ends agree on."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Trapezoid:
    """A move of `distance_mm` from rest to rest; a triangle when too short to reach the speed."""

    distance_mm: float
    speed_mm_s: float
    acceleration_mm_s2: float

    @property
    def peak_mm_s(self) -> float:
        """Highest speed reached."""
        return min(self.speed_mm_s, math.sqrt(self.distance_mm * self.acceleration_mm_s2))

    @property
    def duration_s(self) -> float:
        """d/v + v/a for a trapezoid, 2·√(d/a) for a triangle."""
        if self.distance_mm <= 0.0:
            return 0.0
        peak = self.peak_mm_s
        return self.distance_mm / peak + peak / self.acceleration_mm_s2

    def travelled_mm(self, t_s: float) -> float:
        """Distance covered `t_s` after the start."""
        duration = self.duration_s
        if t_s <= 0.0:
            return 0.0
        if t_s >= duration:
            return self.distance_mm
        ramp = self.peak_mm_s / self.acceleration_mm_s2
        if t_s < ramp:
            return 0.5 * self.acceleration_mm_s2 * t_s**2
        if t_s > duration - ramp:
            return self.distance_mm - 0.5 * self.acceleration_mm_s2 * (duration - t_s) ** 2
        return self.peak_mm_s * (t_s - 0.5 * ramp)

    def speed_at(self, t_s: float) -> float:
        """Speed `t_s` after the start."""
        duration = self.duration_s
        if not 0.0 < t_s < duration:
            return 0.0
        return min(
            self.peak_mm_s,
            self.acceleration_mm_s2 * t_s,
            self.acceleration_mm_s2 * (duration - t_s),
        )


def move_time_s(distance_mm: float, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Shortest time of a straight move from rest to rest."""
    return Trapezoid(distance_mm, speed_mm_s, acceleration_mm_s2).duration_s
