"""Thickness of the wood as a maker measures it, place by place, with a caliper."""

from __future__ import annotations

from dataclasses import dataclass

from rig.model.frames import Face, PlateXY
from rig.model.units import FloatArray

USUAL_SD_MM = 0.05  # of a dial caliper read to a tenth (common practice, no source)


@dataclass(frozen=True)
class ThicknessReadings:
    """One list of readings.

    places_mm (n, 2) plate frame; thickness_mm, sd_mm (n,); face: the one that the places were
    marked on, which leaves x, y as seen from the outer face; measured_on: YYYY-MM-DD.
    """

    places_mm: PlateXY
    thickness_mm: FloatArray
    sd_mm: FloatArray
    face: Face
    measured_on: str
    source: str
