"""Weighted averages over the wood, their standard deviations, and what chance alone would show."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rig.field.neighbourhoods import straight_way
from rig.model.outline import Outline
from rig.model.units import FloatArray

_KEPT_FIELDS = 300
SCRAPER_MM = 28.0  # full width at half maximum of one pass of a scraper


def averaging_weights(
    places: FloatArray,
    at: FloatArray,
    outline: Outline,
    *,
    fwhm_mm: float,
    variance: FloatArray | None = None,
) -> FloatArray:
    """Rows of weights (m, n), each summing to 1, that average values at `places` around `at`.

    A place counts by a Gaussian of its distance and by its inverse variance; not at all when the
    straight way to it crosses a sound hole or leaves the plate.
    """
    from scipy.spatial.distance import cdist

    gap = cdist(at, places)
    sigma = fwhm_mm / 2.3548
    weights = np.exp(-0.5 * (gap / sigma) ** 2)
    weights[gap > 2.6 * sigma] = 0.0
    if variance is not None:
        weights = weights / variance[None, :]
    open_ground = outline.edge_distance_mm(at)[:, None] + outline.edge_distance_mm(places)[None, :]
    rows, columns = np.nonzero((weights > 0) & (gap > open_ground))
    if len(rows):
        clear = straight_way(outline, at[rows], places[columns])
        weights[rows[~clear], columns[~clear]] = 0.0
    total = weights.sum(axis=1, keepdims=True)
    return np.asarray(weights / np.where(total > 0, total, 1.0))


def averaged_covariance(weights: FloatArray, covariance: FloatArray) -> FloatArray:
    """W·C·Wᵀ (m, m) for weights (m, n) that are mostly 0 and a covariance (n, n)."""
    from scipy.sparse import csr_matrix

    sparse = csr_matrix(weights)
    return np.asarray(sparse @ (sparse @ covariance).T)


def error_length_mm(reading: str, estimator: str, times_violin: float = 1.0) -> float:
    """Distance over which errors of neighbouring taps are alike (Gaussian correlation).

    times_violin: of the plate's size (`rig.model.plate_size`). The wave fit reads some thirty taps
    together, so its errors are broad; a tap read by itself errs by itself.
    """
    if reading != "local":
        return 0.0
    return times_violin * (18.0 if "wave fit" in estimator else 10.0)


def rim_error_cents(estimator: str) -> float:
    """Error at the rim itself that neighbouring taps share, beyond their claimed doubt.

    Waves turn back at the rim; a reading of waves alone, without a plate model, takes this for a
    lower tone: on flat thin plates by 100 to 150 cents.
    """
    return 120.0 if estimator.startswith("local wave fit") else 40.0


def error_covariance(places: FloatArray, sd: FloatArray, length_mm: float) -> FloatArray:
    """Covariance (n, n) of errors with a Gaussian correlation over `length_mm`."""
    from scipy.spatial.distance import cdist

    if length_mm <= 0:
        return np.diag(sd**2)
    alike = np.exp(-0.5 * (cdist(places, places) / length_mm) ** 2)
    return np.asarray(alike * np.outer(sd, sd))


@dataclass(frozen=True)
class Chance:
    """What the greatest |z| over the plate would be if nothing were there.

    draws: sorted greatest values of simulated error fields; fields: some of these, (k, m), in
    standard deviations.
    """

    draws: FloatArray
    fields: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 0), np.float32))

    def confidence(self, z: float) -> float:
        """Probability that chance alone stays below `z` everywhere on the plate."""
        return float(np.searchsorted(self.draws, z) / (len(self.draws) + 1))


def chance_of_peaks(
    covariance: FloatArray, *, two_sided: bool, rng: np.random.Generator, draws: int = 2000
) -> Chance:
    """Simulate error fields with this covariance (m, m), scaled to unit variance.

    The greatest value over all places answers the question of many places looked at at once
    (maximum-statistic control of the family-wise error, Nichols & Hayasaka 2003).
    """
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-12))
    correlation = covariance / np.outer(scale, scale)
    correlation[np.diag_indices(len(scale))] += 1e-3  # keeps very smooth fields solvable
    root = np.linalg.cholesky(correlation.astype(np.float32)) / np.float32(np.sqrt(1.001))
    fields = np.asarray(
        rng.standard_normal((draws, len(scale)), dtype=np.float32) @ root.T, dtype=np.float32
    )
    peaks = fields.max(axis=1)
    if two_sided:
        peaks = np.maximum(peaks, -fields.min(axis=1))
    return Chance(np.sort(peaks).astype(np.float64), fields[:_KEPT_FIELDS].copy())


def robust_sd(values: FloatArray) -> float:
    """1.4826 × median absolute deviation."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def even_grid(outline: Outline, step_mm: float, margin_mm: float) -> FloatArray:
    """Places of a square grid on the wood, at least `margin_mm` from every edge; (m, 2)."""
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    x = np.arange(np.ceil(low[0] / step_mm), np.floor(high[0] / step_mm) + 1) * step_mm
    y = np.arange(np.ceil(low[1] / step_mm), np.floor(high[1] / step_mm) + 1) * step_mm
    grid = np.column_stack([g.ravel() for g in np.meshgrid(x, y)])
    grid = grid[outline.contains(grid)]
    return np.asarray(grid[outline.edge_distance_mm(grid) >= margin_mm])


def connected(
    places: FloatArray, chosen: NDArray[np.bool_], reach_mm: float
) -> list[NDArray[np.int64]]:
    """Connected sets among the chosen places (bool mask (m,)); indices into `places`."""
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    index = np.flatnonzero(chosen)
    if not index.size:
        return []
    tree = cKDTree(places[index])
    graph = tree.sparse_distance_matrix(tree, reach_mm, output_type="coo_matrix")
    count, label = connected_components(graph, directed=False)
    return [index[label == k] for k in range(count)]
