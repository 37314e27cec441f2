"""What the microphone hears besides the plate: the room, the mains and the tapper's own clack.

Room noise and hum are functions of the absolute sample number, so that a stream read in blocks
of any size, in any order, is one and the same continuous sound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.virtual.tapping import SOUND_RATE_HZ

_TAPS = 1024
_FFT = 16_384
_CHUNK = _FFT - _TAPS  # new samples a chunk brings; the taps reach back into the chunk before
_Chunk = NDArray[np.float32]
_KEPT = 16  # chunks: readers move onwards


@dataclass(frozen=True)
class NoiseSpec:
    """Levels: rms in Pa at the microphone and in N at the pickup; of the hum its fundamental.

    clack_pa: peak of the solenoid's own noise at the microphone; clack_lead_s: how long before the
    contact it sounds (the plunger starting), clack_n: what of it the pickup feels.
    """

    room_pa: float = 0.008
    hum_pa: float = 0.0025
    hum_hz: float = 50.0
    pickup_n: float = 0.004
    clack_pa: float = 0.05
    clack_lead_s: float = 0.0075
    clack_n: float = 0.02


class SteadyNoise:
    """Coloured Gaussian noise by absolute sample number.

    rms: in the unit of the channel. slope_db: fall per octave above corner_hz.
    """

    def __init__(
        self, rms: float, seed: tuple[int, ...], *, slope_db: float = 4.5, corner_hz: float = 120.0
    ) -> None:
        self._seed = seed
        hz = np.fft.rfftfreq(_TAPS, 1.0 / SOUND_RATE_HZ)
        gain = 1.0 / (1.0 + (hz / corner_hz) ** 2) ** (slope_db / 12.04) + 0.004
        gain[0] = 0.0
        taps = np.roll(np.fft.irfft(gain), _TAPS // 2) * np.hanning(_TAPS)
        taps *= rms / np.sqrt(np.sum(taps**2))
        self._spectrum = np.fft.rfft(taps, _FFT).astype(np.complex64)  # plenty for noise
        self._whites: dict[int, _Chunk] = {}
        self._ready: dict[int, _Chunk] = {}

    def samples(self, first: int, count: int) -> FloatArray:
        """The noise from sample `first` on, (count,)."""
        chunks = range(first // _CHUNK, (first + count - 1) // _CHUNK + 1) if count else range(0)
        if not chunks:
            return np.zeros(0)
        parts = [self._chunk(number) for number in chunks]
        whole = parts[0] if len(parts) == 1 else np.concatenate(parts)
        start = first - chunks[0] * _CHUNK
        return whole[start : start + count].astype(np.float64)

    def _chunk(self, number: int) -> _Chunk:
        """Filtered by overlap and save: what wraps round falls on the taps left out."""
        if number not in self._ready:
            white = np.concatenate([self._white(number - 1)[-_TAPS:], self._white(number)])
            filtered = np.fft.irfft(np.fft.rfft(white) * self._spectrum, _FFT)
            _keep(self._ready, number, filtered[_TAPS:].astype(np.float32))
        return self._ready[number]

    def _white(self, number: int) -> _Chunk:
        if number not in self._whites:
            rng = np.random.default_rng((*self._seed, number + 2**20))
            _keep(self._whites, number, rng.standard_normal(_CHUNK, dtype=np.float32))
        return self._whites[number]


def _keep(chunks: dict[int, _Chunk], number: int, chunk: _Chunk) -> None:
    """Store a chunk; the one stored first makes room."""
    if len(chunks) >= _KEPT:
        chunks.pop(next(iter(chunks)))
    chunks[number] = chunk


def room_noise(spec: NoiseSpec, seed: int) -> SteadyNoise:
    """Room noise at the microphone, Pa: falling 4.5 dB per octave above 120 Hz."""
    return SteadyNoise(spec.room_pa, (seed, 11))


def pickup_noise(spec: NoiseSpec, seed: int) -> SteadyNoise:
    """Noise of the pickup and its amplifier, N: nearly white."""
    return SteadyNoise(spec.pickup_n, (seed, 12), slope_db=0.5, corner_hz=1000.0)


def hum(spec: NoiseSpec, first: int, count: int) -> FloatArray:
    """Mains hum at the microphone, (count,) Pa: the fundamental and seven harmonics."""
    period = _hum_period(spec.hum_pa, spec.hum_hz)
    start = first % len(period)
    return np.resize(np.roll(period, -start), count) if count else np.zeros(0)


@lru_cache(maxsize=4)
def _hum_period(hum_pa: float, hum_hz: float) -> FloatArray:
    """The whole number of samples after which the hum begins again; hum_hz counts to 0.1 Hz."""
    tenths = max(1, round(10.0 * hum_hz))
    samples = 10 * SOUND_RATE_HZ // math.gcd(10 * SOUND_RATE_HZ, tenths)
    phase = 2.0 * np.pi * (0.1 * tenths) * np.arange(samples) / SOUND_RATE_HZ
    strengths = (1.0, 0.6, 0.45, 0.2, 0.22, 0.08, 0.1, 0.05)
    total = np.zeros(samples)
    for number, strength in enumerate(strengths, start=1):
        total += strength * np.sin(number * phase + 0.9 * number**2)
    return np.asarray(hum_pa * total)


def clack(spec: NoiseSpec, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Noise of the solenoid: (microphone in Pa, pickup in N), 8 ms long at the sound rate.

    It begins `clack_lead_s` before the contact. Three short resonances of the frame, a little
    different every time.
    """
    time = np.arange(int(0.008 * SOUND_RATE_HZ)) / SOUND_RATE_HZ
    sound = np.zeros(len(time))
    for hz, decay_s, level in ((780.0, 1.6e-3, 0.7), (2150.0, 0.9e-3, 1.0), (5200.0, 0.4e-3, 0.5)):
        detuned = hz * (1.0 + 0.01 * rng.standard_normal())
        strength = level * (1.0 + 0.1 * rng.standard_normal())
        sound += strength * np.sin(2.0 * np.pi * detuned * time) * np.exp(-time / decay_s)
    sound *= (1.0 - np.exp(-time / 1e-4)) * np.minimum(1.0, (time[-1] - time) / 1e-3)
    sound /= np.max(np.abs(sound))
    return spec.clack_pa * sound, spec.clack_n * sound
