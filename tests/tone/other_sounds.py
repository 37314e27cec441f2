"""Sounds that nobody struck: voices, held notes, chords, melodies, hum, noise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from tone_sounds import RATE_HZ

# first three formants of vowels, Hz: Peterson & Barney, J. Acoust. Soc. Am. 24 (1952) 175, men
VOWELS_HZ = (
    (730, 1090, 2440),
    (270, 2290, 3010),
    (300, 870, 2240),
    (530, 1840, 2480),
    (570, 840, 2410),
)


def _resonance(x: np.ndarray, hz: float, width_hz: float) -> np.ndarray:
    size = 1 << int(np.ceil(np.log2(2 * len(x))))
    f = np.fft.rfftfreq(size, 1 / RATE_HZ)
    gain = hz**2 / (hz**2 - f**2 + 1j * f * width_hz)
    return np.fft.irfft(np.fft.rfft(x, size) * gain, size)[: len(x)]


def _vowel(pitch_hz: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Glottal pulses of a moving pitch through three formants."""
    part = np.cumsum(pitch_hz / RATE_HZ) % 1.0
    opening = 0.5 * (1.0 - np.cos(np.pi * part / 0.6))
    closing = np.cos(0.5 * np.pi * (part - 0.6) / 0.2)
    flow = np.where(part < 0.6, opening, np.where(part < 0.8, closing, 0.0))
    x = np.diff(flow, prepend=0.0) + 0.002 * rng.normal(size=len(flow))
    for hz, width_hz in zip(VOWELS_HZ[rng.integers(5)], (60.0, 90.0, 120.0), strict=True):
        x = _resonance(x, hz * rng.uniform(0.9, 1.1), width_hz)
    return x / np.abs(x).max()


def voice(seed: int) -> np.ndarray:
    """A few syllables, some with a hiss or a sudden start, 0.3 to 1.5 s."""
    rng = np.random.default_rng(seed)
    parts = [np.zeros(int(rng.uniform(0.02, 0.15) * RATE_HZ))]
    base_hz = rng.choice([110.0, 210.0]) * rng.uniform(0.8, 1.25)
    for _ in range(rng.integers(1, 5)):
        count = int(rng.uniform(0.1, 0.35) * RATE_HZ)
        t = np.arange(count) / count
        bend = 1.0 + rng.uniform(-0.25, 0.25) * t + rng.uniform(-0.1, 0.1)
        start = rng.choice([0.01, 0.12])
        swell = np.minimum(1.0, np.minimum(t / start, (1.0 - t) / 0.2))
        if rng.random() < 0.5:
            hiss = np.diff(rng.normal(size=int(rng.uniform(0.03, 0.12) * RATE_HZ)), prepend=0.0)
            parts.append(0.2 * hiss * np.hanning(len(hiss)))
        parts.append(rng.uniform(0.4, 1.0) * _vowel(base_hz * bend, rng) * swell)
        if rng.random() < 0.5:
            parts.append(np.zeros(int(rng.uniform(0.02, 0.12) * RATE_HZ)))
    return _with_hiss(np.concatenate(parts), rng)


def _note(hz: float, count: int, kind: str, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(count) / RATE_HZ
    depth = {"bowed": rng.uniform(0.002, 0.01), "pipe": 0.0, "blown": rng.uniform(0.0, 0.006)}[kind]
    vibrato = 1.0 + depth * np.sin(2 * np.pi * rng.uniform(4.0, 7.0) * t + rng.uniform(0.0, 6.0))
    turn = 2 * np.pi * np.cumsum(hz * vibrato) / RATE_HZ
    orders = {"bowed": range(1, 12), "pipe": (1, 2, 3, 4, 6), "blown": (1, 2, 3)}[kind]
    power = 2.0 if kind == "blown" else 1.0
    x = sum(np.sin(k * turn + rng.uniform(0.0, 6.0)) / k**power for k in orders)
    rise = t / rng.uniform(0.003, 0.15)
    fall = (t[-1] - t) / rng.uniform(0.02, 0.15)
    return np.asarray(x * np.minimum(1.0, np.minimum(rise, fall)))


def held_note(seed: int) -> np.ndarray:
    """One bowed, piped or blown note, 0.4 to 1.2 s, after a short silence."""
    rng = np.random.default_rng(seed + 1000)
    count = int(rng.uniform(0.4, 1.2) * RATE_HZ)
    kind = str(rng.choice(["bowed", "pipe", "blown"]))
    note = _note(rng.uniform(80.0, 2000.0), count, kind, rng)
    lead = np.zeros(int(rng.choice([0.05, 0.1]) * RATE_HZ))
    return _with_hiss(np.concatenate([lead, note]), rng)


def melody(seed: int) -> np.ndarray:
    """Notes or chords one after the other, 0.5 to 1.5 s."""
    rng = np.random.default_rng(seed + 2000)
    length, start = int(rng.uniform(0.5, 1.5) * RATE_HZ), int(rng.uniform(0.0, 0.15) * RATE_HZ)
    kind = str(rng.choice(["bowed", "pipe", "blown"]))
    x = np.zeros(length)
    while start < length - 4000:
        count = min(int(rng.uniform(0.12, 1.2) * RATE_HZ), length - start)
        root_hz = 110.0 * 2.0 ** (rng.integers(0, 30) / 12.0)
        for semitones in ((0,), (0, 4, 7), (0, 3, 7, 10))[rng.integers(3)]:
            note = _note(root_hz * 2.0 ** (semitones / 12.0), count, kind, rng)
            x[start : start + count] += note
        start += count
    return _with_hiss(x, rng)


def hum(seed: int) -> np.ndarray:
    """Mains hum with a dozen harmonics, and hiss."""
    rng = np.random.default_rng(seed + 3000)
    t = np.arange(int(rng.uniform(0.3, 1.2) * RATE_HZ)) / RATE_HZ
    hz = rng.choice([50.0, 60.0]) * rng.uniform(0.998, 1.002)
    orders = range(1, rng.integers(2, 14))
    x = sum(
        rng.uniform() / k * np.sin(2 * np.pi * hz * k * t + rng.uniform(0.0, 6.0)) for k in orders
    )
    return rng.uniform(0.05, 0.5) * np.asarray(x) + rng.uniform(1e-5, 1e-2) * rng.normal(
        size=len(t)
    )


def _with_hiss(x: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    hiss = rng.uniform(1e-5, 3e-3) * rng.normal(size=len(x))
    return np.asarray(0.5 * x / np.abs(x).max() + hiss)


NOT_STRUCK: dict[str, Callable[[int], np.ndarray]] = {
    "voice": voice,
    "held note": held_note,
    "melody": melody,
    "hum": hum,
}
