"""Pitch and level conversions.

Cents and equal temperament: 1200 cents to the octave, A4 = 440 Hz (ISO 16:1975).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

A4_HZ = 440.0
_NOTE_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def cents_between(hz: ArrayLike, reference_hz: ArrayLike) -> FloatArray:
    """Return 1200·log2(hz / reference_hz); positive where `hz` is higher."""
    return np.asarray(1200.0 * np.log2(np.asarray(hz) / np.asarray(reference_hz)), dtype=np.float64)


def raised_by_cents(hz: ArrayLike, cents: ArrayLike) -> FloatArray:
    """Return the frequency that lies `cents` above `hz`."""
    return np.asarray(np.asarray(hz) * 2.0 ** (np.asarray(cents) / 1200.0), dtype=np.float64)


def nearest_note(hz: float) -> tuple[str, float]:
    """Return the nearest equal-tempered note and the deviation from it in cents."""
    midi = 69.0 + 12.0 * float(np.log2(hz / A4_HZ))
    nearest = round(midi)
    return f"{_NOTE_NAMES[nearest % 12]}{nearest // 12 - 1}", 100.0 * (midi - nearest)


def decibels(ratio: ArrayLike) -> FloatArray:
    """Return 20·lg of an amplitude ratio."""
    return np.asarray(20.0 * np.log10(np.asarray(ratio)), dtype=np.float64)
