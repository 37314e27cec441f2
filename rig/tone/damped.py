"""Damped partials fitted to the bins of a discrete Fourier transform.

A partial c·exp(s·t), s = −1/τ + 2πjf, sampled N times has the exact transform
g(ω) = c·(1 − e^{sT}) / (1 − e^{(s − jω)/f_s}) at the bins ω = 2πk·f_s/N, where white noise stays
white. The model is holomorphic in (c, s), so complex Gauss-Newton on the bins around a partial is
maximum likelihood for Gaussian noise, and its normal matrix is the Fisher matrix (Kay, Modern
Spectral Estimation, 1988, ch. 13; Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

ComplexArray = NDArray[np.complex128]


@lru_cache(maxsize=32)
def bin_phasors(count: int) -> ComplexArray:
    """e^{−2πjk/count} for k = 0 … count/2; (count // 2 + 1,). Shared: do not write to it."""
    phasors = np.exp(-2j * np.pi * np.arange(count // 2 + 1) / count)
    phasors.flags.writeable = False
    return np.asarray(phasors, dtype=np.complex128)


@dataclass(frozen=True)
class Segment:
    """A stretch of sound from the start of the ring: its transform and its length.

    bins (count // 2 + 1,) complex, unwindowed; duration_s = count / sample rate.
    """

    bins: ComplexArray
    count: int
    sample_rate_hz: float

    @property
    def duration_s(self) -> float:
        """Length of the stretch."""
        return self.count / self.sample_rate_hz

    @property
    def step_hz(self) -> float:
        """Distance of two bins."""
        return self.sample_rate_hz / self.count

    def range_around(self, low_hz: float, high_hz: float) -> tuple[int, int]:
        """First bin and one past the last bin of a band, kept inside the transform."""
        first = max(1, int(low_hz / self.step_hz))
        stop = min(len(self.bins) - 1, int(high_hz / self.step_hz) + 2)
        return first, max(stop, first)


def response_and_slope(
    s: ComplexArray, segment: Segment, first: int, stop: int
) -> tuple[ComplexArray, ComplexArray]:
    """`response`, and its derivative with respect to s."""
    phasors = bin_phasors(segment.count)[first:stop, None]
    grown = np.exp(s * segment.duration_s)
    turned = np.exp(s / segment.sample_rate_hz) * phasors
    below = 1.0 / (1.0 - turned)
    value = (1.0 - grown) * below
    slope = (-segment.duration_s * grown + value * turned / segment.sample_rate_hz) * below
    return value, slope


_COARSE = 32
_NEAR = 4  # coarse steps to either side


def without_partials(s: ComplexArray, c: ComplexArray, segment: Segment, stop: int) -> ComplexArray:
    """Bins 0 … stop − 1 of the segment less the real sound Σ c·e^{st} + its conjugate; (stop,).

    A partial and its conjugate together are (a − b·φ)/(1 − p·φ + q·φ²) with real a, b, p, q.
    Every partial is exact within 128 bins of its peak; beyond, straight lines between every 32nd
    bin are within −78 dB of the peak.
    """
    rest = segment.bins[:stop].copy()
    if len(s) == 0:
        return rest
    gain = c * (1.0 - np.exp(s * segment.duration_s))
    w = np.exp(s / segment.sample_rate_hz)
    a, b = 2.0 * gain.real, 2.0 * (gain * w.conj()).real
    p, q = 2.0 * w.real, w.real**2 + w.imag**2
    steps = -(-stop // _COARSE)
    coarse = np.exp(-2j * np.pi / segment.count * _COARSE * np.arange(steps + 1))[:, None]
    each = (a - b * coarse) / (1.0 - coarse * (p - q * coarse))  # (nodes, m)
    total = each.sum(axis=1)
    fraction = np.arange(_COARSE) / _COARSE
    rest -= (total[:-1, None] + (total[1:] - total[:-1])[:, None] * fraction).ravel()[:stop]
    width = min(2 * _NEAR, steps)
    centre = (s.imag / (2 * np.pi * segment.step_hz * _COARSE)).astype(int)
    first = np.clip(centre - _NEAR + 1, 0, steps - width)
    bins = first[:, None] * _COARSE + np.arange(width * _COARSE)
    phasor = np.exp(-2j * np.pi / segment.count * bins)
    line = each.T[np.arange(len(s))[:, None], first[:, None] + np.arange(width + 1)]
    rough = line[:, :-1, None] + (line[:, 1:] - line[:, :-1])[:, :, None] * fraction
    a, b, p, q = (value[:, None] for value in (a, b, p, q))
    exact = (a - b * phasor) / (1.0 - phasor * (p - q * phasor)) - rough.reshape(bins.shape)
    for start, piece in zip((first * _COARSE).tolist(), exact, strict=True):
        rest[start : start + bins.shape[1]] -= piece[: stop - start]
    return rest
