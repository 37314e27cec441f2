"""The shape of an arched plate, as far as an estimator may assume it.

Template: ψ solves ψ − ℓ²Δψ = 1 over the wood with ψ = 0 at the rim (so ψ ≈ 1 − e^(−d/ℓ), d the
distance to the rim); z = H · ψ²(3 − 2ψ), scaled to H at its highest. Level at the rim (the hollow
or "recurve"), rising over the bouts, with a long flat crown a little lower in the waist, as
makers give a plate (common practice, no source). ℓ is the one shape parameter. Height points
replace the template where the maker has measured them.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.plate.plate_model import Arch
from rig.plate.splines import SplineField

USUAL_REACH_MM = 30.0


def template_heights(
    outline: Outline, xy_mm: FloatArray, *, reach_mm: float = USUAL_REACH_MM, step_mm: float = 4.0
) -> FloatArray:
    """(k,) heights of the template at the (k, 2) places for a crown of 1."""
    from scipy.interpolate import RegularGridInterpolator

    margin = 3.0 * step_mm
    low, high = outline.rim.min(axis=0) - margin, outline.rim.max(axis=0) + margin
    x = np.arange(low[0], high[0] + step_mm, step_mm)
    y = np.arange(low[1], high[1] + step_mm, step_mm)
    grid = np.column_stack([g.ravel() for g in np.meshgrid(x, y, indexing="ij")])
    wood = Outline(rim=outline.rim).contains(grid).reshape(len(x), len(y))
    film = _screened_film(wood, step_mm, reach_mm)
    heights = film**2 * (3.0 - 2.0 * film)
    lookup = RegularGridInterpolator((x, y), heights / heights.max())
    return np.asarray(lookup(xy_mm))


class ArchSurface:
    """An arch as cubic splines: smooth in curvature, which is what stiffens a plate."""

    def __init__(self, support_mm: FloatArray, spacing_mm: float = 24.0) -> None:
        self.field = SplineField(support_mm, spacing_mm, degree=3)

    def operators(self, xy_mm: FloatArray) -> tuple[sparse.csr_matrix, ...]:
        """From coefficients in mm to z_x, z_y, z_xx, z_yy (1/m), 2 z_xy (1/m) at (k, 2) places."""
        z_x, z_y = self.field.matrix(xy_mm, 1, 0), self.field.matrix(xy_mm, 0, 1)
        z_xx, z_yy = self.field.matrix(xy_mm, 2, 0), self.field.matrix(xy_mm, 0, 2)
        return z_x, z_y, 1e3 * z_xx, 1e3 * z_yy, 2e3 * self.field.matrix(xy_mm, 1, 1)

    def arch(self, xy_mm: FloatArray, coefficients_mm: FloatArray) -> Arch:
        """Slopes and curvature at the (k, 2) places."""
        values = [op @ coefficients_mm for op in self.operators(xy_mm)]
        return Arch(slopes=np.column_stack(values[:2]), curvature=np.column_stack(values[2:]))


def _screened_film(wood: np.ndarray, step: float, reach: float) -> FloatArray:
    """Solve ψ − ℓ²Δψ = 1 inside `wood`, ψ = 0 outside, by five-point differences."""
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
