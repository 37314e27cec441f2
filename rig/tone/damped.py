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

from rig.model.units import FloatArray

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
        first = max(1, int(np.floor(low_hz / self.step_hz)))
        stop = min(len(self.bins) - 1, int(np.ceil(high_hz / self.step_hz)) + 1)
        return first, max(stop, first)


def response(s: ComplexArray, segment: Segment, first: int, stop: int) -> ComplexArray:
    """Transform of unit partials exp(s·t) at bins first … stop − 1; (stop − first, len(s))."""
    phasors = bin_phasors(segment.count)[first:stop, None]
    grown = np.exp(s * segment.duration_s)
    return np.asarray((1.0 - grown) / (1.0 - np.exp(s / segment.sample_rate_hz) * phasors))


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


def sound_of(
    s: ComplexArray, c: ComplexArray, segment: Segment, first: int, stop: int
) -> ComplexArray:
    """Transform of the real sound Σ c·e^{st} + its conjugate at the bins; (stop − first,)."""
    if len(s) == 0:
        return np.zeros(stop - first, dtype=np.complex128)
    both = np.concatenate([s, s.conj()])
    amplitude = np.concatenate([c, c.conj()])
    return np.asarray(response(both, segment, first, stop) @ amplitude)


_COARSE = 32
_NEAR = 192


def sound_everywhere(s: ComplexArray, c: ComplexArray, segment: Segment) -> ComplexArray:
    """`sound_of` at all bins, fast: the far flanks are smooth and are interpolated.

    Every partial is exact within 192 bins of its peak; beyond, straight lines between every 32nd
    bin are within −90 dB of the peak.
    """
    count = len(segment.bins)
    if len(s) == 0:
        return np.zeros(count, dtype=np.complex128)
    phasors = bin_phasors(segment.count)
    coarse = np.append(np.arange(0, count - 1, _COARSE), count - 1)
    both, amplitude = np.concatenate([s, s.conj()]), np.concatenate([c, c.conj()])
    gain = amplitude * (1.0 - np.exp(both * segment.duration_s))
    turn = np.exp(both / segment.sample_rate_hz)
    each = gain / (1.0 - turn * phasors[coarse, None])
    every = np.arange(count)
    total = each.sum(axis=1)
    result = np.interp(every, coarse, total.real) + 1j * np.interp(every, coarse, total.imag)
    for index in range(len(s)):
        centre = round(float(s[index].imag) / (2 * np.pi * segment.step_hz))
        first = max(0, (centre - _NEAR) // _COARSE)
        stop = min(len(coarse) - 1, (centre + _NEAR) // _COARSE + 1)
        if stop <= first:
            continue
        low, high = int(coarse[first]), int(coarse[stop])
        nodes, line = coarse[first : stop + 1], each[first : stop + 1, index]
        bins = every[low : high + 1]
        rough = np.interp(bins, nodes, line.real) + 1j * np.interp(bins, nodes, line.imag)
        result[low : high + 1] += gain[index] / (1.0 - turn[index] * phasors[bins]) - rough
    return np.asarray(result)


@dataclass(frozen=True)
class GroupFit:
    """Neighbouring partials fitted together.

    s (k,) in 1/s and c (k,) half the real amplitude, at the start of the segment; sd_s (k,) of
    the real and of the imaginary part of s, each; noise: mean square of the residual per bin.
    """

    s: ComplexArray
    c: ComplexArray
    sd_s: FloatArray
    sd_c: FloatArray
    noise: float


def fit_group(
    y: ComplexArray, s: ComplexArray, segment: Segment, first: int, rounds: int = 6
) -> GroupFit:
    """Fit len(s) partials to y, the bins from `first` on, from which all else was subtracted."""
    stop = first + len(y)
    count = len(s)
    floor = 0.05 / segment.duration_s  # slowest decay a segment can tell, as 1/s
    ridge = _identity(2 * count) * 1e-12
    # the images at negative frequency are far off and hardly change while s settles
    image = response(s.conj(), segment, first, stop)
    best = np.inf
    c = np.zeros(count, dtype=np.complex128)
    trial, s_best, c_best = s, s, c
    step = np.zeros(2 * count, dtype=np.complex128)
    variance = np.zeros(2 * count)
    solve_first = True
    for _ in range(rounds):
        value, slope = response_and_slope(trial, segment, first, stop)
        if solve_first:
            c = _amplitudes(value, y - image @ c.conj())
            solve_first = False
        rest = y - value @ c - image @ c.conj()
        error = float(np.vdot(rest, rest).real)
        if error > best * 1.0000001:
            step = step * 0.3
            trial, c = _damped(s_best + step[count:], floor), c_best + step[:count]
            continue
        gain = 1.0 - error / best if np.isfinite(best) else 1.0
        best, s_best, c_best = error, trial, c
        jacobian = np.concatenate([value, slope * c], axis=1)
        turned = jacobian.conj().T
        normal = turned @ jacobian
        scale = np.sqrt(normal.diagonal().real) + 1e-300
        covariance = np.linalg.inv(normal / (scale[:, None] * scale) + ridge)
        variance = np.abs(covariance.diagonal()) / scale**2
        if gain < 1e-4:
            break
        step = (covariance @ ((turned @ rest) / scale)) / scale
        limit = 2.0 * np.maximum(-trial.real, np.pi / segment.duration_s)
        size = np.abs(step[count:])
        if np.any(size > limit):
            step[count:] *= np.minimum(1.0, limit / size)
            solve_first = True
        trial, c = _damped(trial + step[count:], floor), c + step[:count]
    noise = best / max(1, len(y) - 2 * count)
    spread = np.sqrt(0.5 * noise * variance)
    return GroupFit(s_best, c_best, spread[count:], spread[:count], noise)


def _amplitudes(value: ComplexArray, y: ComplexArray) -> ComplexArray:
    """Least-squares c of y ≈ value·c."""
    turned = value.conj().T
    normal = turned @ value
    scale = np.sqrt(normal.diagonal().real) + 1e-300
    normal = normal / (scale[:, None] * scale) + 1e-11 * _identity(len(scale))
    return np.asarray(np.linalg.solve(normal, (turned @ y) / scale) / scale)


@lru_cache(maxsize=16)
def _identity(size: int) -> FloatArray:
    identity = np.eye(size)
    identity.flags.writeable = False
    return identity


def _damped(s: ComplexArray, floor: float) -> ComplexArray:
    """Keep every pole decaying."""
    return np.asarray(np.minimum(s.real, -floor) + 1j * s.imag)
