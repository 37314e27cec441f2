"""Energy of a recording over time, and its sudden rises.

Everything works on frames of 1 ms. Low frequencies (handling, rumble, direct voltage) are taken
out by subtracting the mean of the last 10 ms: causal, so nothing smears ahead of a strike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.units import FloatArray

FRAME_S = 0.001
_DRIFT_S = 0.01
_LOOK_AHEAD = 3  # frames whose energy is compared with the loudest of the frames before
_LOOK_BACK = 12


def without_drift(x: FloatArray, sample_rate_hz: int) -> FloatArray:
    """Return x (n,) minus the mean of its last 10 ms, twice; before its start x counts as still."""
    width = max(2, round(_DRIFT_S * sample_rate_hz))
    for _ in range(2):
        still = np.median(x[: max(1, width // 10)])
        total = np.cumsum(np.concatenate([np.full(width, still), x]))
        x = x - (total[width:] - total[:-width]) / width
    return np.asarray(x, dtype=np.float64)


def frame_energy(x: FloatArray, sample_rate_hz: int) -> FloatArray:
    """Return the mean square of each whole 1 ms frame of x; (n // frame,)."""
    size = max(1, round(FRAME_S * sample_rate_hz))
    count = len(x) // size
    return np.asarray(np.mean(x[: count * size].reshape(count, size) ** 2, axis=1))


def _running_max(values: FloatArray, width: int) -> FloatArray:
    """Largest of `values` over the `width` entries before each entry (the entry not included)."""
    padded = np.concatenate([np.zeros(width), values])
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)[: len(values)]
    return np.asarray(windows.max(axis=1))


def ahead(energy: FloatArray, frames: int) -> FloatArray:
    """Mean of each frame and the `frames` − 1 after it (fewer at the end); (n,)."""
    total = np.concatenate([[0.0], np.cumsum(energy)])
    stop = np.minimum(np.arange(len(energy)) + frames, len(energy))
    start = np.arange(len(energy))
    return np.asarray((total[stop] - total[start]) / (stop - start))


@dataclass(frozen=True)
class Rises:
    """Sudden rises of the energy of one band: frame numbers, how far (dB), energy after them."""

    frame: np.ndarray
    rise_db: FloatArray
    energy_after: FloatArray


def sudden_rises(
    energy: FloatArray,
    floor: float,
    least_db: float,
    look_ahead: int = _LOOK_AHEAD,
    look_back: int = _LOOK_BACK,
) -> Rises:
    """Find frames where the next 3 carry `least_db` more energy than any of the last 12.

    Beating partials swell slowly, or return to a level they had within the last 12 frames, and so
    are passed over. floor: mean square of the noise, below which nothing is a rise.
    """
    next_ms = ahead(energy, look_ahead)
    before = _running_max(energy, look_back) + floor
    rise_db = 10.0 * np.log10((next_ms + 1e-30) / (before + 1e-30))
    above = rise_db >= least_db
    frames: list[int] = []
    starts = np.flatnonzero(above & ~np.concatenate([[False], above[:-1]]))
    for start in starts:
        stop = start
        while stop + 1 < len(above) and above[stop + 1]:
            stop += 1
        frames.append(int(start + np.argmax(rise_db[start : stop + 1])))
    index = np.array(frames, dtype=int)
    return Rises(index, rise_db[index], ahead(energy, 10)[index])
