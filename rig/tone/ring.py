"""The partials of one strike.

Peaks of the spectrum give starting values; neighbours are fitted together, each group on the
shortest stretch of sound that holds its whole decay, with all other groups subtracted; what is
left over is searched again. Standing tones (hum, a fan, an earlier strike) are told from the
ring by the sound before the strike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rig.model.units import FloatArray
from rig.tone.damped import ComplexArray, Segment, fit_group, sound_of
from rig.tone.fast_length import fast_length

LOWEST_HZ = 40.0
HIGHEST_HZ = 16000.0
LONGEST_S = 0.7
_MOST_PARTIALS = 24
_MOST_MORE = 8
_MOST_IN_GROUP = 5
_RANGE_DB = 45.0
_SHORTEST_S = 0.02


@dataclass(frozen=True)
class Partial:
    """One damped partial: frequency, 1/e time of the amplitude, amplitude at the strike.

    amplitude is real, full scale = 1, carried back to the strike; energy is the mean square of
    the partial summed over the first 0.4 s (full scale² · s).
    """

    hz: float
    sd_hz: float
    decay_s: float
    sd_decay_s: float
    amplitude: float
    sd_amplitude: float
    energy: float


@dataclass(frozen=True)
class RingFit:
    """All partials of a strike, by frequency.

    explained: share of the sound's energy in the analysed band that the partials make up;
    standing_hz: stationary tones that were refused.
    """

    partials: tuple[Partial, ...]
    standing_hz: tuple[float, ...]
    explained: float


class Peak(NamedTuple):
    """A peak of a spectrum: frequency, half width at half power, power."""

    hz: float
    width_hz: float
    power: float


def segments_of(x: FloatArray, sample_rate_hz: int) -> list[Segment]:
    """Transforms of the whole of x (n,), at most 0.7 s, and of its half, quarter … of its start."""
    segments: list[Segment] = []
    count = min(len(x), round(LONGEST_S * sample_rate_hz))
    while not segments or count >= _SHORTEST_S * sample_rate_hz:
        length = fast_length(count)
        segments.append(Segment(np.fft.rfft(x[:length]), length, float(sample_rate_hz)))
        count //= 2
    return segments


def _half_width_hz(power: FloatArray, peak: int, step_hz: float) -> float:
    """Half width at half power of the peak at bin `peak`, at least that of one bin."""
    reach = 400
    half = 0.5 * power[peak]
    up = power[peak : peak + reach] < half
    down = power[max(0, peak - reach) : peak + 1][::-1] < half
    right = int(np.argmax(up)) if up.any() else reach
    left = int(np.argmax(down)) if down.any() else reach
    narrow = min(left, right)
    return max(0.5, narrow - 0.5) * step_hz


def _find_peaks(rest: ComplexArray, segment: Segment, most: int, least_power: float) -> list[Peak]:
    """Peaks of a transform, the strongest first.

    The transform is smoothed over three bins (a Hann window on the stretch, but keeping the
    start by the phase of a half window) so that the cut end of long tones makes no side lobes.
    A peak on the flank of a stronger one is passed over.
    """
    step = segment.step_hz
    low = max(2, int(LOWEST_HZ / step))
    high = min(len(rest) - 2, int(min(HIGHEST_HZ, 0.46 * segment.sample_rate_hz) / step))
    if high - low < 4:
        return []
    tapered = half_hann(rest)
    power = np.abs(tapered[: high + 2]) ** 2
    inner = power[low:high]
    tops = low + np.flatnonzero(
        (inner > power[low - 1 : high - 1]) & (inner >= power[low + 1 : high + 1])
    )
    noise = _local_noise(power, low, high)
    tops = tops[(power[tops] > 14.0 * noise[tops]) & (power[tops] > least_power)]
    if len(tops) == 0:
        return []
    tops = tops[np.argsort(power[tops])[::-1]][:200]
    found: list[Peak] = []
    shade = np.zeros(len(tops))
    for position, top in enumerate(tops):
        if power[top] < shade[position]:
            continue
        width = _half_width_hz(power, int(top), step)
        found.append(Peak(_top_hz(power, int(top), step), width, float(power[top])))
        if len(found) == most:
            break
        gap = np.abs(tops - top) * step
        shade = np.maximum(shade, 2.0 * power[top] / (1.0 + (gap / (1.3 * width + step)) ** 2))
    return found


def half_hann(bins: ComplexArray) -> ComplexArray:
    """Transform under the falling half of a Hann window, approximated by its first terms.

    cos²(πt/2T) = ½ + ½·cos(πt/T); the half-bin cosine is written by the bins' neighbours:
    its Fourier series on 0 … T is ½ + (1/2j)·Σ odd … of which the two nearest bins matter.
    """
    result = 0.5 * bins.astype(np.complex128)
    # ½·cos(πt/T) on 0…T has the Fourier coefficients −j·2n/(π(4n² − 1)) at bin n
    for n in (1, 2, 3):
        weight = 2.0 * n / (np.pi * (4.0 * n * n - 1.0))
        result[n:] += -1j * weight * bins[:-n]
        result[:-n] += 1j * weight * bins[n:]
    return result


def _top_hz(power: FloatArray, top: int, step_hz: float) -> float:
    """Frequency of a peak by a parabola through the logarithms of three bins."""
    a, b, c = np.log(power[top - 1 : top + 2] + 1e-300)
    bend = a - 2.0 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return float((top + np.clip(shift, -0.5, 0.5)) * step_hz)


def _local_noise(power: FloatArray, low: int, high: int) -> FloatArray:
    """Noise per bin: the lowest of the lower quartiles of blocks within half an octave.

    Blocks are a sixth of an octave and at least 60 bins wide, so that a broad peak, which may
    fill one block or two, does not pass for noise.
    """
    noise = np.zeros_like(power)
    start = low
    centres: list[float] = []
    levels: list[float] = []
    while start < high:
        stop = min(high, max(start + 60, int(start * 1.12)))
        block = power[start:stop]
        # for exponentially distributed power the lower quartile is 0.288 of the mean
        levels.append(float(np.partition(block, len(block) // 4)[len(block) // 4]) / 0.288)
        centres.append(0.5 * (start + stop))
        start = stop
    padded = np.pad(np.array(levels), 3, mode="edge")
    lowest = np.lib.stride_tricks.sliding_window_view(padded, 7).min(axis=1)
    noise[low : high + 1] = np.interp(np.arange(low, high + 1), centres, lowest)
    return noise


@dataclass(eq=False)
class _Group:
    s: ComplexArray
    c: ComplexArray
    sd_s: FloatArray
    sd_c: FloatArray
    noise: float = 0.0
    power: float = 0.0

    def is_sound(self) -> bool:
        """Every member carries something, inside the band, and lasts longer than a blow."""
        f = self.s.imag / (2 * np.pi)
        return bool(
            np.all(f > LOWEST_HZ)
            and np.all(np.abs(self.c) > 2.0 * self.sd_c)
            and np.all(-self.s.real < np.maximum(1500.0, 1.5 * f))
        )


class _Model:
    """The growing list of groups, and their subtraction from a segment."""

    def __init__(self, segments: list[Segment]) -> None:
        self.segments = segments
        self.groups: list[_Group] = []

    def poles(self, without: _Group | None = None) -> tuple[ComplexArray, ComplexArray]:
        chosen = [g for g in self.groups if g is not without]
        if not chosen:
            return np.zeros(0, dtype=np.complex128), np.zeros(0, dtype=np.complex128)
        return np.concatenate([g.s for g in chosen]), np.concatenate([g.c for g in chosen])

    def segment_for(self, decay_rate: float) -> Segment:
        chosen = self.segments[0]
        for segment in self.segments[1:]:
            if segment.duration_s * decay_rate < 7.0:
                break
            chosen = segment
        return chosen

    def fit(self, group: _Group, rounds: int) -> bool:
        """Refine a group in place; false where its band holds too few bins."""
        slowest = float(np.min(-group.s.real))
        segment = self.segment_for(slowest)
        f = group.s.imag / (2 * np.pi)
        reach = np.maximum(6.0 * -group.s.real / (2 * np.pi), 4.0 * segment.step_hz)
        first, stop = segment.range_around(float(np.min(f - reach)), float(np.max(f + reach)))
        if stop - first < 2 * len(group.s) + 3:
            return False
        s, c = self.poles(without=group)
        y = segment.bins[first:stop] - sound_of(s, c, segment, first, stop)
        fitted = fit_group(y, group.s, segment, first, rounds)
        group.s, group.c = fitted.s, fitted.c
        group.sd_s, group.sd_c, group.noise = fitted.sd_s, fitted.sd_c, fitted.noise
        group.power = float(np.vdot(y, y).real) / len(y)
        return True

    def start(self, peaks: list[Peak]) -> None:
        """Form groups of peaks nearer than a few half widths, and fit them, slow decays first."""
        step_hz = self.segments[0].step_hz
        members: list[Peak] = []
        batches: list[list[Peak]] = []
        for peak in sorted(peaks):
            near = (
                members
                and peak.hz - members[-1].hz
                < 3.0 * (peak.width_hz + members[-1].width_hz) + 2.5 * step_hz
            )
            if not near or len(members) >= _MOST_IN_GROUP:
                members = []
                batches.append(members)
            members.append(peak)
        batches.sort(key=lambda batch: min(peak.width_hz for peak in batch))
        for batch in batches:
            group = _new_group(batch)
            if self.fit(group, 6) and not group.is_sound() and len(batch) > 1:
                group = _new_group([max(batch, key=lambda peak: peak.power)])
                self.fit(group, 6)
            if group.is_sound():
                self.groups.append(group)

    def extend(self, peaks: list[Peak]) -> None:
        """Add what was left over, one peak at a time, where it clearly improves its group."""
        step_hz = self.segments[0].step_hz
        for peak in peaks:
            host: _Group | None = None
            for group in self.groups:
                gap = np.abs(group.s.imag / (2 * np.pi) - peak.hz)
                reach = 3.0 * (peak.width_hz - group.s.real / (2 * np.pi)) + 2.5 * step_hz
                if np.any(gap < reach):
                    host = group
                    break
            trial = _new_group([peak])
            if host is None:
                if self.fit(trial, 5) and trial.is_sound():
                    self.groups.append(trial)
                continue
            if len(host.s) >= _MOST_IN_GROUP:
                continue
            trial.s = np.concatenate([host.s, trial.s])
            self.groups.remove(host)
            well = self.fit(trial, 6) and trial.is_sound()
            well = well and trial.noise < 0.5 * host.noise
            well = well and float(np.max(np.abs(trial.c))) < 2.0 * float(np.max(np.abs(host.c)))
            self.groups.append(trial if well else host)


def _new_group(peaks: list[Peak]) -> _Group:
    s = [-2 * np.pi * max(peak.width_hz, 0.2) + 2j * np.pi * peak.hz for peak in peaks]
    zero = np.zeros(len(s))
    return _Group(np.array(s), zero.astype(np.complex128), zero, zero)


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
    segments = segments_of(x, sample_rate_hz)
    long = segments[0]
    model = _Model(segments)
    first, stop = 1, len(long.bins) - 1
    total = float(np.sum(np.abs(long.bins[first:stop]) ** 2))
    peaks = _find_peaks(long.bins, long, _MOST_PARTIALS, 0.0)
    strongest = max((peak.power for peak in peaks), default=0.0)
    least = strongest * 10 ** (-_RANGE_DB / 10)
    model.start([peak for peak in peaks if peak.power > least])
    for group in model.groups:
        model.fit(group, 3)
    rest = long.bins.copy()
    rest[first:stop] -= sound_of(*model.poles(), long, first, stop)
    more = _find_peaks(rest, long, _MOST_MORE, least)
    if more:
        model.extend(more)
        for group in model.groups:
            model.fit(group, 3)
        rest = long.bins.copy()
        rest[first:stop] -= sound_of(*model.poles(), long, first, stop)
    left = float(np.sum(np.abs(rest[first:stop]) ** 2))
    partials: list[Partial] = []
    standing: list[float] = []
    for group in model.groups:
        for index in range(len(group.s)):
            partial = _partial(group, index, lead_s, x)
            if _stands(partial, before, sample_rate_hz, hum_hz):
                standing.append(partial.hz)
            else:
                partials.append(partial)
    partials.sort(key=lambda p: p.hz)
    explained = 1.0 - left / total if total > 0 else 0.0
    return RingFit(tuple(partials), tuple(sorted(standing)), explained)


def _partial(group: _Group, index: int, lead_s: float, x: FloatArray) -> Partial:
    rate = float(-group.s[index].real)
    amplitude = 2.0 * float(np.abs(group.c[index]))
    energy = 0.5 * amplitude**2 * (1.0 - np.exp(-2.0 * rate * 0.4)) / (2.0 * rate)
    sd = float(group.sd_s[index])
    back = float(np.exp(min(rate * lead_s, 3.0)))
    return Partial(
        hz=float(group.s[index].imag / (2 * np.pi)),
        sd_hz=sd / (2 * np.pi),
        decay_s=1.0 / rate,
        sd_decay_s=sd / rate**2,
        amplitude=amplitude * back,
        sd_amplitude=2.0 * float(group.sd_c[index]) * back,
        energy=float(energy),
    )


def _stands(
    partial: Partial, before: FloatArray, sample_rate_hz: int, hum_hz: float | None
) -> bool:
    """Whether the tone was there before the strike, about as loud as after it.

    A partial that has died away after the strike cannot have been; one that lasts is compared
    with what the last 0.2 s before the strike hold at its frequency.
    """
    if partial.decay_s < 0.25:
        return False
    quiet = before[-round(0.2 * sample_rate_hz) :]
    if len(quiet) * partial.hz > 2.0 * sample_rate_hz:
        time = np.arange(len(quiet)) / sample_rate_hz
        turned = np.exp(-2j * np.pi * partial.hz * time)
        return bool(2.0 * abs(np.mean(quiet * turned)) > 0.5 * partial.amplitude)
    if hum_hz is None:
        return False
    order = round(partial.hz / hum_hz)
    near = abs(partial.hz - order * hum_hz) < 0.002 * partial.hz + 3.0 * partial.sd_hz
    return near and order > 0 and partial.decay_s > 3.0
