"""What is known about a plate besides its sound."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PlateFacts:
    """All optional but the name; what is unknown stays None and is said to be unknown."""

    name: str
    instrument: str | None = None
    wood: str | None = None
    mass_g: float | None = None
    mean_thickness_mm: float | None = None
    arching_mm: float | None = None  # crown above the rim
    temperature_c: float | None = None
    humidity_percent: float | None = None
    reference: str | None = None  # owner's or workshop's own mark
    notes: str | None = None
