"""The rim of a plate and its sound holes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rig.model import polygon
from rig.model.errors import OutlineError
from rig.model.frames import PlateXY
from rig.model.units import FloatArray


@dataclass(frozen=True)
class Outline:
    """Rim (n, 2) and holes, each (m, 2), in mm of the plate frame, counter-clockwise, open-ended.

    Build it with `Outline.checked`, which puts any closed curve into this form.
    """

    rim: PlateXY
    holes: tuple[PlateXY, ...] = field(default=())

    @classmethod
    def checked(
        cls, rim: FloatArray, holes: tuple[FloatArray, ...] = (), *, where: str = ""
    ) -> Outline:
        """Make an outline of any closed curve, in any direction, or raise OutlineError."""
        tidy_rim = _tidy_ring(rim, "outline", where)
        if abs(polygon.signed_area_mm2(tidy_rim)) < 2000.0:
            raise OutlineError(
                "The outline encloses less than 20 cm².",
                where=where,
                remedy="Give it in millimetres, x to the right and y from the lower end upwards.",
            )
        tidy_holes = []
        for number, hole in enumerate(holes, start=1):
            ring = _tidy_ring(hole, f"sound hole {number}", where)
            if not bool(np.all(polygon.contains(tidy_rim, ring))):
                raise OutlineError(f"Sound hole {number} reaches outside the outline.", where=where)
            tidy_holes.append(PlateXY(ring))
        return cls(rim=PlateXY(tidy_rim), holes=tuple(tidy_holes))

    def contains(self, xy: FloatArray) -> polygon.BoolArray:
        """Which of the (m, 2) places lie on wood: inside the rim and in no hole; (m,) bool."""
        inside = polygon.contains(self.rim, xy)
        for hole in self.holes:
            inside &= ~polygon.contains(hole, xy)
        return inside

    def edge_distance_mm(self, xy: FloatArray) -> FloatArray:
        """Distance of the (m, 2) places to the nearest rim or hole edge; (m,)."""
        gaps = [polygon.distance_to_edge_mm(ring, xy) for ring in (self.rim, *self.holes)]
        return np.asarray(np.min(gaps, axis=0), dtype=np.float64)

    @property
    def area_mm2(self) -> float:
        """Area of wood."""
        holes = sum(abs(polygon.signed_area_mm2(hole)) for hole in self.holes)
        return abs(polygon.signed_area_mm2(self.rim)) - holes

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and length of the box around the rim."""
        width, length = np.ptp(self.rim, axis=0)
        return float(width), float(length)


def _tidy_ring(points: FloatArray, name: str, where: str) -> FloatArray:
    """Drop repeated points, check for crossings, turn counter-clockwise."""
    ring = np.asarray(points, dtype=np.float64)
    if ring.ndim != 2 or ring.shape[1] != 2:
        raise OutlineError(f"The {name} is not a list of x, y pairs.", where=where)
    if not np.all(np.isfinite(ring)):
        raise OutlineError(f"The {name} holds a value that is not a number.", where=where)
    repeated = np.all(np.isclose(ring, np.roll(ring, 1, axis=0), atol=1e-6), axis=1)
    ring = ring[~repeated]
    if len(ring) < 3:
        raise OutlineError(
            f"The {name} has fewer than three different points.",
            where=where,
            remedy="A violin outline needs about 100 points or more.",
        )
    crossing = polygon.first_self_crossing(ring)
    if crossing is not None:
        i, j = crossing
        raise OutlineError(
            f"The {name} crosses itself: the edge after point {i + 1} "
            f"(x {ring[i, 0]:.1f}, y {ring[i, 1]:.1f} mm) meets the edge after point {j + 1} "
            f"(x {ring[j, 0]:.1f}, y {ring[j, 1]:.1f} mm).",
            where=where,
            remedy="List the points once round the rim, in order.",
        )
    return ring if polygon.signed_area_mm2(ring) > 0 else np.array(ring[::-1])
