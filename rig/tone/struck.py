"""Whether a sound was struck at all: voices, music, hum and held notes are not.

What is struck sounds at its strongest at once and from then on dies away: the level, drawn in dB,
falls fast at first and ever more slowly, since the fast partials die first. A held sound does the
reverse: it stays, and falls when it is let go. And it is a sum of partials that all decay from
one moment, which a voice or a melody is not, however well single notes of it may be fitted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.units import FloatArray
from rig.tone.envelope import FRAME_S, ahead
from rig.tone.ring import Partial, RingFit

_LEAST_EXPLAINED = 0.5
_WELL_EXPLAINED = 0.6
_PURE = 0.97
_STEADY_DB = -6.0
_LASTING_DB = -15.0
_HELD_S = 4.0
_SHORTEST_FRAMES = 60
_RANGE_DB = 30.0
_ABOVE_NOISE = 4.0  # power
_BULGE = 0.15  # of the fall
_BULGE_DB = 2.0
_SMALL_FALL_DB = 12.0
_JUDGED_S = 0.35
_CHORD_S = 0.4
_CHORD_DB_S = 20.0
_BEATING_HZ = 30.0
_STAYS_DB = 1.0
_STAYS_S = 0.15
_SLOW_DB_S = 6.0
_SLOW_S = 0.3
_CUT_FALL_DB = 6.0
_HARMONICS = 5
_HARMONIC_SHARE = 0.8
_HARMONIC_PURE = 0.93
_HIGHEST_HARMONIC = 12
_LOWEST_VOICE_HZ = 60.0


@dataclass(frozen=True)
class Fading:
    """How the level goes down: by `fall_db` in `time_s`; `bulge_db`: how far, on average over the
    middle, it lies above the straight line between; to_end: the record ends while it is heard.
    """

    fall_db: float
    time_s: float
    bulge_db: float
    to_end: bool


def fading_of(energy: FloatArray, noise_power: float) -> Fading | None:
    """Read it off the energy in frames of 1 ms from the strike on; None where 60 ms are not there.

    noise_power: mean square before the strike; what comes near to it is not looked at.
    """
    count = len(energy)
    if count < _SHORTEST_FRAMES:
        return None
    smooth = ahead(energy, 10)
    top = float(np.max(smooth[: max(30, count // 10)]))
    heard = smooth > max(_ABOVE_NOISE * noise_power, top * 10.0 ** (-_RANGE_DB / 10.0))
    end = count - int(np.argmax(heard[::-1])) if heard.any() else 0
    if end < _SHORTEST_FRAMES:
        return None
    width = max(5, end // 10)
    level_db = 10.0 * np.log10(ahead(energy, width)[:end] + 1e-20)
    start_db = float(np.max(level_db[: end // 5]))
    fall_db = start_db - 10.0 * float(np.log10(np.mean(energy[end - width : end]) + 1e-20))
    middle = np.arange(end // 5, 4 * end // 5)
    line_db = start_db - fall_db * (middle + 0.5 * width) / end
    bulge_db = float(np.mean(level_db[middle] - line_db))
    return Fading(fall_db, end * FRAME_S, bulge_db, end >= count - 12)


def why_not_struck(
    fit: RingFit,
    after: FloatArray,
    rate: int,
    fading: Fading | None,
    *,
    fitted_s: float,
    starts_inside: bool,
) -> str:
    """Why a sound is no ring of something struck, empty where it is one.

    after: the sound from the strike on; fitted_s: how much of it was fitted; starts_inside: the
    record has no quiet before it.
    """
    if not fit.partials:
        if fit.standing_hz:
            return f"Not a strike: only a standing tone, {fit.standing_hz[0]:.0f} Hz, is heard."
        return ""
    share = 100.0 * max(fit.explained, 0.0)
    if fit.explained < _LEAST_EXPLAINED and lasting_db(after, rate) > _LASTING_DB:
        return f"Not a strike: only {share:.0f} % of the sound dies away as a ring does."
    held = _longer_than(fit.partials, _HELD_S)
    if held and fitted_s > _JUDGED_S:
        chief = max(held, key=lambda p: p.energy)
        return f"Not a strike: the tone at {chief.hz:.0f} Hz is held and does not die away."
    if fading is None:
        return ""
    bulge = max(_BULGE_DB, _BULGE * max(fading.fall_db, _SMALL_FALL_DB))
    if fading.bulge_db > bulge and fading.bulge_db > bulge + _bulge_of(fit, fading.time_s):
        return "Not a strike: the sound stays, and then stops, and does not die away."
    slow = fading.time_s > _SLOW_S and fading.fall_db < _SLOW_DB_S * fading.time_s
    cut = starts_inside and fading.fall_db < _CUT_FALL_DB
    never_started = starts_inside and fading.fall_db < 0.5 * _CUT_FALL_DB
    stays = fading.fall_db < _STAYS_DB and bool(_longer_than(fit.partials, 0.5 * _HELD_S))
    impure = fit.explained < _PURE and (slow or cut or fading.fall_db < _STAYS_DB)
    if fading.time_s > _STAYS_S and (stays or impure or never_started):
        return (
            f"Not a strike: the sound falls by only {max(0.0, fading.fall_db):.0f} dB in "
            f"{fading.time_s:.1f} s."
        )
    lasts = lasting_db(after, rate) > _LASTING_DB
    if lasts and fit.explained < _HARMONIC_PURE and _is_harmonic(fit.partials):
        return "Not a strike: a voice or a note, all of whose partials are harmonics."
    return ""


def _longer_than(partials: tuple[Partial, ...], decay_s: float) -> list[Partial]:
    """Partials that ring longer, where they have more than half of the energy; else none."""
    found = [p for p in partials if p.decay_s > decay_s]
    enough = sum(p.energy for p in found) > 0.5 * sum(p.energy for p in partials)
    return found if enough else []


def lasting_chord(fading: Fading | None) -> str:
    """Why several pitches at once are no strike of a plate, empty where they may be one."""
    if fading is None or fading.time_s < _CHORD_S:
        return ""
    if fading.fall_db > _CHORD_DB_S * fading.time_s:
        return ""
    return "Several tones last together, as in a chord; wood dies away sooner."


def _bulge_of(fit: RingFit, time_s: float) -> float:
    """Bulge in dB that the fitted partials have by beating with each other; 0 at least."""
    time = np.arange(0.0, time_s, 0.01)
    s = np.array([-1.0 / p.decay_s + 2j * np.pi * p.hz for p in fit.partials])
    start = np.array([p.amplitude * np.exp(1j * p.phase) for p in fit.partials])
    level = start * np.exp(time[:, None] * s)
    # partials beat with those that the ear joins with them
    near = np.abs(s.imag[:, None] - s.imag) < 2 * np.pi * _BEATING_HZ
    energy = np.einsum("ti,ij,tj->t", level, near, level.conj()).real
    found = fading_of(np.repeat(np.maximum(energy, 0.0), 10), 0.0)
    return 0.0 if found is None else max(0.0, found.bulge_db)


def is_doubtful(fit: RingFit, after: FloatArray, rate: int) -> str:
    """Why it may not be one, empty where there is no doubt."""
    if fit.explained < _WELL_EXPLAINED and lasting_db(after, rate) > _STEADY_DB:
        share = 100.0 * max(fit.explained, 0.0)
        return f"Only {share:.0f} % of the sound dies away as a ring does."
    return ""


def lasting_db(after: FloatArray, rate: int) -> float:
    """Power from 0.1 to 0.3 s after the strike against that of the first 0.1 s."""
    early, late = after[: round(0.1 * rate)], after[round(0.1 * rate) : round(0.3 * rate)]
    if len(late) < 0.02 * rate:
        return -99.0
    ratio = float(np.mean(late**2)) / max(float(np.mean(early**2)), 1e-30)
    return 10.0 * float(np.log10(ratio + 1e-12))


def _is_harmonic(partials: tuple[Partial, ...]) -> bool:
    """Whether five or more partials, with most of the energy, are multiples of one frequency."""
    total = sum(p.energy for p in partials)
    chief = sorted(partials, key=lambda p: p.energy, reverse=True)[:3]
    for base in chief:
        for divisor in range(1, 7):
            lowest_hz = base.hz / divisor
            if lowest_hz < _LOWEST_VOICE_HZ:
                break
            orders: set[int] = set()
            energy = 0.0
            for p in partials:
                order = round(p.hz / lowest_hz)
                off = abs(p.hz / lowest_hz - order)
                if 1 <= order <= _HIGHEST_HARMONIC and off < 0.02 + 0.004 * order:
                    orders.add(order)
                    energy += p.energy
            run = any({k, k + 1, k + 2} <= orders for k in orders)
            if len(orders) >= _HARMONICS and run and energy > _HARMONIC_SHARE * total:
                return True
    return False
