"""Smooth fields over a plate: tensor products of quadratic or cubic B-splines."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import sparse

from rig.model.units import FloatArray

_WEIGHTS: dict[tuple[int, int], Callable[[FloatArray], tuple[FloatArray, ...]]] = {
    (2, 0): lambda t: (0.5 * (1 - t) ** 2, 0.5 + t - t**2, 0.5 * t**2),
    (2, 1): lambda t: (t - 1, 1 - 2 * t, t),
    (3, 0): lambda t: (
        (1 - t) ** 3 / 6,
        (4 - 6 * t**2 + 3 * t**3) / 6,
        (1 + 3 * t + 3 * t**2 - 3 * t**3) / 6,
        t**3 / 6,
    ),
    (3, 1): lambda t: (
        -((1 - t) ** 2) / 2,
        (3 * t**2 - 4 * t) / 2,
        (1 + 2 * t - 3 * t**2) / 2,
        t**2 / 2,
    ),
    (3, 2): lambda t: (1 - t, 3 * t - 2, 1 - 3 * t, t),
}


class SplineField:
    """Splines of one degree at even spacing whose support touches wood.

    centres_mm (j, 2): where each spline is highest. `support_mm` (p, 2): places on wood that
    decide which splines are kept.
    """

    def __init__(self, support_mm: FloatArray, spacing_mm: float = 14.0, degree: int = 2) -> None:
        self.spacing_mm = spacing_mm
        self.degree = degree
        low, high = support_mm.min(axis=0), support_mm.max(axis=0)
        self._origin = low - 1.5 * spacing_mm
        self._shape = np.ceil((high - low) / spacing_mm).astype(int) + 3 + degree - 1
        everything = self._full(support_mm, 0, 0)
        weight = np.asarray(everything.sum(axis=0)).ravel()
        self._kept = np.flatnonzero(weight > 0.0)
        ix, iy = np.unravel_index(self._kept, self._shape)
        middle = 1.0 - 0.5 * (degree - 1)
        self.centres_mm = self._origin + spacing_mm * (np.column_stack([ix, iy]) + middle)

    @property
    def size(self) -> int:
        """How many splines there are."""
        return len(self._kept)

    def matrix(self, xy_mm: FloatArray, dx: int = 0, dy: int = 0) -> sparse.csr_matrix:
        """Sparse (k, j): value, or (dx, dy) derivative per mm, of the splines at (k, 2) places.

        The rows of values sum to 1 on wood. dx, dy below the degree.
        """
        return sparse.csr_matrix(self._full(xy_mm, dx, dy)[:, self._kept])

    def _full(self, xy_mm: FloatArray, dx: int, dy: int) -> sparse.csc_matrix:
        scaled = (xy_mm - self._origin) / self.spacing_mm
        cell = np.floor(scaled).astype(int)
        t = scaled - cell
        along_x = np.stack(_WEIGHTS[self.degree, dx](t[:, 0]), axis=1) / self.spacing_mm**dx
        along_y = np.stack(_WEIGHTS[self.degree, dy](t[:, 1]), axis=1) / self.spacing_mm**dy
        rows, columns, values = [], [], []
        for i in range(self.degree + 1):
            for j in range(self.degree + 1):
                ix = np.clip(cell[:, 0] - 1 + i, 0, self._shape[0] - 1)
                iy = np.clip(cell[:, 1] - 1 + j, 0, self._shape[1] - 1)
                rows.append(np.arange(len(xy_mm)))
                columns.append(ix * self._shape[1] + iy)
                values.append(along_x[:, i] * along_y[:, j])
        shape = (len(xy_mm), int(np.prod(self._shape)))
        return sparse.csc_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=shape
        )

    def fitted(self, xy_mm: FloatArray, values: FloatArray, stiffness: float = 1e-3) -> FloatArray:
        """Coefficients (j,) of the field through values (k,) at (k, 2) places.

        stiffness: weight of the neighbours' second difference against one value; it carries the
        field over gaps.
        """
        from scipy.sparse.linalg import spsolve

        matrix = self.matrix(xy_mm)
        rough = self._roughness()
        system = matrix.T @ matrix + stiffness * (rough.T @ rough)
        solved: FloatArray = np.asarray(spsolve(system.tocsc(), matrix.T @ values))
        return solved

    def _roughness(self) -> sparse.csr_matrix:
        """Second differences of the kept coefficients along both axes."""
        position = {int(k): i for i, k in enumerate(self._kept)}
        rows = []
        for k, i in position.items():
            for step in (1, int(self._shape[1])):
                if k - step in position and k + step in position:
                    rows.append((position[k - step], i, position[k + step]))
        out = sparse.lil_matrix((len(rows), self.size))
        for row, (a, b, c) in enumerate(rows):
            out[row, a], out[row, b], out[row, c] = 1.0, -2.0, 1.0
        return sparse.csr_matrix(out)

    def covariance(self, parts: tuple[tuple[float, float], ...]) -> FloatArray:
        """(j, j) prior covariance of the coefficients: Σ s² e^(−d²/2l²) over (s, l mm) in parts."""
        difference = self.centres_mm[:, None, :] - self.centres_mm[None, :, :]
        distance2 = np.sum(difference**2, axis=2)
        out = np.zeros_like(distance2)
        for sd, length_mm in parts:
            out += sd**2 * np.exp(-distance2 / (2.0 * length_mm**2))
        floor = 1e-9 * float(np.trace(out)) / len(out)
        return np.asarray(out + floor * np.eye(len(out)), dtype=np.float64)
