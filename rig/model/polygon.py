"""Small geometry on closed polygons, (n, 2) mm, the last point not repeated.

numpy only, so that every room may use it; anything harder (buffers, unions) is shapely's work.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray

BoolArray = NDArray[np.bool_]


def signed_area_mm2(points: FloatArray) -> float:
    """Shoelace area; positive when the polygon runs counter-clockwise."""
    x, y = points[:, 0], points[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def contains(points: FloatArray, xy: FloatArray) -> BoolArray:
    """Which of the (m, 2) places `xy` lie inside the polygon (even-odd rule); (m,) bool."""
    x, y = xy[:, 0][:, None], xy[:, 1][:, None]
    x0, y0 = points[:, 0][None, :], points[:, 1][None, :]
    x1, y1 = np.roll(x0, -1, axis=1), np.roll(y0, -1, axis=1)
    straddles = (y0 > y) != (y1 > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing_x = x0 + (y - y0) * (x1 - x0) / (y1 - y0)
    crossings: BoolArray = np.sum(straddles & (x < crossing_x), axis=1) % 2 == 1
    return crossings


def distance_to_edge_mm(points: FloatArray, xy: FloatArray) -> FloatArray:
    """Unsigned distance of each of the (m, 2) places to the polygon's edge; (m,)."""
    start = points[None, :, :]
    step = np.roll(points, -1, axis=0)[None, :, :] - start
    offset = xy[:, None, :] - start
    length2 = np.maximum(np.sum(step * step, axis=2), 1e-12)
    along = np.clip(np.sum(offset * step, axis=2) / length2, 0.0, 1.0)
    gap = offset - along[:, :, None] * step
    return np.asarray(np.sqrt(np.min(np.sum(gap * gap, axis=2), axis=1)), dtype=np.float64)


def first_self_crossing(points: FloatArray) -> tuple[int, int] | None:
    """Return the two edges (index of their first point) that cross each other, or None."""
    a = points
    b = np.roll(points, -1, axis=0)
    n = len(points)

    def side(p: FloatArray, q: FloatArray, r: FloatArray) -> FloatArray:
        return np.asarray(
            (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1])
            - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
        )

    ai, bi = a[:, None, :], b[:, None, :]
    aj, bj = a[None, :, :], b[None, :, :]
    crosses = (side(ai, bi, aj) * side(ai, bi, bj) < 0) & (side(aj, bj, ai) * side(aj, bj, bi) < 0)
    first, second = np.nonzero(np.triu(crosses, 2))
    for i, j in zip(first.tolist(), second.tolist(), strict=True):
        if not (i == 0 and j == n - 1):  # neighbours share a point
            return i, j
    return None
