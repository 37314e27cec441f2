"""Small geometry on closed polygons, (n, 2) mm, the last point not repeated.

numpy only, so that every room may use it; anything harder (buffers, unions) is shapely's work.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray

BoolArray = NDArray[np.bool_]
_AT_ONCE = 20_000  # numbers


def signed_area_mm2(points: FloatArray) -> float:
    """Shoelace area; positive when the polygon runs counter-clockwise."""
    x, y = points[:, 0], points[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def contains(points: FloatArray, xy: FloatArray) -> BoolArray:
    """Which of the (m, 2) places `xy` lie inside the polygon (even-odd rule); (m,) bool."""
    x0, y0 = points[:, 0], points[:, 1]
    x1, y1 = np.roll(x0, -1), np.roll(y0, -1)
    # Of all pairs of place and edge only those count whose edge passes the place's height:
    # along the sorted heights each edge covers one run of places.
    order = np.argsort(xy[:, 1], kind="stable")
    heights = xy[order, 1]
    first = np.searchsorted(heights, np.minimum(y0, y1), side="left")
    count = np.searchsorted(heights, np.maximum(y0, y1), side="left") - first
    edge = np.repeat(np.arange(len(points)), count)
    within = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    place = order[first[edge] + within]
    slope = (x1[edge] - x0[edge]) / (y1[edge] - y0[edge])
    crossed = xy[place, 0] < x0[edge] + (xy[place, 1] - y0[edge]) * slope
    crossings = np.bincount(place[crossed], minlength=len(xy))
    inside: BoolArray = crossings % 2 == 1
    return inside


def distance_to_edge_mm(points: FloatArray, xy: FloatArray) -> FloatArray:
    """Unsigned distance of each of the (m, 2) places to the polygon's edge; (m,)."""
    x0, y0 = points[:, 0], points[:, 1]
    dx, dy = np.roll(x0, -1) - x0, np.roll(y0, -1) - y0
    length2 = np.maximum(dx * dx + dy * dy, 1e-12)
    along_x, along_y = dx / length2, dy / length2
    nearest2 = np.empty(len(xy))
    rows = max(1, _AT_ONCE // len(points))  # so that what is worked on stays near the processor
    for begin in range(0, len(xy), rows):
        block = slice(begin, begin + rows)
        x, y = xy[block, :1] - x0, xy[block, 1:2] - y0
        share = np.clip(x * along_x + y * along_y, 0.0, 1.0)
        x -= share * dx
        y -= share * dy
        nearest2[block] = np.min(x * x + y * y, axis=1)
    return np.asarray(np.sqrt(nearest2), dtype=np.float64)


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
