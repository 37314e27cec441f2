"""How alike the motion at two places of a plate is when bending waves cross it from all sides.

Waves of all directions with equal strength per mode give the covariance
mean over θ of k(θ)²·cos(k(θ)·n(θ)·(x−y)); its inverse on a group of taps says how badly a measured
picture fits waves of that length (a Gaussian process likelihood). Near a free edge the near field
that each wave raises there is added.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.field.dispersion import PlateWaves, directions
from rig.field.edge_waves import edge_waves
from rig.field.neighbourhoods import Neighbourhood
from rig.model.units import FloatArray

# Strength of the near field against that of a straight edge; corners and curves raise more. Between
# 1 and 4 virtual plates read the same, without it errors near the edge are a fifth larger.
_NEAR_FIELD = np.float32(2.0)
DIRECTIONS = 16  # over half a turn; enough while k·distance stays under about 16


def inverse_covariances(
    group: Neighbourhood,
    waves: PlateWaves,
    axis_hz: FloatArray,
    *,
    noise: float,
    width_mm: float,
) -> tuple[NDArray[np.float32], FloatArray]:
    """Inverse covariance of one arrangement at every point of the length axis.

    axis_hz: (K,) frequencies that stand for wave lengths at the plate's mean tone. noise: variance
    of what waves do not explain, against the signal's, at the centre; it grows outwards as the
    inverse of a Gaussian of `width_mm` (standard deviation). Returns (K, n, n) and log
    determinants (K,).
    """
    distance2 = np.sum(group.offset_mm**2, axis=1)
    diagonal = noise * np.exp(np.minimum(0.5 * distance2 / width_mm**2, 6.0))
    covariance = open_covariance(group.offset_mm, waves, axis_hz)
    if group.edge is not None:
        beside = edge_waves(waves, group.edge.inward, float(np.median(axis_hz)))
        covariance += _NEAR_FIELD * beside.near_field(group.edge, waves, axis_hz)
    n = len(diagonal)
    covariance[:, np.arange(n), np.arange(n)] += diagonal.astype(np.float32)
    factor = np.linalg.cholesky(covariance)
    logdet = 2.0 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    return np.linalg.inv(covariance), np.asarray(logdet, dtype=np.float64)


def open_covariance(
    offset_mm: FloatArray, waves: PlateWaves, axis_hz: FloatArray
) -> NDArray[np.float32]:
    """Covariance (K, n, n) of waves from all sides far from any edge; 1 on the diagonal."""
    theta = directions(DIRECTIONS)
    k = waves.wavenumber(theta[None, :], axis_hz[:, None], np.asarray(waves.product_m2_s))
    strength = k**2 / np.sum(k**2, axis=1, keepdims=True)
    along = offset_mm / 1000.0 @ np.stack([np.cos(theta), np.sin(theta)])
    phase = (k[:, None, :] * along[None, :, :]).astype(np.float32)
    root = np.sqrt(strength).astype(np.float32)[:, None, :]
    parts = np.concatenate([np.cos(phase) * root, np.sin(phase) * root], axis=2)
    return np.asarray(parts @ parts.transpose(0, 2, 1))
