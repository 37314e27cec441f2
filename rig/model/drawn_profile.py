"""A target that somebody drew: cents at scattered places of the plate, only differences meant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.model.errors import UsageError
from rig.model.units import FloatArray

FEWEST_POINTS = 6  # a plane and a curve along and across leave no fewer
_MOST_CENTS = 4800.0
_SAME_PLACE_MM = 0.5
_LAYOUT = (
    "A drawn target is a CSV with the head line x_mm,y_mm,target_cents and a place on each line; "
    "only differences count."
)


@dataclass(frozen=True)
class DrawnProfile:
    """name: as it is called on the map; places (m, 2) in mm of the plate frame, cents (m,)."""

    name: str
    places: FloatArray
    cents: FloatArray


def checked_profile(
    points: Sequence[tuple[float, float, float]], *, name: str, where: str = ""
) -> DrawnProfile:
    """Make a profile of (x, y, cents), or raise UsageError for one that cannot be."""
    told = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    if len(told) < FEWEST_POINTS:
        raise UsageError(
            f"The drawn target has {len(told)} places; it takes {FEWEST_POINTS} at least.",
            where=where,
            remedy=_LAYOUT,
        )
    for x, y, cents in told:
        if not np.isfinite([x, y, cents]).all() or abs(cents) > _MOST_CENTS:
            raise UsageError(
                f"The drawn target says {cents:g} cents at x {x:g}, y {y:g} mm, which no plate "
                "has.",
                where=where,
                remedy=_LAYOUT,
            )
    gap = np.hypot(*(told[:, None, :2] - told[None, :, :2]).transpose(2, 0, 1))
    gap[np.tril_indices(len(told))] = np.inf
    first, second = np.unravel_index(int(np.argmin(gap)), gap.shape)
    if gap[first, second] < _SAME_PLACE_MM:
        raise UsageError(
            f"The drawn target has the place x {told[first, 0]:g}, y {told[first, 1]:g} mm twice.",
            where=where,
            remedy="Keep one line for each place.",
        )
    return DrawnProfile(name, told[:, :2], told[:, 2])
