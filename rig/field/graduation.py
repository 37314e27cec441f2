"""A map taken apart: the graduation that the maker meant, and patches that stand out of it.

The map is read as the sum of
- a smooth graduation: a quadratic and two Gaussian processes, a stronger one that is alike left
  and right of the centre line (makers graduate so; common practice, no source) and a weaker one
  of longer reach that need not be;
- the wood's own ripple, which no maker can or need scrape away;
- errors of the readings, alike over some millimetres, larger at the rim;
- round patches of scraper size, found one after the other where they explain most, each with
  its height and doubt by generalised least squares (C. R. Rao, "Linear Statistical Inference and
  Its Applications", 2nd ed. (1973), §4a); the greatest |z| that the rest of the model would show
  by chance anywhere is simulated.

A graduation has no size of its own: its lengths are those of a violin plate, and grow with the
plate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.smoothing import Chance, error_covariance, even_grid
from rig.model.outline import Outline
from rig.model.plate_size import times_violin
from rig.model.tone_map import Patch
from rig.model.units import FloatArray

_VIOLIN_MM = 356.0  # length that the lengths below were set for
_SYMMETRIC = (150.0, 60.0)  # cents, mm
_ONE_SIDED = (60.0, 100.0)
_RIPPLE = (22.0, 17.0)  # cents, mm: what 3 % scatter of stiffness leaves beside the graduation
_RIM_MM, _RIM_ALONG_MM = 10.0, 20.0
_TREND_CENTS = 300.0
_NEAREST = 12  # taps that a tap is set against to tell how far it errs by itself
_FINE_CENTS = 6.0  # by which true tone itself leaves a parabola through them
_WIDTHS_MM = (30.0, 42.0, 58.0)  # full width at half height
_GRID_MM = 7.0
_LEAST_Z = 4.0
CONFIDENCE = 0.95
_MOST_PATCHES = 16
_SEEN = 0.15  # share of a patch's information that other patches may take away
_DRAWS = 1000
_SEED = 20212


@dataclass(frozen=True)
class Graduation:
    """smooth_cents (n,) at the taps; patches by falling |z|."""

    smooth_cents: FloatArray
    patches: tuple[Patch, ...]


def taken_apart(
    places: FloatArray,
    cents: FloatArray,
    sd_cents: FloatArray,
    outline: Outline,
    *,
    error_length_mm: float,
    rim_cents: float = 40.0,
) -> Graduation:
    """Separate a map's graduation from the patches that stand out of it.

    places (n, 2) in the plate frame, cents (n,), sd_cents (n,); error_length_mm: reach over which
    errors of neighbouring taps are alike, 0 if each tap errs by itself; rim_cents: error at the rim
    beyond the claimed doubt.
    """
    from scipy.linalg import solve_triangular

    scale = float(np.ptp(outline.rim[:, 1])) / _VIOLIN_MM
    middle = float(np.median(cents))
    smooth = graduation_covariance(places, scale)
    covariance = smooth + _rest_covariance(places, sd_cents, outline, error_length_mm, rim_cents)
    covariance[np.diag_indices(len(places))] += 1.0 + _own_error(places, cents) ** 2
    root = np.linalg.cholesky(covariance)
    grid = even_grid(outline, _GRID_MM * scale, 0.5 * _GRID_MM)
    shapes = [(x, y, width * scale) for width in _WIDTHS_MM for x, y in grid]
    templates = _templates(places, shapes)
    white = solve_triangular(root, templates, lower=True)
    values = solve_triangular(root, cents - middle, lower=True)
    chance = _chance(white)
    needed = max(_LEAST_Z, float(np.quantile(chance.draws, CONFIDENCE)))
    chosen = _pursued(white, values, needed)
    heights, sd = np.zeros(0), np.zeros(0)
    if chosen:
        normal = white[:, chosen].T @ white[:, chosen]
        heights = np.linalg.solve(normal, white[:, chosen].T @ values)
        sd = np.sqrt(np.diag(np.linalg.inv(normal)))
    left = values - white[:, chosen] @ heights
    smooth_cents = middle + smooth @ solve_triangular(root, left, lower=True, trans="T")
    patches = []
    for k, height, doubt in zip(chosen, heights, sd, strict=True):
        sure = chance.confidence(abs(float(height / doubt)))
        patches.append(Patch(*(float(v) for v in (*shapes[k], height, doubt, sure))))
    patches.sort(key=lambda patch: -abs(patch.z))
    return Graduation(np.asarray(smooth_cents), tuple(patches))


def _templates(places: FloatArray, shapes: list[tuple[float, float, float]]) -> FloatArray:
    from scipy.spatial.distance import cdist

    at = np.array([(x, y) for x, y, _ in shapes]).reshape(-1, 2)
    width = np.array([w for *_, w in shapes])
    return np.asarray(np.exp(-4.0 * np.log(2.0) * (cdist(places, at) / width) ** 2))


def graduation_covariance(places: FloatArray, scale: float) -> FloatArray:
    """(n, n) of the graduation: trend, part alike on both sides, one-sided part."""
    from scipy.spatial.distance import cdist

    def alike(gap: FloatArray, length_mm: float) -> FloatArray:
        return np.asarray(np.exp(-0.5 * (gap / (length_mm * scale)) ** 2))

    middle = 0.5 * (places.min(axis=0) + places.max(axis=0))
    x, y = ((places - middle) / np.maximum(0.5 * np.ptp(places, axis=0), 1.0)).T
    trend = np.stack([np.ones(len(x)), x, y, x * x, x * y, y * y], axis=1)
    gap, mirrored = cdist(places, places), cdist(places, places * np.array([-1.0, 1.0]))
    cents, length = _SYMMETRIC
    both = 0.5 * cents**2 * (alike(gap, length) + alike(mirrored, length))
    one_sided = _ONE_SIDED[0] ** 2 * alike(gap, _ONE_SIDED[1])
    return np.asarray(_TREND_CENTS**2 * trend @ trend.T + both + one_sided)


def _rest_covariance(
    places: FloatArray,
    sd_cents: FloatArray,
    outline: Outline,
    error_length_mm: float,
    rim_cents: float,
) -> FloatArray:
    """(n, n) of errors and of the wood's ripple."""
    rest = error_covariance(places, sd_cents, error_length_mm)
    size = times_violin(outline)
    rest += error_covariance(places, np.full(len(places), _RIPPLE[0]), size * _RIPPLE[1])
    rim = rim_cents * np.exp(-outline.edge_distance_mm(places) / (size * _RIM_MM))
    rest += error_covariance(places, rim, size * _RIM_ALONG_MM)
    return np.asarray(rest)


