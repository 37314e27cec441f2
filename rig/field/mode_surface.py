"""A mode's shape between the taps: a thin plate spline, and where it is zero.

The smoothing spline that bends least (Wahba, Spline Models for Observational Data, SIAM 1990,
§2.4); how closely it follows the taps is chosen by generalised cross-validation. One
eigendecomposition serves all modes read at the same places.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.outline import Outline
from rig.model.units import FloatArray

_LINES_STEP_MM = 2.0
_BEYOND_MM = 6.0  # the spline is carried this far over the rim, so that lines reach it
_SHORTEST_MM = 12.0


@dataclass(frozen=True)
class Spline:
    """places (n, 2) mm scaled to `scale_mm` about `middle_mm`; weights (n, m), plane (3, m).

    freedom: (m,) numbers that each shape spends on the taps, from 3 (a plane) to n.
    """

    places: FloatArray
    middle_mm: FloatArray
    scale_mm: float
    weights: FloatArray
    plane: FloatArray
    freedom: FloatArray

    def at(self, xy_mm: FloatArray) -> FloatArray:
        """The m shapes at (k, 2) places; (k, m)."""
        from scipy.spatial.distance import cdist

        at = (np.atleast_2d(xy_mm) - self.middle_mm) / self.scale_mm
        out = np.empty((len(at), self.weights.shape[1]))
        for rows in np.array_split(np.arange(len(at)), 1 + len(at) // 4000):
            bending = _kernel(cdist(at[rows], self.places)) @ self.weights
            out[rows] = bending + np.column_stack([np.ones(len(rows)), at[rows]]) @ self.plane
        return out


def spline(places_mm: FloatArray, values: FloatArray) -> Spline:
    """Fit m shapes (n, m) at (n, 2) places; n at least 4 and not all on one line."""
    from scipy.spatial.distance import cdist

    middle = places_mm.mean(axis=0)
    scale = float(np.max(np.hypot(*(places_mm - middle).T))) or 1.0
    at = (places_mm - middle) / scale
    plane = np.column_stack([np.ones(len(at)), at])
    kernel = _kernel(cdist(at, at))
    q, r = np.linalg.qr(plane, mode="complete")
    free = q[:, 3:]
    bending, turned = np.linalg.eigh(free.T @ kernel @ free)
    bending = np.maximum(bending, 1e-12 * bending[-1])
    seen = turned.T @ (free.T @ values)  # (n − 3, m)
    loose = _looseness(bending, seen)
    weights = free @ (turned @ (seen / (bending[:, None] + loose)))
    rest = values - kernel @ weights - loose * weights
    coefficients = np.linalg.solve(r[:3], q[:, :3].T @ rest)
    freedom = 3.0 + np.sum(bending[:, None] / (bending[:, None] + loose), axis=0)
    return Spline(at, middle, scale, weights, coefficients, freedom)


def _kernel(r: FloatArray) -> FloatArray:
    return np.asarray(r * r * np.log(np.maximum(r, 1e-12)))


def _looseness(bending: FloatArray, seen: FloatArray) -> FloatArray:
    """Smoothing parameter of each shape, (m,), by generalised cross-validation."""
    trial = np.geomspace(bending[0], bending[-1], 60)
    kept = trial[:, None] / (bending + trial[:, None])  # share left over, (60, n − 3)
    score = (kept**2 @ seen**2) / (kept.sum(axis=1) ** 2)[:, None]
    return np.asarray(trial[np.argmin(score, axis=0)])


def zero_lines(shape: Spline, outline: Outline) -> list[tuple[FloatArray, ...]]:
    """Where each of the m shapes is zero on the wood: lines of (k, 2) points in mm.

    Lines shorter than 12 mm are left out: they are of noise.
    """
    low, high = outline.rim.min(axis=0) - _BEYOND_MM, outline.rim.max(axis=0) + _BEYOND_MM
    x = np.arange(low[0], high[0] + _LINES_STEP_MM, _LINES_STEP_MM)
    y = np.arange(low[1], high[1] + _LINES_STEP_MM, _LINES_STEP_MM)
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    values = shape.at(grid.reshape(-1, 2)).reshape(len(y), len(x), -1)
    return [_lines_of(values[..., k], x, y, outline) for k in range(values.shape[2])]


def _lines_of(
    values: FloatArray, x: FloatArray, y: FloatArray, outline: Outline
) -> tuple[FloatArray, ...]:
    lines: list[FloatArray] = []
    for line in _zero_curves(values, x, y):
        on_wood = outline.contains(line)
        edges = np.flatnonzero(np.diff(on_wood.astype(int))) + 1
        for part in np.split(np.arange(len(line)), edges):
            points = line[part]
            if on_wood[part[0]] and len(part) > 1:
                length = float(np.sum(np.hypot(*np.diff(points, axis=0).T)))
                if length >= _SHORTEST_MM:
                    lines.append(points)
    return tuple(sorted(lines, key=len, reverse=True))


def _zero_curves(values: FloatArray, x: FloatArray, y: FloatArray) -> list[FloatArray]:
    """Marching squares: follow the zero from one grid edge to the next through the cells.

    A cell with four crossings joins those that its mean value joins.
    """
    signs = values >= 0
    across = np.argwhere(signs[:, :-1] != signs[:, 1:])  # between (r, c) and (r, c + 1)
    along = np.argwhere(signs[:-1] != signs[1:])  # between (r, c) and (r + 1, c)
    points: dict[tuple[int, int, int], tuple[float, float]] = {}
    for r, c in across:
        share = values[r, c] / (values[r, c] - values[r, c + 1])
        points[0, int(r), int(c)] = (float(x[c] + share * (x[c + 1] - x[c])), float(y[r]))
    for r, c in along:
        share = values[r, c] / (values[r, c] - values[r + 1, c])
        points[1, int(r), int(c)] = (float(x[c]), float(y[r] + share * (y[r + 1] - y[r])))
    links: dict[tuple[int, int, int], list[tuple[int, int, int]]] = {key: [] for key in points}
    cells = {(r, c) for kind, r, c in points} | {
        (r - 1, c) if kind == 0 else (r, c - 1) for kind, r, c in points
    }
    rows, columns = values.shape
    for r, c in cells:
        if not (0 <= r < rows - 1 and 0 <= c < columns - 1):
            continue
        below, right, above, left = (0, r, c), (1, r, c + 1), (0, r + 1, c), (1, r, c)
        met = [side for side in (below, right, above, left) if side in points]
        if len(met) == 4:
            same = bool(values[r : r + 2, c : c + 2].mean() >= 0) == bool(signs[r, c])
            joined = [(below, right), (above, left)] if same else [(below, left), (right, above)]
        else:
            joined = [(met[0], met[1])] if len(met) == 2 else []
        for one, other in joined:
            links[one].append(other)
            links[other].append(one)
    return _followed(points, links)


def _followed(
    points: dict[tuple[int, int, int], tuple[float, float]],
    links: dict[tuple[int, int, int], list[tuple[int, int, int]]],
) -> list[FloatArray]:
    """Chains of linked points, open ones from their ends, then closed ones."""
    curves = []
    left = set(points)
    for start in sorted(points, key=lambda key: (len(links[key]) != 1, key)):
        if start not in left:
            continue
        chain = [start]
        left.discard(start)
        while True:
            ahead = [key for key in links[chain[-1]] if key in left]
            if not ahead:
                break
            chain.append(ahead[0])
            left.discard(ahead[0])
        if len(chain) > 2 and start in links[chain[-1]]:
            chain.append(start)
        if len(chain) > 1:
            curves.append(np.array([points[key] for key in chain]))
    return curves
