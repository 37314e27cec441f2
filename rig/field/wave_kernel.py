"""How alike the motion at two places of a plate is when bending waves cross it from all sides.

Waves of all directions with equal strength per mode give the covariance
mean over θ of k(θ)²·cos(k(θ)·n(θ)·(x−y)); its inverse on a group of taps says how badly a measured
picture fits waves of that length (a Gaussian process likelihood). Near a free edge the near field
that each wave raises there is added.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import spotrf, spotri

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
    return _inverted(covariance)


def _inverted(
    covariance: NDArray[np.float32],
) -> tuple[NDArray[np.float32], FloatArray]:
    """Inverses (K, n, n) and log determinants (K,) of positive definite matrices.

    One Cholesky factor serves both, which numpy's general inverse would do over.
    """
    logdet = np.empty(len(covariance))
    for number, one in enumerate(covariance):  # spotrf leaves zeros in the half it does not use
        factor, flawed = spotrf(one.T, lower=0, overwrite_a=1)
        if flawed:
            raise np.linalg.LinAlgError("A covariance of waves is not positive definite.")
        logdet[number] = 2.0 * np.log(factor.diagonal()).sum()
        covariance[number] = spotri(factor, lower=0, overwrite_c=1)[0].T
    index = np.arange(covariance.shape[1])
    diagonal = covariance[:, index, index]
    covariance = covariance + covariance.transpose(0, 2, 1)
    covariance[:, index, index] = diagonal
    return covariance, logdet


def open_covariance(
    offset_mm: FloatArray, waves: PlateWaves, axis_hz: FloatArray
) -> NDArray[np.float32]:
    """Covariance (K, n, n) of waves from all sides far from any edge; 1 on the diagonal."""
    theta = directions(DIRECTIONS)
    k, root = _rays(waves, axis_hz.tobytes())
    along = offset_mm / 1000.0 @ np.stack([np.cos(theta), np.sin(theta)])
    phase = (k[:, None, :] * along[None, :, :]).astype(np.float32)
    parts = np.concatenate([np.cos(phase) * root, np.sin(phase) * root], axis=2)
    return np.asarray(parts @ parts.transpose(0, 2, 1))


@lru_cache(maxsize=4)  # every arrangement of taps asks for the same
def _rays(waves: PlateWaves, axis: bytes) -> tuple[FloatArray, NDArray[np.float32]]:
    """Wavenumbers of all directions (K, m), and root of each one's share, (K, 1, m)."""
    hz = np.frombuffer(axis)
    theta = directions(DIRECTIONS)
    k = waves.wavenumber(theta[None, :], hz[:, None], np.asarray(waves.product_m2_s))
    root = k / np.sqrt(np.sum(k**2, axis=1, keepdims=True))
    return k, root.astype(np.float32)[:, None, :]