def _own_error(places: FloatArray, cents: FloatArray) -> float:
    """How far taps err by themselves, beside what they share with their neighbours; cents.

    Typical distance of a tap from a parabola through its nearest, less what smooth tone leaves of
    one. Errors taken as wholly shared would let the finest structure of a map count most.
    """
    from scipy.spatial import cKDTree

    count = min(_NEAREST, len(places) - 1)
    if count < 9:
        return 0.0
    near = np.asarray(cKDTree(places).query(places, count + 1)[1])[:, 1:]
    gap = places[near] - places[:, None, :]
    x, y = gap[..., 0], gap[..., 1]
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2)
    # The parabola's value at the tap itself as a weighted sum of its neighbours.
    weights = np.linalg.pinv(design)[:, 0, :]
    left = cents - np.sum(weights * cents[near], axis=1)
    left /= np.sqrt(1.0 + np.sum(weights**2, axis=1))
    typical = 1.4826 * float(np.median(np.abs(left)))
    return float(np.sqrt(max(typical**2 - _FINE_CENTS**2, 0.0)))


def _chance(white: FloatArray) -> Chance:
    """Greatest |z| of any template when the map holds nothing but graduation, ripple and errors."""
    unit = (white / np.linalg.norm(white, axis=0)).astype(np.float32)
    noise = np.random.default_rng(_SEED).standard_normal((_DRAWS, len(unit)), dtype=np.float32)
    peaks = [np.abs(part @ unit).max(axis=1) for part in np.array_split(noise, _DRAWS // 100)]
    return Chance(np.sort(np.concatenate(peaks)).astype(np.float64))


def _pursued(white: FloatArray, values: FloatArray, needed: float) -> list[int]:
    """Templates taken one after the other, each the most telling beside those before it."""
    full = np.einsum("ij,ij->j", white, white)
    white, values = white.copy(), values.copy()
    chosen: list[int] = []
    while len(chosen) < _MOST_PATCHES:
        size = np.einsum("ij,ij->j", white, white)
        usable: NDArray[np.bool_] = size > _SEEN * full
        z = np.where(usable, (values @ white) / np.sqrt(np.maximum(size, 1e-12)), 0.0)
        best = int(np.argmax(np.abs(z)))
        if abs(z[best]) < needed:
            break
        chosen.append(best)
        along = white[:, best] / np.sqrt(size[best])
        values -= along * (along @ values)
        white -= np.outer(along, along @ white)
    return chosen
