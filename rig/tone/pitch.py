"""The one pitch that a musician would name for a strike.

The stated rule, in this order:

1. Partials nearer to each other than a third of an ERB are heard as one beating or rough tone.
   Its strength is its loudness over the first half second, intensity to the power 0.3 (Stevens),
   so that a soft long ring outweighs a loud click; its pitch is the mean of those within 1 %
   of the strongest of them, weighted by their spectral peaks (amplitude × decay time, squared).
2. A tone needs five periods to be heard as a pitch (decay time × frequency ≥ 1.6, five periods
   to −27 dB); shorter ones are clicks.
3. Strength is weighted by how well the ear reads pitch at that frequency: Terhardt, Stoll &
   Seewann's dominance factor [1 + 0.07·(f/700 − 700/f)²]^−½ (J. Acoust. Soc. Am. 71 (1982) 679),
   cubed.
4. The pitch is the lowest tone within 12 dB of the strongest (weighted): bars, bells and tongues
   are named by their lowest mode even where an upper one is the louder.
5. There is no single pitch when the tone dies away in fewer than 25 periods to −27 dB (decay
   time × frequency < 8), nor when another tone less than 2.3 times as high, and not its octave,
   rings at least a quarter as long and is within 9 dB of the one found: two modes of like height
   and strength compete; nor when three or more tones, not multiples of the one found, are within
   6 dB of a short one (decay time × frequency < 60), wherever they lie: a clatter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.model.units import FloatArray
from rig.tone.erb import erb_hz
from rig.tone.ring import Partial

_ONE_TONE_ERB = 1.0 / 3.0
_MEAN_WITHIN = 0.01
_LEAST_PERIODS = 1.6
_WITHIN_DB = 12.0
_COMPETES_DB = 9.0
_COMPETES_RATIO = 2.3
_CLEAR_PERIODS = 8.0
_LONG_PERIODS = 60.0
_CLATTER = 3
_CLATTER_DB = 6.0
_COMPETES_DECAY = 0.25
_LOUDNESS_EXPONENT = 0.3
_TIME_S = (np.arange(50) + 0.5) * 0.01  # half a second
_OCTAVE_WITHIN = 0.02


@dataclass(frozen=True)
class HeardTone:
    """Partials that are heard as one: pitch, its standard deviation, weighted strength in dB."""

    hz: float
    sd_hz: float
    strength_db: float
    decay_s: float


@dataclass(frozen=True)
class Pitch:
    """The pitch and its standard deviation, or None and the reason.

    competing: whether the reason is that there are several.
    """

    hz: float | None
    sd_hz: float | None
    reason: str
    competing: bool = False


def dominance_db(hz: float) -> float:
    """How well the ear reads a pitch at this frequency, in dB; 0 at 700 Hz."""
    return -15.0 * math.log10(1.0 + 0.07 * (hz / 700.0 - 700.0 / hz) ** 2)


def _intensities(partials: Sequence[Partial]) -> FloatArray:
    """Intensity of every partial over the first half second; (partials, 50)."""
    square = np.array([p.amplitude for p in partials]) ** 2
    rate = 2.0 / np.array([p.decay_s for p in partials])
    return np.asarray(square[:, None] * np.exp(-rate[:, None] * _TIME_S))


def _loudness_db(intensity: FloatArray) -> float:
    """Loudness over the first half second, as the level of a steady tone that sounds as loud."""
    mean = float((intensity**_LOUDNESS_EXPONENT).mean())
    return 10.0 / _LOUDNESS_EXPONENT * math.log10(mean + 1e-12)


def heard_tones(partials: Sequence[Partial]) -> list[HeardTone]:
    """Join partials into tones as the ear does; by frequency."""
    left = [p for p in partials if p.decay_s * p.hz >= _LEAST_PERIODS]
    if not left:
        return []
    left.sort(key=lambda p: p.energy, reverse=True)
    intensity = _intensities(left)
    weights = [p.energy * p.decay_s for p in left]
    free = list(range(len(left)))
    tones: list[HeardTone] = []
    while free:
        chief = left[free[0]]
        radius = _ONE_TONE_ERB * float(erb_hz(chief.hz))
        near = [i for i in free if abs(left[i].hz - chief.hz) <= radius]
        free = [i for i in free if i not in near]
        close = [i for i in near if abs(left[i].hz / chief.hz - 1.0) <= _MEAN_WITHIN]
        total = sum(weights[i] for i in close)
        hz = sum(weights[i] * left[i].hz for i in close) / total
        spread = sum(weights[i] * (left[i].hz - hz) ** 2 for i in close) / total
        doubt = sum((weights[i] * left[i].sd_hz) ** 2 for i in close) / total**2
        strength = _loudness_db(intensity[near].sum(axis=0)) + dominance_db(hz)
        tones.append(HeardTone(hz, math.sqrt(doubt + 0.01 * spread), strength, chief.decay_s))
    tones.sort(key=lambda t: t.hz)
    return tones


def pitch_of(partials: Sequence[Partial]) -> Pitch:
    """Apply the rule above to the partials of one strike."""
    tones = heard_tones(partials)
    if not tones:
        return Pitch(None, None, "Nothing rings long enough to have a pitch.")
    strongest = max(t.strength_db for t in tones)
    found = next(t for t in tones if t.strength_db >= strongest - _WITHIN_DB)
    rivals = [
        t
        for t in tones
        if t.hz > found.hz
        and t.hz < _COMPETES_RATIO * found.hz
        and abs(t.hz / found.hz - 2.0) > 2.0 * _OCTAVE_WITHIN
        and t.decay_s >= _COMPETES_DECAY * found.decay_s
        and t.strength_db >= found.strength_db - _COMPETES_DB
    ]
    if not rivals and found.decay_s * found.hz < _CLEAR_PERIODS:
        return Pitch(None, None, f"The tone at {found.hz:.0f} Hz dies away within a few periods.")
    if not rivals and found.decay_s * found.hz < _LONG_PERIODS:
        others = [
            t
            for t in tones
            if t is not found
            and t.strength_db >= found.strength_db - _CLATTER_DB
            and abs(t.hz / found.hz - round(t.hz / found.hz)) > _OCTAVE_WITHIN
        ]
        rivals = others if len(others) >= _CLATTER else []
    if rivals:
        names = ", ".join(f"{t.hz:.0f}" for t in [found, *rivals[:3]])
        return Pitch(None, None, f"Several pitches compete: {names} Hz.", True)
    return Pitch(found.hz, found.sd_hz, "")
