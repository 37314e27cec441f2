"""Peaks of a spectrum that stand out of the noise and of each other's flanks."""

from __future__ import annotations

import math
from functools import lru_cache
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
    for reach in (16, 400):
        low = max(0, peak - reach)
        near = power[low : peak + reach].tolist()
        half, top = 0.5 * near[peak - low], peak - low
        for narrow in range(1, reach):
            if (top >= narrow and near[top - narrow] < half) or (
                top + narrow < len(near) and near[top + narrow] < half
            ):
                return max(0.5, narrow - 0.5) * step_hz
    return 400.0 * step_hz


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
    tapered = half_hann(rest[: high + 5])
    power = (tapered.real**2 + tapered.imag**2)[: high + 2]
    inner = power[low:high]
    tops = low + np.flatnonzero(
        (inner > power[low - 1 : high - 1]) & (inner >= power[low + 1 : high + 1])
    )
    noise = _local_noise(power, low, high)
    tops = tops[(power[tops] > _ABOVE_NOISE * noise[tops]) & (power[tops] > least_power)]
    if len(tops) == 0:
        return []
    tops = tops[np.argsort(-power[tops])[:200]]
    heights = power[tops].tolist()
    found: list[Peak] = []
    shade = np.zeros(len(tops))
    for position, (top, height) in enumerate(zip(tops.tolist(), heights, strict=True)):
        if height < shade[position]:
            continue
        width = _half_width_hz(power, top, step)
        found.append(Peak(_top_hz(power, top, step), width, height))
        if len(found) == most:
            break
        gap = np.abs(tops - top) * step
        shade = np.maximum(shade, 2.0 * height / (1.0 + (gap / (1.3 * width + step)) ** 2))
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
    a, b, c = (math.log(value + 1e-300) for value in power[top - 1 : top + 2].tolist())
    bend = a - 2.0 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return (top + min(max(shift, -0.5), 0.5)) * step_hz


def _local_noise(power: FloatArray, low: int, high: int) -> FloatArray:
    """Noise per bin: the lowest of the lower quartiles of blocks within half an octave.

    Blocks are a sixth of an octave and at least 60 bins wide, so that a broad peak, which may
    fill one block or two, does not pass for noise.
    """
    sampled, centres, every = _blocks(low, high)
    blocks = power[sampled]
    # for exponentially distributed power the lower quartile is 0.288 of the mean
    levels = np.partition(blocks, _BLOCK // 4, axis=1)[:, _BLOCK // 4] / 0.288
    padded = np.concatenate([levels[:1].repeat(3), levels, levels[-1:].repeat(3)])
    lowest = np.lib.stride_tricks.sliding_window_view(padded, 7).min(axis=1)
    noise = np.zeros_like(power)
    noise[low : high + 1] = np.interp(every, centres, lowest)
    return noise


_BLOCK = 60


@lru_cache(maxsize=16)
def _blocks(low: int, high: int) -> tuple[np.ndarray, FloatArray, np.ndarray]:
    """60 bins spread over each block (blocks, 60), the blocks' middles, and all bins."""
    edges = [low]
    while edges[-1] < high:
        edges.append(min(high, max(edges[-1] + _BLOCK, int(edges[-1] * 1.12))))
    first, last = np.array(edges[:-1]), np.array(edges[1:])
    spread = first[:, None] + ((last - first)[:, None] * np.arange(_BLOCK)) // _BLOCK
    return spread, 0.5 * (first + last), np.arange(low, high + 1)
