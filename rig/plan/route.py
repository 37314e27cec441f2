"""A short way through all taps, so that the gantry spends its time tapping and not travelling."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray

IntArray = NDArray[np.int64]


def path_length_mm(xy: FloatArray) -> float:
    """Length of the open path through (n, 2) places in the given order."""
    return float(np.sum(np.hypot(*np.diff(xy, axis=0).T)))


def short_route(xy: FloatArray, *, start_near: tuple[float, float] | None = None) -> IntArray:
    """Return the order (n,) of a short open path through (n, 2) places.

    The better of a serpentine and a nearest-neighbour path, each improved by 2-opt (Croes, Oper.
    Res. 6 (1958) 791) until no exchange of two edges shortens it. `start_near`: the end of the
    path that lies nearer to this place comes first.
    """
    n = len(xy)
    if n < 3:
        return np.arange(n)
    start = np.array(start_near if start_near is not None else xy.min(axis=0))
    candidates = [_two_opt(xy, route) for route in (_serpentine(xy), _nearest_first(xy, start))]
    best = min(candidates, key=lambda route: path_length_mm(xy[route]))
    first_gap, last_gap = np.hypot(*(xy[best[[0, -1]]] - start).T)
    return best if first_gap <= last_gap else best[::-1].copy()


def _serpentine(xy: FloatArray) -> IntArray:
    """Row after row along y, every other row backwards."""
    rows = np.unique(np.round(xy[:, 1], 3), return_inverse=True)[1].ravel()
    turn = np.where(rows % 2 == 0, xy[:, 0], -xy[:, 0])
    return np.lexsort((turn, rows)).astype(np.int64)


def _nearest_first(xy: FloatArray, start: FloatArray) -> IntArray:
    """Always to the nearest place not yet visited."""
    left = np.ones(len(xy), dtype=bool)
    here = start
    route = []
    for _ in range(len(xy)):
        gap2 = np.where(left, np.sum((xy - here) ** 2, axis=1), np.inf)
        nearest = int(np.argmin(gap2))
        route.append(nearest)
        left[nearest] = False
        here = xy[nearest]
    return np.array(route, dtype=np.int64)


def _two_opt(xy: FloatArray, route: IntArray) -> IntArray:
    """Reverse stretches of the path as long as that shortens it."""
    distance = np.hypot(xy[:, None, 0] - xy[None, :, 0], xy[:, None, 1] - xy[None, :, 1])
    route = route.copy()
    n = len(route)
    improved = True
    while improved:
        improved = False
        for i in range(n - 1):
            # Reverse route[i..j]: the edges (i-1, i) and (j, j+1) become (i-1, j) and (i, j+1).
            j = np.arange(i + 1, n)
            ends, after = route[j], route[np.minimum(j + 1, n - 1)]
            tail = np.where(j + 1 < n, 1.0, 0.0)
            now = tail * distance[ends, after]
            new = tail * distance[route[i], after]
            if i > 0:
                now = now + distance[route[i - 1], route[i]]
                new = new + distance[route[i - 1], ends]
            gain = now - new
            best = int(np.argmax(gain))
            if gain[best] > 1e-9:
                stop = i + 1 + best
                route[i : stop + 1] = route[i : stop + 1][::-1]
                improved = True
    return route
