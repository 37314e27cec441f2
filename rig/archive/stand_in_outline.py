"""An outline drawn round the taps, for want of a true one."""

from __future__ import annotations

import numpy as np

from rig.model.errors import OutlineError
from rig.model.frames import PlateXY
from rig.model.outline import Outline

CAUTION = (
    "No outline was given: a stand-in was drawn round the taps. Places near the edge, and "
    "everything that depends on the plate's shape, are only rough until a true outline is known."
)


def nearest_distance_mm(places: PlateXY) -> float | None:
    """Median distance from each of the (n, 2) places to its nearest neighbour; None for fewer
    than two places."""
    if len(places) < 2:
        return None
    gaps = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(gaps, np.inf)
    return float(np.median(gaps.min(axis=1)))


def outline_round(places: PlateXY, where: str = "") -> Outline:
    """A rim half a grid step outside the outermost taps of each band across the plate.

    Bands follow one another along y; a plate's outline meets a line across it twice, so leftmost
    and rightmost tap of a band bound it, waist and all. Raises OutlineError for too few taps.
    """
    step = nearest_distance_mm(places)
    if step is None or step <= 0 or len(places) < 12:
        raise OutlineError(
            "There is no outline, and too few taps to draw a stand-in round them.",
            where=where,
            remedy="Add outline.csv: x_mm,y_mm of points round the rim, in order.",
        )
    low, high = float(places[:, 1].min()), float(places[:, 1].max())
    count = max(3, round((high - low) / (1.5 * step)))
    edges = np.linspace(low, high, count + 1)
    band = np.clip(np.digitize(places[:, 1], edges) - 1, 0, count - 1)
    pad = 0.5 * step
    left, right, middle = [], [], []
    for number in range(count):
        across = places[band == number, 0]
        if len(across):
            left.append(across.min() - pad)
            right.append(across.max() + pad)
            middle.append(0.5 * (edges[number] + edges[number + 1]))
    y = np.array([low - pad, *middle[1:-1], high + pad])
    right_side = np.column_stack([right, y])
    left_side = np.column_stack([left, y])[::-1]
    return Outline.checked(np.vstack([right_side, left_side]), where=where or "stand-in outline")
