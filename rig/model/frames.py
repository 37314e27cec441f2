"""The three frames, each with its own type, and the pose that leads from one to the other.

Plate frame: mm, seen from the outer face with the neck end up, x to the right of the centre
line, y up from the lower end. A point of wood keeps its (x, y) whichever face is up.
Bed frame: mm, X right, Y away, from the homed corner. Image frame: pixels, u right, v down.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NewType

import numpy as np

from rig.model.units import FloatArray

Face = Literal["outer", "inner"]
Strength = Literal["light", "firm"]

PlateXY = NewType("PlateXY", FloatArray)  # (n, 2) mm, plate frame
BedXY = NewType("BedXY", FloatArray)  # (n, 2) mm, bed frame
ImageUV = NewType("ImageUV", FloatArray)  # (n, 2) px, image frame


@dataclass(frozen=True)
class Pose:
    """Where the plate lies: origin of the plate frame in the bed frame, and the turn.

    angle_deg is the direction of the plate's +y, counter-clockwise from bed +Y. With the inner
    face up, x is mirrored: bed = origin + f·x·(cos a, sin a) + y·(−sin a, cos a), f = −1.
    """

    x_mm: float
    y_mm: float
    angle_deg: float
    face: Face
    sd_mm: float | None = None
    outline_rms_mm: float | None = None

    def _axes(self) -> tuple[FloatArray, FloatArray]:
        angle = np.deg2rad(self.angle_deg)
        flip = 1.0 if self.face == "outer" else -1.0
        across = flip * np.array([np.cos(angle), np.sin(angle)])
        along = np.array([-np.sin(angle), np.cos(angle)])
        return across, along

    def to_bed(self, points: PlateXY) -> BedXY:
        """Carry (n, 2) plate-frame points to the bed."""
        across, along = self._axes()
        xy = np.atleast_2d(points)
        origin = np.array([self.x_mm, self.y_mm])
        return BedXY(origin + xy[:, :1] * across + xy[:, 1:] * along)

    def to_plate(self, points: BedXY) -> PlateXY:
        """Carry (n, 2) bed-frame points to the plate."""
        across, along = self._axes()
        offset = np.atleast_2d(points) - np.array([self.x_mm, self.y_mm])
        return PlateXY(np.column_stack([offset @ across, offset @ along]))
