"""Windowed spectra of the plate's free vibration, as every tap sees it.

By reciprocity the sound at the fixed microphone after a blow at x is what the plate would do at x
if it were driven from the microphone. After the driving sound has swept over the plate (t > t0)
that movement is free, K u + D u' + M u'' = 0, for every window that starts later and without
leakage error, as long as u and u'' are windowed alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.inversion_data import TapResponses
from rig.model.units import FloatArray

ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class Band:
    """Bins from low to high Hz; the window rises over 0.8 ms and falls as e^(−t/tau)."""

    low_hz: float
    high_hz: float
    step_hz: float
    tau_s: float


BANDS = (
    Band(250.0, 2400.0, 18.0, 16e-3),
    Band(2400.0, 5000.0, 40.0, 7e-3),
    Band(5000.0, 7000.0, 60.0, 5e-3),
)
_RISE_S = 0.8e-3


@dataclass(frozen=True)
class GatedSpectra:
    """Spectra of u, its 90°-shifted copy and u'' at the taps: each (taps, bins).

    band (bins,): which band a bin belongs to; place (bins,): 0…1 within its band;
    spread2, spread4 (bins,): second and fourth moment of the window's spectrum, (rad/s)^2, ^4.
    """

    frequency_hz: FloatArray
    u: ComplexArray
    shifted: ComplexArray
    acceleration: ComplexArray
    band: NDArray[np.intp]
    place: FloatArray
    spread2: FloatArray
    spread4: FloatArray

    @property
    def omega(self) -> FloatArray:
        """Angular frequency of the bins."""
        return np.asarray(2.0 * np.pi * self.frequency_hz)

    def scaled(self, factor: ComplexArray) -> GatedSpectra:
        """Multiply tap i at bin f by factor[i, f]."""
        return GatedSpectra(
            self.frequency_hz,
            self.u * factor,
            self.shifted * factor,
            self.acceleration * factor,
            self.band,
            self.place,
            self.spread2,
            self.spread4,
        )


def gate(
    data: TapResponses, start_s: float, top_hz: float, bands: tuple[Band, ...] = BANDS
) -> GatedSpectra:
    """Window every tap's response from start_s on and take the bins of all bands below top_hz."""
    frequency = np.asarray(np.fft.rfftfreq(data.length, 1.0 / data.rate_hz), dtype=np.float64)
    omega = 2.0 * np.pi * frequency
    taper = band_limits(frequency, data.top_hz)
    u = np.fft.irfft(data.spectrum * taper, data.length)
    shifted = np.fft.irfft(1j * data.spectrum * taper, data.length)
    acceleration = np.fft.irfft(-(omega**2) * data.spectrum * taper, data.length)
    parts = []
    for number, band in enumerate(bands):
        bins = np.arange(band.low_hz, min(band.high_hz, top_hz), band.step_hz)
        if not len(bins):
            continue
        first = int(np.ceil(start_s * data.rate_hz))
        last = min(data.last_sample, first + int(6.0 * band.tau_s * data.rate_hz))
        t = np.arange(first, last) / data.rate_hz - start_s
        window = np.exp(-t / band.tau_s)
        window *= np.where(t < _RISE_S, np.sin(0.5 * np.pi * np.minimum(t / _RISE_S, 1)) ** 2, 1.0)
        end = t[-1] - t
        window *= np.where(end < 2e-3, np.sin(0.25e3 * np.pi * np.minimum(end, 2e-3)) ** 2, 1.0)
        turn = np.exp(-2j * np.pi * np.outer(t + start_s, bins)) * window[:, None] / data.rate_hz
        basis = np.hstack([turn.real, turn.imag])
        spectra = []
        for signal in (u, shifted, acceleration):
            both = signal[:, first:last] @ basis
            spectra.append(both[:, : len(bins)] + 1j * both[:, len(bins) :])
        second, fourth = _window_moments(window, data.rate_hz)
        span = max(min(band.high_hz, top_hz) - band.low_hz, band.step_hz)
        parts.append((bins, spectra, number, (bins - band.low_hz) / span, second, fourth))
    counts = [len(p[0]) for p in parts]
    return GatedSpectra(
        frequency_hz=np.concatenate([p[0] for p in parts]),
        u=np.hstack([p[1][0] for p in parts]),
        shifted=np.hstack([p[1][1] for p in parts]),
        acceleration=np.hstack([p[1][2] for p in parts]),
        band=np.repeat([p[2] for p in parts], counts),
        place=np.concatenate([p[3] for p in parts]),
        spread2=np.repeat([p[4] for p in parts], counts),
        spread4=np.repeat([p[5] for p in parts], counts),
    )


def band_limits(frequency_hz: FloatArray, top_hz: float) -> FloatArray:
    """Smooth limits: 60-150 Hz upwards, 0.8-1 × top_hz downwards."""

    def rise(x: FloatArray) -> FloatArray:
        return np.asarray(np.sin(0.5 * np.pi * np.clip(x, 0.0, 1.0)) ** 2)

    up = rise((frequency_hz - 60.0) / 90.0)
    return up * rise((top_hz - frequency_hz) / (0.2 * top_hz))


def _window_moments(window: FloatArray, rate_hz: float) -> tuple[float, float]:
    """Second and fourth moment of |window spectrum|² within 1.5 kHz, in powers of rad/s."""
    size = 1 << int(np.ceil(np.log2(len(window) * 4)))
    power = np.abs(np.fft.fft(window, size)) ** 2
    omega = 2.0 * np.pi * np.fft.fftfreq(size, 1.0 / rate_hz)
    power = np.where(np.abs(omega) < 2.0 * np.pi * 1500.0, power, 0.0)
    power /= power.sum()
    return float(np.sum(power * omega**2)), float(np.sum(power * omega**4))
