"""The shape of an arched plate, as far as an estimator may assume it.

Template: a long arch (1 − |s|³)², s from end to end, times a cross arch ½(1 + cos πt), t across the
plate's own width with its corners smoothed away: level at the rim (the hollow or "recurve") and
close to the curtate cycloids that makers draw (common practice, no source). A fit leaves it where
the taps say so.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.plate.plate_model import Arch
from rig.plate.splines import SplineField

_ROWS = 181
_SMOOTH_MM = 12.0


def template_heights(outline: Outline, xy_mm: FloatArray) -> FloatArray:
    """(k,) heights of the template at the (k, 2) places for a crown of 1."""
    y = np.asarray(outline.rim)[:, 1]
    low, high = float(y.min()), float(y.max())
    rows = np.linspace(low, high, _ROWS)
    left, right = _widths(outline, rows)
    step = (high - low) / (_ROWS - 1)
    middle = _smooth(0.5 * (left + right), _SMOOTH_MM / step)
    half = np.maximum(_smooth(0.5 * (right - left), _SMOOTH_MM / step), 1.0)
    across = (xy_mm[:, 0] - np.interp(xy_mm[:, 1], rows, middle)) / np.interp(
        xy_mm[:, 1], rows, half
    )
    along = np.clip(2.0 * (xy_mm[:, 1] - low) / (high - low) - 1.0, -1.0, 1.0)
    cross_arch = 0.5 + 0.5 * np.cos(np.pi * np.clip(across, -1.0, 1.0))
    return np.asarray((1.0 - np.abs(along) ** 3) ** 2 * cross_arch)


def _widths(outline: Outline, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Leftmost and rightmost x of the rim on every row."""
    rim = np.asarray(outline.rim, dtype=np.float64)
    start, end = rim, np.roll(rim, -1, axis=0)
    left, right = np.full(len(rows), np.inf), np.full(len(rows), -np.inf)
    for (x0, y0), (x1, y1) in zip(start, end, strict=True):
        hit = (rows >= min(y0, y1)) & (rows <= max(y0, y1))
        share = (rows[hit] - y0) / (y1 - y0) if y1 != y0 else np.zeros(int(np.sum(hit)))
        x = x0 + share * (x1 - x0)
        left[hit], right[hit] = np.minimum(left[hit], x), np.maximum(right[hit], x)
    known = left <= right
    return np.interp(rows, rows[known], left[known]), np.interp(rows, rows[known], right[known])


def _smooth(values: FloatArray, sd: float) -> FloatArray:
    """Gaussian mean along the rows: corners and bumps of the rim do not shape the arch."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(values, sd, mode="nearest"))


class ArchSurface:
    """An arch as cubic splines: smooth in curvature, which is what stiffens a plate."""

    def __init__(self, support_mm: FloatArray, spacing_mm: float = 18.0) -> None:
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
