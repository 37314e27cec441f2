"""An outline drawn round the taps, for want of a true one."""

from __future__ import annotations

import numpy as np

from rig.model.errors import OutlineError
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.units import FloatArray

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
    """A rim a little outside the outermost taps of each band across the plate.

    Bands follow one another along y; a plate's outline meets a line across it twice, so leftmost
    and rightmost tap of a band bound it, waist and all. Every tap lies inside. Raises
    OutlineError for too few taps.
    """
    width, length = np.ptp(places, axis=0) if len(places) else (0.0, 0.0)
    # As if the taps stood on a square grid over a plate that fills 0.75 of its box.
    step = float(np.sqrt(0.75 * width * length / max(1, len(places))))
    if len(places) < 12 or step <= 0:
        raise OutlineError(
            "There is no outline, and too few taps to draw a stand-in round them.",
            where=where,
            remedy="Add outline.csv: x_mm,y_mm of points round the rim, in order.",
        )
    pad = 0.6 * step
    right = _side(places, step, pad)
    mirror = np.array([-1.0, 1.0])
    left = _side(places * mirror, step, pad) * mirror
    return Outline.checked(np.vstack([right, left[::-1]]), where=where or "stand-in outline")


def _side(places: FloatArray, step: float, pad: float) -> FloatArray:
    """The right-hand edge from the lower end up, (m, 2), `pad` outside the outermost taps."""
    low, high = float(places[:, 1].min()), float(places[:, 1].max())
    count = max(3, round((high - low) / (1.5 * step)))
    band = np.clip(((places[:, 1] - low) / (high - low) * count).astype(int), 0, count - 1)
    corners: dict[float, float] = {}
    for number in range(count):
        inside = places[band == number]
        if len(inside):
            x, y = inside[np.argmax(inside[:, 0])]
            corners[float(y)] = max(float(x) + pad, corners.get(float(y), -np.inf))
    for x, y in places[np.argsort(-places[:, 0])]:  # what still sticks out becomes a corner
        heights = np.array(sorted(corners))
        if np.interp(y, heights, [corners[h] for h in heights]) < x + 0.5 * pad:
            corners[float(y)] = float(x) + pad
    heights = np.array(sorted(corners))
    across = np.array([corners[h] for h in heights])
    heights = np.concatenate([[low - pad], heights, [high + pad]])
    return np.column_stack([np.pad(across, 1, mode="edge"), heights])
