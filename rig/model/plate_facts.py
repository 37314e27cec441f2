"""What is known about a plate besides its sound."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot


@dataclass(frozen=True)
class Bar:
    """A straight bar glued to the inner face, between two places of the plate frame.

    heights_mm: its height over the plate at evenly spaced places from (x1, y1) to (x2, y2), one
    number where it is as high all along, straight lines between; wood None: spruce, split along
    the bar.
    """

    x1_mm: float
    y1_mm: float
    x2_mm: float
    y2_mm: float
    heights_mm: tuple[float, ...]
    width_mm: float
    wood: str | None = None

    @property
    def length_mm(self) -> float:
        """Length between the ends, seen from above."""
        return hypot(self.x2_mm - self.x1_mm, self.y2_mm - self.y1_mm)


@dataclass(frozen=True)
class PlateFacts:
    """All optional but the name; what is unknown stays None and is said to be unknown."""

    name: str
    instrument: str | None = None
    wood: str | None = None
    mass_g: float | None = None  # as weighed, with whatever is glued to the plate
    mean_thickness_mm: float | None = None
    arching_mm: float | None = None  # crown above the rim
    temperature_c: float | None = None
    humidity_percent: float | None = None
    reference: str | None = None  # owner's or workshop's own mark
    notes: str | None = None
    # (x, y, height of the outer surface above the rim): at least 5 measured places
    arch_heights_mm: tuple[tuple[float, float, float], ...] | None = None
    bars: tuple[Bar, ...] | None = None
