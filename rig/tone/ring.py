"""The partials of one strike.

Peaks of the spectrum give starting values; neighbours are fitted together, each group on the
shortest stretch of sound that holds its whole decay, with all other groups subtracted; what is
left over is searched again. Standing tones (hum, a fan, an earlier strike) are told from the
ring by the sound before the strike.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rig.model.units import FloatArray
from rig.tone.damped import ComplexArray, without_partials
from rig.tone.group_fit import Group
from rig.tone.peaks import HIGHEST_HZ, LOWEST_HZ, find_peaks
from rig.tone.ring_model import RingModel, Segments
from rig.tone.standing import SoundBefore, is_standing
from rig.tone.starts import sharpened

_MOST_PARTIALS = 16
_MOST_MORE = 4
_RANGE_DB = 42.0
_STRONG = 0.05
_THUMP_HZ = 100.0
_PLAIN = 0.2  # share of the energy left by the first fit below which no second is looked at


@dataclass(frozen=True)
class Partial:
    """One damped partial: frequency, 1/e time of the amplitude, amplitude at the strike.

    amplitude is real, full scale = 1, carried back to the strike; energy is the mean square of
    the partial summed over the first 0.4 s (full scale² · s); phase: of the cosine at the strike.
    """

    hz: float
    sd_hz: float
    decay_s: float
    sd_decay_s: float
    amplitude: float
    sd_amplitude: float
    energy: float
    phase: float


@dataclass(frozen=True)
class RingFit:
    """All partials of a strike, by frequency.

    explained: share of the sound's energy in the analysed band that the partials make up, the noise
    before the strike taken off;
    standing_hz: stationary tones that were refused.
    """

    partials: tuple[Partial, ...]
    standing_hz: tuple[float, ...]
    explained: float


def ring_of(
    x: FloatArray,
    sample_rate_hz: int,
    before: FloatArray,
    lead_s: float,
    hum_hz: float | None = 50.0,
) -> RingFit:
    """Find the partials of one strike.

    x: the sound from the start of the free ring to its end; before: the sound ahead of the
    strike, to tell standing tones; lead_s: time from the strike to the start of x; hum_hz: mains
    frequency whose unfading harmonics are refused where `before` is too short to tell.
    """
    segments = Segments(x, sample_rate_hz)
    long = segments.longest
    model = RingModel(segments)
    first, stop = long.range_around(LOWEST_HZ, min(HIGHEST_HZ, 0.46 * sample_rate_hz))
    total = _energy(long.bins, first, stop, long.step_hz)
    peaks = find_peaks(long.bins, long, _MOST_PARTIALS, 0.0)
    strongest = max((peak.power for peak in peaks), default=0.0)
    least = strongest * 10 ** (-_RANGE_DB / 10)
    peaks = [peak for peak in peaks if peak.power > least]
    model.start(sharpened(peaks, long.bins, long))
    rest = without_partials(*model.poles(), long, stop + 4)
    more = find_peaks(rest, long, _MOST_MORE, least)
    changed = model.improve(sharpened(more, rest, long), _STRONG * strongest)
    left = _energy(rest, first, stop, long.step_hz)
    if changed and left > _PLAIN * total:
        rest = without_partials(*model.poles(), long, stop)
        left = _energy(rest, first, stop, long.step_hz)
    if len(before) > 0.005 * sample_rate_hz:
        share = len(before) / long.count
        bins = np.fft.rfft(before)
        noise = _energy(bins, int(first * share), int(stop * share), long.step_hz / share)
        noise /= share**2
        # under much noise the difference of two large numbers says nothing
        left = max(left - noise, 0.0) if noise < 0.3 * total else 0.0
        total = max(total - noise, 0.1 * total)
    partials: list[Partial] = []
    standing: list[float] = []
    quiet = SoundBefore(before, sample_rate_hz)
    for group in model.groups:
        for index in range(len(group.s)):
            partial = _partial(group, index, lead_s)
            if partial.hz < LOWEST_HZ:
                continue  # rumble: fitted only to be taken off
            if is_standing(
                partial.hz,
                partial.decay_s,
                partial.amplitude,
                partial.sd_amplitude,
                quiet,
                hum_hz,
            ):
                standing.append(partial.hz)
            else:
                partials.append(partial)
    partials.sort(key=lambda p: p.hz)
    explained = 1.0 - left / total if total > 0 else 0.0
    return RingFit(tuple(partials), tuple(sorted(standing)), explained)


def _energy(bins: ComplexArray, first: int, stop: int, step_hz: float) -> float:
    """Energy of the bins first … stop − 1; thumps below 100 Hz count for less."""
    part = bins[first:stop]
    return float(
        np.sum((part.real**2 + part.imag**2) * _weights(first, first + len(part), step_hz))
    )


@lru_cache(maxsize=64)
def _weights(first: int, stop: int, step_hz: float) -> FloatArray:
    square = (np.arange(first, stop) * step_hz) ** 2
    return np.asarray(square / (square + _THUMP_HZ**2))


def _partial(group: Group, index: int, lead_s: float) -> Partial:
    rate = float(-group.s[index].real)
    amplitude = 2.0 * float(np.abs(group.c[index]))
    energy = 0.5 * amplitude**2 * (1.0 - np.exp(-2.0 * rate * 0.4)) / (2.0 * rate)
    sd = float(group.sd_s[index]) * group.doubt
    back = float(np.exp(min(rate * lead_s, 3.0)))
    return Partial(
        hz=float(group.s[index].imag / (2 * np.pi)),
        sd_hz=sd / (2 * np.pi),
        decay_s=1.0 / rate,
        sd_decay_s=sd / rate**2,
        amplitude=amplitude * back,
        sd_amplitude=2.0 * float(group.sd_c[index]) * back,
        energy=float(energy),
        phase=float(np.angle(group.c[index]) - group.s[index].imag * lead_s),
    )
