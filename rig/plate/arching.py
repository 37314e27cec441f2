"""The shape of an arched plate, as far as an estimator may assume it.

Template: ψ solves ψ − ℓ²Δψ = 1 over the wood with ψ = 0 at the rim (so ψ ≈ 1 − e^(−d/ℓ), d the
distance to the rim); z = H · ψ²(3 − 2ψ), scaled to H at its highest. Level at the rim (the hollow
or "recurve"), rising over the bouts, with a long flat crown a little lower in the waist, as
makers give a plate (common practice, no source). ℓ is the one shape parameter. Height points
replace the template where the maker has measured them.
"""

from __future__ import annotations

import numpy as np

from rig.model.outline import Outline
from rig.model.units import FloatArray

USUAL_REACH_MM = 30.0


class ArchTemplate:
    """Heights and slopes of a crown of 1 over an outline, on a grid of `step_mm`."""

    def __init__(
        self, outline: Outline, *, reach_mm: float = USUAL_REACH_MM, step_mm: float = 3.0
    ) -> None:
        from scipy.interpolate import RectBivariateSpline

        margin = 5.0 * step_mm
        low, high = outline.rim.min(axis=0) - margin, outline.rim.max(axis=0) + margin
        x = np.arange(low[0], high[0] + step_mm, step_mm)
        y = np.arange(low[1], high[1] + step_mm, step_mm)
        grid = np.column_stack([g.ravel() for g in np.meshgrid(x, y, indexing="ij")])
        wood = Outline(rim=outline.rim).contains(grid).reshape(len(x), len(y))
        film = _screened_film(wood, step_mm, reach_mm)
        heights = film**2 * (3.0 - 2.0 * film)
        self._spline = RectBivariateSpline(x, y, heights / heights.max(), kx=3, ky=3)

    def heights(self, xy_mm: FloatArray) -> FloatArray:
        """(k,) heights at the (k, 2) places for a crown of 1."""
        return np.asarray(self._spline.ev(xy_mm[:, 0], xy_mm[:, 1]))

    def slopes(self, xy_mm: FloatArray) -> FloatArray:
        """(k, 2) slopes z_x, z_y per mm of crown height, 1/mm."""
        along_x = self._spline(xy_mm[:, 0], xy_mm[:, 1], dx=1, grid=False)
        along_y = self._spline(xy_mm[:, 0], xy_mm[:, 1], dy=1, grid=False)
        return np.column_stack([along_x, along_y])


def _screened_film(wood: np.ndarray, step: float, reach: float) -> FloatArray:
    """Solve ψ − ℓ²Δψ = 1 inside `wood`, ψ = 0 outside, by five-point differences."""
    from scipy import sparse
    from scipy.sparse.linalg import splu

    number = np.full(wood.shape, -1)
    count = int(np.count_nonzero(wood))
    number[wood] = np.arange(count)
    rows, columns = [], []
    for axis in (0, 1):
        for shift in (1, -1):
            neighbour = np.roll(number, shift, axis=axis)
            both = wood & (neighbour >= 0)
            rows.append(number[both])
            columns.append(neighbour[both])
    i, j = np.concatenate(rows), np.concatenate(columns)
    ratio = (reach / step) ** 2
    matrix = sparse.csc_matrix((np.full(len(i), -ratio), (i, j)), shape=(count, count))
    matrix = matrix + (1.0 + 4.0 * ratio) * sparse.identity(count, format="csc")
    out = np.zeros(wood.shape)
    out[wood] = splu(matrix.tocsc()).solve(np.ones(count))
    return out
