"""Peaks of a spectrum that stand out of the noise and of each other's flanks."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.model.units import FloatArray
from rig.tone.damped import ComplexArray, Segment

LOWEST_HZ = 40.0  # of a partial that is told
DEEPEST_HZ = 8.0  # of a peak that is fitted: rumble
HIGHEST_HZ = 16000.0
_ABOVE_NOISE = 14.0  # power; noise alone reaches it once in a million bins


class Peak(NamedTuple):
    """A peak of a spectrum: frequency, half width at half power, power."""

    hz: float
    width_hz: float
    power: float


def _half_width_hz(power: FloatArray, peak: int, step_hz: float) -> float:
    """Half width at half power of the peak at bin `peak`, at least that of one bin."""
    reach = 400
    half = 0.5 * power[peak]
    up = power[peak : peak + reach] < half
    down = power[max(0, peak - reach) : peak + 1][::-1] < half
    right = int(np.argmax(up)) if up.any() else reach
    left = int(np.argmax(down)) if down.any() else reach
    narrow = min(left, right)
    return max(0.5, narrow - 0.5) * step_hz


def find_peaks(rest: ComplexArray, segment: Segment, most: int, least_power: float) -> list[Peak]:
    """Peaks of a transform, the strongest first.

    The transform is smoothed over three bins (a Hann window on the stretch, but keeping the
    start by the phase of a half window) so that the cut end of long tones makes no side lobes.
    A peak on the flank of a stronger one is passed over.
    """
    step = segment.step_hz
    low = max(2, int(DEEPEST_HZ / step))
    high = min(len(rest) - 2, int(min(HIGHEST_HZ, 0.46 * segment.sample_rate_hz) / step))
    if high - low < 4:
        return []
    tapered = half_hann(rest)
    power = np.abs(tapered[: high + 2]) ** 2
    inner = power[low:high]
    tops = low + np.flatnonzero(
        (inner > power[low - 1 : high - 1]) & (inner >= power[low + 1 : high + 1])
    )
    noise = _local_noise(power, low, high)
    tops = tops[(power[tops] > _ABOVE_NOISE * noise[tops]) & (power[tops] > least_power)]
    if len(tops) == 0:
        return []
    tops = tops[np.argsort(power[tops])[::-1]][:200]
    found: list[Peak] = []
    shade = np.zeros(len(tops))
    for position, top in enumerate(tops):
        if power[top] < shade[position]:
            continue
        width = _half_width_hz(power, int(top), step)
        found.append(Peak(_top_hz(power, int(top), step), width, float(power[top])))
        if len(found) == most:
            break
        gap = np.abs(tops - top) * step
        shade = np.maximum(shade, 2.0 * power[top] / (1.0 + (gap / (1.3 * width + step)) ** 2))
    return found


def half_hann(bins: ComplexArray) -> ComplexArray:
    """Transform under the falling half of a Hann window, approximated by its first terms.

    cos²(πt/2T) = ½ + ½·cos(πt/T); the half-bin cosine is written by the bins' neighbours:
    its Fourier series on 0 … T is ½ + (1/2j)·Σ odd … of which the two nearest bins matter.
    """
    result = 0.5 * bins.astype(np.complex128)
    # ½·cos(πt/T) on 0…T has the Fourier coefficients −j·2n/(π(4n² − 1)) at bin n
    for n in (1, 2, 3):
        weight = 2.0 * n / (np.pi * (4.0 * n * n - 1.0))
        result[n:] += -1j * weight * bins[:-n]
        result[:-n] += 1j * weight * bins[n:]
    return result


def _top_hz(power: FloatArray, top: int, step_hz: float) -> float:
    """Frequency of a peak by a parabola through the logarithms of three bins."""
    a, b, c = np.log(power[top - 1 : top + 2] + 1e-300)
    bend = a - 2.0 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return float((top + np.clip(shift, -0.5, 0.5)) * step_hz)


def _local_noise(power: FloatArray, low: int, high: int) -> FloatArray:
    """Noise per bin: the lowest of the lower quartiles of blocks within half an octave.

    Blocks are a sixth of an octave and at least 60 bins wide, so that a broad peak, which may
    fill one block or two, does not pass for noise.
    """
    noise = np.zeros_like(power)
    start = low
    centres: list[float] = []
    levels: list[float] = []
    while start < high:
        stop = min(high, max(start + 60, int(start * 1.12)))
        block = power[start:stop]
        # for exponentially distributed power the lower quartile is 0.288 of the mean
        levels.append(float(np.partition(block, len(block) // 4)[len(block) // 4]) / 0.288)
        centres.append(0.5 * (start + stop))
        start = stop
    padded = np.pad(np.array(levels), 3, mode="edge")
    lowest = np.lib.stride_tricks.sliding_window_view(padded, 7).min(axis=1)
    noise[low : high + 1] = np.interp(np.arange(low, high + 1), centres, lowest)
    return noise
