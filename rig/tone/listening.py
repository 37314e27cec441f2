"""Taps made ready for a listener: level with each other, slowed, centred, joined without clicks.

What is done to a sound is said in words beside it; nothing here is ever measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.tone.erb import a_weighting_db

Way = Literal["as recorded", "slowed", "centred", "widened"]
WAYS: tuple[Way, ...] = get_args(Way)
SLOWER = 3.0
CENTRE_HZ = 600.0  # the ear tells pitches apart best from about 500 Hz to 2 kHz
WIDER = 3.0
PEAK = 0.7  # of full scale, of the loudest sample of all that is joined
_MOST_RATIO = 8.0  # three octaves: what is asked beyond that would be no sound of a tap any more
_BEFORE_S, _AFTER_S = 0.010, 0.350
_RISE_S, _FALL_S = 0.004, 0.060
_FRAME = 2048


@dataclass(frozen=True)
class Joined:
    """Sounds one after another; spans_s: from where to where each is heard."""

    wave: FloatArray
    rate_hz: int
    spans_s: tuple[tuple[float, float], ...]


def cut(sound: FloatArray, rate_hz: int, onset_s: float | None) -> FloatArray:
    """(n,) to the strike itself: from just before its onset until it has died away, faded."""
    start = 0 if onset_s is None else max(0, round((onset_s - _BEFORE_S) * rate_hz))
    part = sound[start : start + round((_BEFORE_S + _AFTER_S) * rate_hz)]
    return faded(part - np.mean(part) if len(part) else part, rate_hz)


def faded(sound: FloatArray, rate_hz: int) -> FloatArray:
    """The sound, risen out of silence in 4 ms and sunk back into it in 60 ms, each half a cosine.

    Its first and its last sample are 0. A sound shorter than both fades is faded over its halves.
    """
    made = np.array(sound, dtype=np.float64)
    for length_s, ramp_of in ((_RISE_S, made), (_FALL_S, made[::-1])):
        length = min(round(length_s * rate_hz), len(made) // 2)
        if length:
            ramp_of[:length] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(length) / length)
    return made


def level_db(sound: FloatArray, rate_hz: int) -> float | None:
    """A-weighted energy of the whole sound, dB against one second of a full-scale square wave.

    None for silence.
    """
    if len(sound) < 2:
        return None
    power = np.abs(np.fft.rfft(sound)) ** 2 / len(sound)
    power[1 : -1 if len(sound) % 2 == 0 else None] *= 2.0
    hz = np.fft.rfftfreq(len(sound), 1.0 / rate_hz)
    energy = float(np.sum(power * 10.0 ** (a_weighting_db(hz) / 10.0))) / rate_hz
    return 10.0 * float(np.log10(energy)) if energy > 1e-20 else None


def levelled(sounds: Sequence[FloatArray], rate_hz: int) -> list[FloatArray]:
    """The sounds made equally strong by `level_db`, the loudest sample of all at `PEAK`.

    Silence stays silent.
    """
    levels = [level_db(sound, rate_hz) for sound in sounds]
    even = [
        sound if level is None else sound * 10.0 ** (-level / 20.0)
        for sound, level in zip(sounds, levels, strict=True)
    ]
    peak = max((float(np.max(np.abs(sound))) for sound in even if len(sound)), default=0.0)
    return [sound * (PEAK / peak) if peak > 0.0 else sound for sound in even]


def slowed(sound: FloatArray, times: float) -> FloatArray:
    """The sound drawn out to `times` its length, every partial at the pitch it had.

    Short spectra are taken closer together than they are put back. The phase of each peak goes on
    by what the sound itself shows over the distance at which they are put back, so that a steady
    tone keeps its frequency exactly, and the bins round a peak turn with it (identity locking,
    Laroche & Dolson, IEEE Trans. Speech Audio Proc. 7 (1999) 323-332).
    """
    hop, half = _FRAME // 4, _FRAME // 2
    window = np.hanning(_FRAME + 1)[:-1]
    padded = np.concatenate([np.zeros(half + hop), sound, np.zeros(_FRAME + hop)])
    length = round(len(sound) * times)
    out, weight = np.zeros(length + 2 * _FRAME), np.zeros(length + 2 * _FRAME)
    phase: FloatArray | None = None
    for put in range(0, length + half, hop):
        at = hop + round(put / times)
        if at + _FRAME > len(padded):
            break
        now = np.fft.rfft(window * padded[at : at + _FRAME])
        before = np.fft.rfft(window * padded[at - hop : at - hop + _FRAME])
        if phase is None:
            phase = np.angle(now)
        else:
            turned = phase - np.angle(before)  # at each bin, against the sound as it was
            phase = np.angle(now) + turned[_peak_of_each_bin(np.abs(now))]
        out[put : put + _FRAME] += window * np.fft.irfft(np.abs(now) * np.exp(1j * phase))
        weight[put : put + _FRAME] += window**2
    made: FloatArray = (out / np.maximum(weight, 0.1))[half : half + length]
    return made


def _peak_of_each_bin(size: FloatArray) -> NDArray[np.int64]:
    """The bin of the nearest local maximum, for every bin."""
    peaks = 1 + np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]))
    if not len(peaks):
        return np.arange(len(size))
    borders = 0.5 * (peaks[1:] + peaks[:-1])
    return np.asarray(peaks[np.searchsorted(borders, np.arange(len(size)))], dtype=np.int64)


def transposed(sound: FloatArray, ratio: float) -> FloatArray:
    """The sound with all its frequencies times `ratio`, as a tape that runs faster or slower.

    Below 1 it is lower and longer. Exact to a thousandth of a cent; ratio from 1/8 to 8.
    """
    from scipy.signal import resample_poly

    if not 1.0 / _MOST_RATIO <= ratio <= _MOST_RATIO:
        raise ValueError(f"a sound cannot be transposed by {ratio:g}")
    longer = Fraction(1.0 / ratio).limit_denominator(1500)
    return np.asarray(resample_poly(sound, longer.numerator, longer.denominator))


def ratios(pitches_hz: Sequence[float | None], way: Way) -> list[float]:
    """By what each sound is transposed; 1 where its pitch is not known or the way leaves it.

    Centred: all by the same, so that the geometric middle of their pitches comes to `CENTRE_HZ`.
    Widened: besides, what each is off the middle becomes `WIDER` times as much.
    """
    known = [hz for hz in pitches_hz if hz]
    if way not in ("centred", "widened") or not known:
        return [1.0] * len(pitches_hz)
    middle = float(np.exp(np.mean(np.log(known))))
    centred = CENTRE_HZ / middle
    power = WIDER - 1.0 if way == "widened" else 0.0
    wanted = [centred * ((hz / middle) ** power if hz else 1.0) for hz in pitches_hz]
    return [min(max(ratio, 1.0 / _MOST_RATIO), _MOST_RATIO) for ratio in wanted]


def made_for_ear(
    sounds: Sequence[FloatArray], pitches_hz: Sequence[float | None], rate_hz: int, way: Way
) -> list[FloatArray]:
    """All sounds treated in one way, faded, and equally strong after that."""
    made = [
        sound if ratio == 1.0 else transposed(sound, ratio)
        for sound, ratio in zip(sounds, ratios(pitches_hz, way), strict=True)
    ]
    if way == "slowed":
        made = [slowed(sound, SLOWER) for sound in made]
    return levelled([faded(sound, rate_hz) for sound in made], rate_hz)


def joined(sounds: Sequence[FloatArray], rate_hz: int, gap_s: float) -> Joined:
    """The sounds one after another, with silence before, between and after them.

    Sound servers cut the end of what they play, hence the silence at the end.
    """
    gap = np.zeros(max(1, round(gap_s * rate_hz)))
    parts, spans, at = [gap], [], len(gap)
    for sound in sounds:
        parts += [sound, gap]
        spans.append((at / rate_hz, (at + len(sound)) / rate_hz))
        at += len(sound) + len(gap)
    return Joined(np.concatenate(parts), rate_hz, tuple(spans))


def what_is_done(pitches_hz: Sequence[float | None], way: Way) -> str:
    """What has become of the sounds, in plain words."""
    even = "All are made equally strong."
    if way == "slowed":
        return (
            f"Drawn out to {SLOWER:g} times the length at the pitch it had; the blow itself grows "
            f"softer by that. {even}"
        )
    known = [hz for hz in pitches_hz if hz]
    if way == "as recorded" or not known:
        without = "" if way == "as recorded" else "No pitch is known, so none is moved. "
        return f"{without}As recorded, nothing slowed or moved. {even}"
    middle = float(np.exp(np.mean(np.log(known))))
    ratio = min(max(CENTRE_HZ / middle, 1.0 / _MOST_RATIO), _MOST_RATIO)
    pace = f"{1.0 / ratio:.1f} times as long" if ratio < 1.0 else f"{ratio:.1f} times as fast"
    moved = (
        f"Moved together from about {middle:.0f} to {ratio * middle:.0f} Hz, where ears tell "
        f"pitches apart well, and so {pace}"
    )
    if way == "centred":
        return f"{moved}; the differences of pitch between them stay as they are. {even}"
    return (
        f"{moved}. Besides, every difference of attack is made {WIDER:g} times as large: a help to "
        f"find the direction, not how the plate sounds. {even}"
    )
