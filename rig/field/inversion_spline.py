"""The unknown field: tensor products of quadratic B-splines over the plate."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from rig.model.units import FloatArray


class SplineField:
    """Splines at even spacing whose support touches wood.

    centres_mm (j, 2): where each spline is highest. `support_mm` (p, 2): places on wood that
    decide which splines are kept.
    """

    def __init__(self, support_mm: FloatArray, spacing_mm: float = 14.0) -> None:
        self.spacing_mm = spacing_mm
        low, high = support_mm.min(axis=0), support_mm.max(axis=0)
        self._origin = low - 1.5 * spacing_mm
        self._shape = np.ceil((high - low) / spacing_mm).astype(int) + 3
        everything = self._full(support_mm)
        weight = np.asarray(everything.sum(axis=0)).ravel()
        self._kept = np.flatnonzero(weight > 1e-3 * weight.max())
        ix, iy = np.unravel_index(self._kept, self._shape)
        self.centres_mm = self._origin + spacing_mm * (np.column_stack([ix, iy]) + 0.5)

    @property
    def size(self) -> int:
        """How many splines there are."""
        return len(self._kept)

    def matrix(self, xy_mm: FloatArray) -> sparse.csr_matrix:
        """Sparse (k, j): value of every spline at the (k, 2) places; rows sum to 1 on wood."""
        return self._full(xy_mm)[:, self._kept].tocsr()

    def _full(self, xy_mm: FloatArray) -> sparse.csc_matrix:
        scaled = (xy_mm - self._origin) / self.spacing_mm
        cell = np.floor(scaled).astype(int)
        t = scaled - cell
        weights = np.stack([0.5 * (1 - t) ** 2, 0.5 + t - t**2, 0.5 * t**2], axis=2)
        rows, columns, values = [], [], []
        for i in range(3):
            for j in range(3):
                ix = np.clip(cell[:, 0] - 1 + i, 0, self._shape[0] - 1)
                iy = np.clip(cell[:, 1] - 1 + j, 0, self._shape[1] - 1)
                rows.append(np.arange(len(xy_mm)))
                columns.append(ix * self._shape[1] + iy)
                values.append(weights[:, 0, i] * weights[:, 1, j])
        shape = (len(xy_mm), int(np.prod(self._shape)))
        return sparse.csc_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=shape
        )

    def covariance(self, parts: tuple[tuple[float, float], ...]) -> FloatArray:
        """(j, j) prior covariance of the coefficients: Σ s² e^(−d²/2l²) over (s, l mm) in parts."""
        difference = self.centres_mm[:, None, :] - self.centres_mm[None, :, :]
        distance2 = np.sum(difference**2, axis=2)
        out = np.zeros_like(distance2)
        for sd, length_mm in parts:
            out += sd**2 * np.exp(-distance2 / (2.0 * length_mm**2))
        return out + 1e-9 * float(np.trace(out)) / len(out) * np.eye(len(out))
