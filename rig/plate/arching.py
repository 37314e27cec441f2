"""The shape of an arched plate, as far as an estimator may assume it.

Template: the height f of a soap film blown up over the outline (−Δf = 1, f = 0 at the rim),
s = √(f / max f), z = H · s²(3 − 2s): level at the rim (the hollow or "recurve"), rising over the
bouts, with a long flat crown that is lower in the waist, as makers give a plate (common practice,
no source). Height lists and points replace it where the maker has measured them.
"""

from __future__ import annotations

import numpy as np

from rig.model.outline import Outline
from rig.model.units import FloatArray


def dome_heights_mm(
    outline: Outline, xy_mm: FloatArray, crown_mm: float, *, fullness: float = 1.0
) -> FloatArray:
    """Height above the rim at the (k, 2) places for a crown of `crown_mm`; (k,).

    fullness > 1 brings the arch up nearer to the rim, < 1 later. Sound holes do not matter.
    """
    relative = _membrane_height(outline, xy_mm)
    return np.asarray(crown_mm * relative ** (1.0 / fullness))


def _membrane_height(outline: Outline, xy_mm: FloatArray) -> FloatArray:
    """Relative height 0…1 of a soap film blown up over the outline, smoothed at the rim."""
    from scipy.interpolate import RegularGridInterpolator

    low, high = outline.rim.min(axis=0) - 9.0, outline.rim.max(axis=0) + 9.0
    step = 3.0
    x = np.arange(low[0], high[0] + step, step)
    y = np.arange(low[1], high[1] + step, step)
    grid = np.column_stack([g.ravel() for g in np.meshgrid(x, y, indexing="ij")])
    wood = Outline(rim=outline.rim).contains(grid).reshape(len(x), len(y))
    film = _poisson(wood, step)
    film = np.sqrt(np.maximum(film / film.max(), 0.0))
    rounded = film**2 * (3.0 - 2.0 * film)
    return np.asarray(
        RegularGridInterpolator((x, y), rounded, bounds_error=False, fill_value=0.0)(xy_mm)
    )


def _poisson(wood: np.ndarray, step: float) -> FloatArray:
    """Solve −Δf = 1 inside `wood`, f = 0 outside, by sparse factorisation."""
    from scipy import sparse
    from scipy.sparse.linalg import spsolve

    number = np.full(wood.shape, -1)
    number[wood] = np.arange(np.count_nonzero(wood))
    count = int(np.count_nonzero(wood))
    rows, columns = [], []
    for axis in (0, 1):
        for shift in (1, -1):
            neighbour = np.roll(number, shift, axis=axis)
            both = wood & (neighbour >= 0)
            rows.append(number[both])
            columns.append(neighbour[both])
    i, j = np.concatenate(rows), np.concatenate(columns)
    laplacian = sparse.csc_matrix((-np.ones(len(i)), (i, j)), shape=(count, count))
    laplacian = laplacian + 4.0 * sparse.identity(count, format="csc")
    out = np.zeros(wood.shape)
    out[wood] = spsolve(laplacian.tocsc(), np.full(count, step**2))
    return out
