"""The tone map between the taps: a smooth field over the wood with its standard deviation.

Kriging with a Matérn-like field written as a sparse precision matrix on a grid, (κ² − Δ)², with
free edges (Lindgren, Rue & Lindström, J. R. Stat. Soc. B 73 (2011) 423): nothing is carried across
a sound hole, round a corner or outside the plate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from rig.field.nearest import nearest, typical_spacing_mm
from rig.field.smoothing import averaging_weights
from rig.model.outline import Outline
from rig.model.plate_size import times_violin
from rig.model.tone_map import Comparison, ToneMap
from rig.model.units import FloatArray

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

_COARSE_MM = 4.0
RANGE_MM = 26.0  # distance over which a violin's field forgets itself; two to three taps


@dataclass(frozen=True)
class Surface:
    """x_mm (nx,), y_mm (ny,), cents and sd_cents (ny, nx); NaN outside the wood."""

    x_mm: FloatArray
    y_mm: FloatArray
    cents: FloatArray
    sd_cents: FloatArray


def surface(
    tone_map: ToneMap | Comparison,
    outline: Outline,
    step_mm: float = 1.0,
    *,
    excess: bool = False,
) -> Surface:
    """Spread a tone map (or the change of a comparison) over the wood in steps of `step_mm`.

    excess: the tone above target instead of the tone, from the taps that the target speaks of.
    """
    places, sd = np.asarray(tone_map.places), tone_map.sd_cents
    if isinstance(tone_map, Comparison):
        values = tone_map.change_cents
    elif excess:
        told = np.isfinite(tone_map.excess_cents)
        places, values = places[told], tone_map.excess_cents[told]
        sd = tone_map.excess_sd_cents[told]
    else:
        values = tone_map.tone_cents
    return spread_out(places, values, sd, outline, step_mm)


def spread_out(
    places: FloatArray, values: FloatArray, sd: FloatArray, outline: Outline, step_mm: float = 1.0
) -> Surface:
    """The same for any values (n,) with standard deviations (n,) at places (n, 2)."""
    from scipy.ndimage import distance_transform_edt, map_coordinates

    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    coarse = min(_COARSE_MM, 2.5) if outline.holes else _COARSE_MM
    gx = np.arange(low[0] - coarse, high[0] + 1.5 * coarse, coarse)
    gy = np.arange(low[1] - coarse, high[1] + 1.5 * coarse, coarse)
    nodes = np.stack(np.meshgrid(gx, gy), axis=-1).reshape(-1, 2)
    wood = outline.contains(nodes).reshape(len(gy), len(gx))
    middle = float(np.median(values))
    # farther where taps are few, or each would stand on an island of its own
    range_mm = max(RANGE_MM * times_violin(outline), 2.0 * typical_spacing_mm(places))
    field = _kriged(places, values - middle, sd, gx, gy, wood, range_mm) + middle
    doubt = _doubt(places, values, sd, outline, gx, gy, wood)
    nearest = distance_transform_edt(~wood, return_distances=False, return_indices=True)
    field, doubt = field[tuple(nearest)], doubt[tuple(nearest)]

    x = np.arange(np.floor(low[0]), np.ceil(high[0]) + 0.5 * step_mm, step_mm)
    y = np.arange(np.floor(low[1]), np.ceil(high[1]) + 0.5 * step_mm, step_mm)
    rows = (y - gy[0]) / coarse
    columns = (x - gx[0]) / coarse
    order: Literal[1, 2] = 1 if outline.holes else 2
    where = np.stack(np.meshgrid(rows, columns, indexing="ij"))
    fine = map_coordinates(field, where, order=order, mode="nearest")
    fine_sd = map_coordinates(doubt, where, order=1, mode="nearest")
    inside = _inside(outline, x, y)
    return Surface(x, y, np.where(inside, fine, np.nan), np.where(inside, fine_sd, np.nan))


def _inside(outline: Outline, x: FloatArray, y: FloatArray) -> np.ndarray:
    """Grid points on wood, (ny, nx), by the even-odd rule along each row."""
    inside = np.zeros((len(y), len(x)), dtype=bool)
    for ring in (outline.rim, *outline.holes):
        x0, y0 = ring.T
        x1, y1 = np.roll(x0, -1), np.roll(y0, -1)
        for row, level in enumerate(y):
            across = (y0 > level) != (y1 > level)
            if not across.any():
                continue
            at = x0[across] + (level - y0[across]) * (x1 - x0)[across] / (y1 - y0)[across]
            inside[row] ^= np.searchsorted(np.sort(at), x, side="right") % 2 == 1
    return inside


def _kriged(
    places: FloatArray,
    values: FloatArray,
    sd: FloatArray,
    gx: FloatArray,
    gy: FloatArray,
    wood: np.ndarray,
    range_mm: float,
) -> FloatArray:
    from scipy.sparse import coo_matrix, diags
    from scipy.sparse.linalg import splu

    step = gx[1] - gx[0]
    number = np.full(wood.shape, -1)
    number[wood] = np.arange(wood.sum())
    count = int(wood.sum())
    pairs = []
    for a, b in ((number[:, :-1], number[:, 1:]), (number[:-1], number[1:])):
        both = (a >= 0) & (b >= 0)
        pairs.append(np.stack([a[both], b[both]]))
    i, j = np.concatenate(pairs, axis=1)
    one = np.ones(len(i))
    half = coo_matrix((one, (i, j)), shape=(count, count))
    beside = (half + half.T).tocsr()
    laplace = diags(np.asarray(beside.sum(axis=1)).ravel()) - beside
    kappa2 = 8.0 / range_mm**2 * step**2
    root = (laplace + diags(np.full(count, kappa2))).tocsr()
    # Variance of (κ² − Δ)² noise on a unit grid is 1/(4πκ²).
    spread2 = max(float(np.var(values)) - float(np.median(sd)) ** 2, float(np.median(sd)) ** 2)
    precision = root @ root * (1.0 / (4.0 * np.pi * kappa2 * spread2))
    observed = _interpolation(places, gx, gy, number, count)
    weight = diags(1.0 / np.maximum(sd, 1e-6) ** 2)
    normal = (precision + observed.T @ weight @ observed).tocsc()
    solved = splu(normal).solve(np.asarray(observed.T @ (values / np.maximum(sd, 1e-6) ** 2)))
    out = np.zeros(wood.shape)
    out[wood] = solved
    return out


def _interpolation(
    places: FloatArray, gx: FloatArray, gy: FloatArray, number: np.ndarray, count: int
) -> csr_matrix:
    """Bilinear weights of the taps on the grid nodes that lie on wood, (n, count) sparse."""
    from scipy.sparse import coo_matrix, diags

    step = gx[1] - gx[0]
    u, v = (places[:, 0] - gx[0]) / step, (places[:, 1] - gy[0]) / step
    c, r = np.floor(u).astype(int), np.floor(v).astype(int)
    rows, columns, weights = [], [], []
    for dr in (0, 1):
        for dc in (0, 1):
            share = np.abs(1 - dr - (v - r)) * np.abs(1 - dc - (u - c))
            node = number[np.clip(r + dr, 0, len(gy) - 1), np.clip(c + dc, 0, len(gx) - 1)]
            good = node >= 0
            rows.append(np.flatnonzero(good))
            columns.append(node[good])
            weights.append(share[good] + 1e-9)
    matrix = coo_matrix(
        (np.concatenate(weights), (np.concatenate(rows), np.concatenate(columns))),
        shape=(len(places), count),
    ).tocsr()
    total = np.asarray(matrix.sum(axis=1)).ravel()
    scaled: csr_matrix = (diags(1.0 / np.maximum(total, 1e-12)) @ matrix).tocsr()
    return scaled


def _doubt(
    places: FloatArray,
    values: FloatArray,
    sd: FloatArray,
    outline: Outline,
    gx: FloatArray,
    gy: FloatArray,
    wood: np.ndarray,
) -> FloatArray:
    """Standard deviation on the grid: that of the taps near, growing with the distance to them."""
    nodes = np.stack(np.meshgrid(gx, gy), axis=-1)[wood]
    gap, near = nearest(places, nodes, 4)
    closeness = 1.0 / (gap + 2.0) ** 2
    told = np.sum(closeness * sd[near], axis=1) / closeness.sum(axis=1)
    spacing = max(typical_spacing_mm(places), 1.0)
    away = np.maximum(gap[:, 0] - 0.75 * spacing, 0.0) / (RANGE_MM * times_violin(outline))
    spread = max(float(np.std(values)), float(np.median(sd)))
    out = np.zeros(wood.shape)
    out[wood] = np.sqrt(told**2 + spread**2 * (1.0 - np.exp(-(away**2) * 4.0)))
    return out


def at_places(
    tone_map: ToneMap, outline: Outline, at: FloatArray, *, fwhm_mm: float = 14.0
) -> FloatArray:
    """Tone (m,) in cents at any places near taps, by a local average."""
    weights = averaging_weights(
        np.asarray(tone_map.places), at, outline, fwhm_mm=fwhm_mm, variance=tone_map.sd_cents**2
    )
    return np.asarray(weights @ tone_map.tone_cents)
