"""Light along short lines across an edge, and where exactly the edge lies on them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d

from rig.model.units import FloatArray


def sample_lines(
    light: NDArray[np.float32], base_px: FloatArray, direction: FloatArray, along_px: FloatArray
) -> NDArray[np.float32]:
    """Light at base + along·direction; (n, m) or (n, m, channels).

    light: (rows, columns[, channels]); base_px, direction: (n, 2); along_px: (m,). Beyond the
    picture the value is NaN.
    """
    u = (base_px[:, :1] + direction[:, :1] * along_px).astype(np.float32)
    v = (base_px[:, 1:] + direction[:, 1:] * along_px).astype(np.float32)
    nan = float("nan")
    return np.asarray(
        cv2.remap(
            light,
            u,
            v,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(nan, nan, nan, nan),
        ),
        dtype=np.float32,
    )


def falling_edges(
    profile: FloatArray, step: float, sigma: float, most: int = 4
) -> tuple[FloatArray, FloatArray]:
    """Places where each profile falls most steeply, strongest first.

    profile: (n, m). Returns place and strength, each (n, most): place in the unit of `step` from
    the first sample, NaN where there are fewer edges; strength is the height of the fall, of an
    edge blurred no more than the smoothing. Smoothing by a Gaussian of `sigma`.
    """
    n, m = profile.shape
    reach = int(np.ceil(3.0 * sigma / step))
    t = np.arange(-reach, reach + 1) * step
    bell = np.exp(-0.5 * (t / sigma) ** 2)
    kernel = t * bell / np.sum(t * t * bell)  # least-squares slope under a Gaussian window
    fall = -correlate1d(np.nan_to_num(profile, nan=0.0), kernel, axis=1, mode="nearest")
    broken = correlate1d((~np.isfinite(profile)).astype(float), np.ones(2 * reach + 1), axis=1)
    fall[broken > 0.5] = 0.0
    place = np.full((n, most), np.nan)
    strength = np.zeros((n, most))
    middle = fall[:, 1:-1]
    peak = (middle >= fall[:, :-2]) & (middle > fall[:, 2:]) & (middle > 0.0)
    height = np.where(peak, middle, -1.0)
    rank = np.argsort(-height, axis=1)[:, :most]
    for k in range(min(most, m - 2)):
        i = rank[:, k]
        rows = np.arange(n)
        centre = height[rows, i]
        good = centre > 0.0
        before, after = fall[rows, i], fall[rows, i + 2]
        bend = before - 2.0 * middle[rows, i] + after
        offset = np.where(bend < 0.0, 0.5 * (before - after) / np.minimum(bend, -1e-12), 0.0)
        place[good, k] = ((i + 1 + np.clip(offset, -0.5, 0.5)) * step)[good]
        strength[good, k] = centre[good] * sigma * np.sqrt(2.0 * np.pi)
    return place, strength
