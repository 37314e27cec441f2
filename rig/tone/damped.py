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
    best: tuple[float, ComplexArray, ComplexArray] | None = None
    step = np.zeros(count, dtype=np.complex128)
    trial = s
    covariance = np.eye(2 * count)
    for _ in range(rounds):
        value, slope = response_and_slope(trial, segment, first, stop)
        image = response(trial.conj(), segment, first, stop)
        c = _amplitudes(value, image, y)
        rest = y - value @ c - image @ c.conj()
        error = float(np.vdot(rest, rest).real)
        if best is not None and error > best[0] * 1.0000001:
            step = step * 0.3
            trial = best[1] + step
            continue
        gain = 1.0 if best is None else 1.0 - error / max(best[0], 1e-300)
        best = (error, trial, c)
        jacobian = np.concatenate([value, slope * c], axis=1)
        scale = np.sqrt(np.sum(np.abs(jacobian) ** 2, axis=0)) + 1e-300
        jacobian /= scale
        normal = jacobian.conj().T @ jacobian + 1e-12 * np.eye(2 * count)
        covariance = np.linalg.inv(normal)
        step = (covariance @ (jacobian.conj().T @ rest) / scale)[count:]
        covariance = np.abs(np.diag(covariance)).real / scale**2
        limit = 2.0 * np.maximum(-trial.real, np.pi / segment.duration_s)
        step = step * np.minimum(1.0, limit / (np.abs(step) + 1e-300))
        if gain < 1e-7:
            break
        trial = trial + step
        trial = np.minimum(trial.real, -floor) + 1j * trial.imag
    assert best is not None
    error, s_best, c_best = best
    noise = error / max(1, len(y) - 2 * count)
    spread = np.sqrt(0.5 * noise * covariance) if covariance.ndim == 1 else np.zeros(2 * count)
    return GroupFit(s_best, c_best, spread[count:], spread[:count], noise)


def _amplitudes(value: ComplexArray, image: ComplexArray, y: ComplexArray) -> ComplexArray:
    """Least-squares c of y ≈ value·c + image·c*, by real and imaginary parts."""
    plus, minus = value + image, value - image
    a = np.concatenate(
        [
            np.concatenate([plus.real, -minus.imag], axis=1),
            np.concatenate([plus.imag, minus.real], axis=1),
        ]
    )
    b = np.concatenate([y.real, y.imag])
    normal = a.T @ a
    normal[np.diag_indices_from(normal)] *= 1.0 + 1e-10
    both = np.linalg.solve(normal, a.T @ b)
    count = value.shape[1]
    return np.asarray(both[:count] + 1j * both[count:])
