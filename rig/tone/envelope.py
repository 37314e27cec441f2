"""Energy of a recording over time, and its sudden rises.

Everything works on frames of 1 ms. Low frequencies (handling, rumble, direct voltage) are taken
out by subtracting the mean of the last ten frames: causal, so nothing smears ahead of a strike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.units import FloatArray

FRAME_S = 0.001
_DRIFT_FRAMES = 10
_LOOK_AHEAD = 3  # frames whose energy is compared with the loudest of the frames before
_LOOK_BACK = 12


def without_drift(x: FloatArray, sample_rate_hz: int) -> FloatArray:
    """Return x (n,) minus the mean of its last 10 ms, twice; before its start x counts as still.

    The mean is taken at the ends of whole frames and drawn as straight lines, one frame late.
    """
    size = max(1, round(FRAME_S * sample_rate_hz))
    frames = -(-len(x) // size)
    still = float(np.median(x[:size])) if len(x) else 0.0
    whole = np.full(frames * size, x[-1] if len(x) else 0.0)
    whole[: len(x)] = x
    pieces = whole.reshape(frames, size)
    nodes = _lagging_mean(np.add.reduce(pieces, axis=1) / size, still)
    again = _lagging_mean(0.5 * (nodes[:-1] + nodes[1:]), still)
    line = 2.0 * nodes - again
    ramp = (np.arange(size) + 0.5) / size
    pieces -= line[:-1, None] + (line[1:] - line[:-1])[:, None] * ramp
    return whole[: len(x)]


def _lagging_mean(frames: FloatArray, still: float) -> FloatArray:
    """Mean of the ten frames that ended one frame before each edge between frames; (n + 1,)."""
    padded = np.full(len(frames) + _DRIFT_FRAMES + 1, still)
    padded[_DRIFT_FRAMES + 1 :] = frames
    total = np.zeros(len(padded) + 1)
    np.cumsum(padded, out=total[1:])
    edges = len(frames) + 1
    return np.asarray(
        (total[_DRIFT_FRAMES : _DRIFT_FRAMES + edges] - total[:edges]) / _DRIFT_FRAMES
    )


def frame_energy(x: FloatArray, sample_rate_hz: int) -> FloatArray:
    """Return the mean square of each whole 1 ms frame of x; (n // frame,)."""
    size = max(1, round(FRAME_S * sample_rate_hz))
    count = len(x) // size
    pieces = x[: count * size].reshape(count, size)
    return np.asarray(np.einsum("ij,ij->i", pieces, pieces) / size)


def _running_max(values: FloatArray, width: int) -> FloatArray:
    """Largest of `values` (…, n) over the `width` entries before each (itself not included)."""
    count = values.shape[-1]
    # by doubling: the largest of 1, 2, 4 … entries up to each
    most, done = values, 1
    while 2 * done <= width:
        most = np.maximum(most, _delayed(most, done))
        done *= 2
    if done < width:
        most = np.maximum(most, _delayed(most, width - done))
    return _delayed(most, 1)[..., :count]


def _delayed(values: FloatArray, by: int) -> FloatArray:
    later = np.zeros_like(values)
    later[..., by:] = values[..., : max(0, values.shape[-1] - by)]
    return later


def ahead(energy: FloatArray, frames: int) -> FloatArray:
    """Mean of each frame of (…, n) and the `frames` − 1 after it (fewer at the end)."""
    count = energy.shape[-1]
    total = np.zeros((*energy.shape[:-1], count + frames))
    np.cumsum(energy, axis=-1, out=total[..., 1 : count + 1])
    total[..., count + 1 :] = total[..., count : count + 1]
    length = np.minimum(np.arange(count, 0, -1), frames)
    return np.asarray((total[..., frames : frames + count] - total[..., :count]) / length)


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
    above, rise_db = _rising(energy, np.asarray(floor), least_db, look_ahead, look_back)
    index = _tops(above, rise_db)
    return Rises(index, rise_db[index], ahead(energy, 10)[index])


def rises_of_bands(
    energy: FloatArray, floor: FloatArray, least_db: float, look_back: int
) -> list[np.ndarray]:
    """Frames of the sudden rises of several bands (bands, n), each with its own floor (bands,)."""
    above, rise_db = _rising(energy, floor[:, None], least_db, _LOOK_AHEAD, look_back)
    return [_tops(*band) for band in zip(above, rise_db, strict=True)]


def _rising(
    energy: FloatArray,
    floor: FloatArray,
    least_db: float,
    look_ahead: int,
    look_back: int,
) -> tuple[np.ndarray, FloatArray]:
    """Where the energy rises by `least_db`, and by how much."""
    next_ms = ahead(energy, look_ahead)
    before = _running_max(energy, look_back) + floor
    rise_db = 10.0 * np.log10((next_ms + 1e-30) / (before + 1e-30))
    return rise_db >= least_db, rise_db


def _tops(above: np.ndarray, rise_db: FloatArray) -> np.ndarray:
    """The highest frame of every run of frames that rise."""
    rising = np.flatnonzero(above)
    if len(rising) == 0:
        return rising
    runs = np.split(rising, np.flatnonzero(np.diff(rising) > 1) + 1)
    return np.array([run[int(np.argmax(rise_db[run]))] for run in runs])
