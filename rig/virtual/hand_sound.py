"""The sound of a virtual hand: scratching whose noise follows the plate, knocks, thumps, a room."""

from __future__ import annotations

import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.virtual.hand_stroke import HandMotion

RATE_HZ = 44_100
MIDDLE_HZ = 2600.0  # noise of a nail over wood of the middle tone at the usual speed
_USUAL_MM_S = 110.0
_WINDOW = 1024
_HOP = 256
_OCTAVES = 0.45  # half width of the noise
_FULL_SCALE = 2**15


def scratch_sound(
    motion: HandMotion,
    tone_cents: Callable[[FloatArray], FloatArray],
    rng: np.random.Generator,
    *,
    begin_s: float = 0.0,
    rate: float = 1.0,
    stroke_cents: float = 35.0,
    speed_exponent: float = 0.10,
    noise: float = 1.0,
    thumps: int = 3,
) -> NDArray[np.int16]:
    """Record the hand; (n,) 16-bit samples at 44.1 kHz.

    tone_cents: the plate's true tone at (n, 2) places. begin_s: moment of the motion at which the
    recorder is started; rate: seconds of motion per second of its clock. stroke_cents: how much
    strokes differ by the hand alone. speed_exponent: of the noise's frequency on the speed.
    """
    time = motion.time_s
    last = (time[-1] - begin_s) / rate
    count = int(last * RATE_HZ)
    frames = (count - _WINDOW) // _HOP
    middle = begin_s + rate * (np.arange(frames) * _HOP + _WINDOW / 2) / RATE_HZ
    place = np.column_stack([np.interp(middle, time, motion.place_mm[:, k]) for k in (0, 1)])
    speed = np.interp(middle, time, motion.speed_mm_s)
    touching = np.interp(middle, time, motion.touching.astype(np.float64))
    line = motion.stroke[np.clip(np.searchsorted(time, middle), 0, len(time) - 1)]
    own = rng.normal(0.0, stroke_cents, int(motion.stroke.max(initial=0)) + 1)
    cents = np.asarray(tone_cents(place)) + np.where(line >= 0, own[np.maximum(line, 0)], 0.0)
    pace = np.maximum(speed, 5.0) / _USUAL_MM_S
    hz = MIDDLE_HZ * 2.0 ** (cents / 1200.0) * pace**speed_exponent
    level = 0.06 * touching * np.minimum(pace, 3.0) ** 0.8
    press = np.exp(0.3 * np.interp(middle, time[::250], rng.standard_normal(len(time[::250]))))
    sound = np.zeros(count)
    bins = np.fft.rfftfreq(_WINDOW, 1.0 / RATE_HZ)
    octave = np.log2(np.maximum(bins, 20.0))
    window = np.sin(np.pi * (np.arange(_WINDOW) + 0.5) / _WINDOW) ** 2
    for k in np.flatnonzero(level > 1e-4):
        shape = np.exp(-0.5 * ((octave - np.log2(hz[k])) / _OCTAVES) ** 2) + 0.02
        spectrum = shape * (rng.standard_normal(len(bins)) + 1j * rng.standard_normal(len(bins)))
        grain = np.fft.irfft(spectrum, _WINDOW)
        grain *= level[k] * press[k] / max(float(np.std(grain)), 1e-12)
        sound[k * _HOP : k * _HOP + _WINDOW] += 0.6 * window * grain
    for knock_s in motion.knocks_s:
        _add(sound, (knock_s - begin_s) / rate, _knock(rng))
    for at in rng.uniform(0.1, 0.9, thumps):
        _add(sound, at * last, _thump(rng))
    hiss = rng.standard_normal(count)
    sound += noise * (4e-4 * hiss + 6e-4 * np.sin(2.0 * np.pi * 50.0 * np.arange(count) / RATE_HZ))
    return np.round(np.clip(sound, -0.999, 0.999) * _FULL_SCALE).astype(np.int16)


def write_wav(path: Path, samples: NDArray[np.int16], rate_hz: int = RATE_HZ) -> Path:
    """Write one channel of 16 bits."""
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(samples.astype("<i2").tobytes())
    return path


def _knock(rng: np.random.Generator) -> FloatArray:
    """A fingernail or tool knocked on the plate: a few partials, gone within 0.15 s."""
    time = np.arange(int(0.15 * RATE_HZ)) / RATE_HZ
    sound = np.zeros(len(time))
    for hz, decay_s, level in ((340.0, 0.03, 0.8), (760.0, 0.02, 0.7), (1650.0, 0.012, 0.6),
                               (3900.0, 0.004, 0.5)):  # fmt: skip
        phase = rng.uniform(0.0, 2.0 * np.pi)
        sound += level * np.exp(-time / decay_s) * np.sin(2.0 * np.pi * hz * time + phase)
    return np.asarray(0.35 * sound)


def _thump(rng: np.random.Generator) -> FloatArray:
    """The heel of the hand on the table."""
    time = np.arange(int(0.2 * RATE_HZ)) / RATE_HZ
    hz = rng.uniform(90.0, 180.0)
    return np.asarray(0.12 * np.exp(-time / 0.04) * np.sin(2.0 * np.pi * hz * time))


def _add(sound: FloatArray, at_s: float, piece: FloatArray) -> None:
    first = round(at_s * RATE_HZ)
    if 0 <= first < len(sound):
        stop = min(first + len(piece), len(sound))
        sound[first:stop] += piece[: stop - first]
