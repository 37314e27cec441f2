"""Nearest places."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray


def nearest(
    places: FloatArray, at: FloatArray, count: int = 1
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Distances (m, k) in mm and indices (m, k) of the `count` places nearest to each of `at`.

    k is smaller than `count` where there are fewer places.
    """
    from scipy.spatial import cKDTree

    k = min(count, len(places))
    gap, index = cKDTree(places).query(at, k=k)
    shape = (len(at), k)
    return (
        np.asarray(gap, dtype=np.float64).reshape(shape),
        np.asarray(index, dtype=np.int64).reshape(shape),
    )


def typical_spacing_mm(places: FloatArray) -> float:
    """Median distance to the nearest neighbour; 0 for fewer than two places."""
    if len(places) < 2:
        return 0.0
    gap, _ = nearest(places, places, 2)
    return float(np.median(gap[:, 1]))
