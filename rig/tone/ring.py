"""The partials of one strike.

Peaks of the spectrum give starting values; neighbours are fitted together, each group on the
shortest stretch of sound that holds its whole decay, with all other groups subtracted; what is
left over is searched again. Standing tones (hum, a fan, an earlier strike) are told from the
ring by the sound before the strike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.units import FloatArray
from rig.tone.damped import ComplexArray, Segment, fit_group, response, sound_everywhere, sound_of
from rig.tone.fast_length import fast_length
from rig.tone.peaks import DEEPEST_HZ, HIGHEST_HZ, LOWEST_HZ, Peak, find_peaks
from rig.tone.standing import SoundBefore, is_standing

LONGEST_S = 0.7
_MOST_PARTIALS = 16
_MOST_MORE = 4
_MOST_IN_GROUP = 5
_RANGE_DB = 42.0
_SHORTEST_S = 0.02
_SHARED = 0.02
_OVERLAP = 0.1
_UNSETTLED = 0.3
_UNSEEN = 1e-3
_SETTLED = 0.5  # standard deviations
_WORTH = 10.0


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

    explained: share of the sound's energy in the analysed band that the partials make up, the noise
    before the strike taken off;
    standing_hz: stationary tones that were refused.
    """

    partials: tuple[Partial, ...]
    standing_hz: tuple[float, ...]
    explained: float


def segments_of(x: FloatArray, sample_rate_hz: int) -> list[Segment]:
    """Transforms of the whole of x (n,), at most 0.7 s, and of its half, quarter … of its start."""
    segments: list[Segment] = []
    count = min(len(x), round(LONGEST_S * sample_rate_hz))
    while not segments or count >= _SHORTEST_S * sample_rate_hz:
        length = fast_length(count)
        segments.append(Segment(np.fft.rfft(x[:length]), length, float(sample_rate_hz)))
        count //= 2
    return segments


@dataclass(eq=False)
class _Group:
    s: ComplexArray
    c: ComplexArray
    sd_s: FloatArray
    sd_c: FloatArray
    noise: float = 0.0
    moved: bool = True

    def without(self, member: int) -> _Group:
        """The group less one member."""
        s, c = np.delete(self.s, member), np.delete(self.c, member)
        return _Group(s, c, np.delete(self.sd_s, member), np.delete(self.sd_c, member))

    def is_sound(self) -> bool:
        """Every member carries something and swings about once before it falls to 1/e."""
        f = self.s.imag / (2 * np.pi)
        return bool(
            np.all(f > DEEPEST_HZ)
            and np.all(np.abs(self.c) > 2.0 * self.sd_c)
            and np.all(-self.s.real < f)
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
        first, stop, segment = self._band(group)
        if stop - first < 2 * len(group.s) + 3:
            return False
        y = self._rest(group, segment, first, stop)
        old = group.s
        fitted = fit_group(y, old, segment, first, rounds)
        group.s, group.c = fitted.s, fitted.c
        group.sd_s, group.sd_c, group.noise = fitted.sd_s, fitted.sd_c, fitted.noise
        group.moved = bool(np.any(np.abs(group.s - old) > _SETTLED * group.sd_s))
        return True

    def settle(self, sweeps: int) -> None:
        """Fit groups in turn, each with the others subtracted, until they keep still."""
        for _ in range(sweeps):
            self.groups.sort(key=lambda g: float(g.s[0].imag))
            moved = [group.moved for group in self.groups]
            if not any(moved):
                break
            for number, group in enumerate(self.groups):
                if any(moved[max(0, number - 1) : number + 2]):
                    self.fit(group, 2)

    def start(self, peaks: list[Peak]) -> None:
        """Form groups of peaks nearer than a few half widths, and fit them, slow decays first."""
        members: list[Peak] = []
        batches: list[list[Peak]] = []
        for peak in sorted(peaks):
            if (
                not members
                or len(members) >= _MOST_IN_GROUP
                or not self._near(peak, members[-1].hz, members[-1].width_hz)
            ):
                members = []
                batches.append(members)
            members.append(peak)
        batches.sort(key=lambda batch: min(peak.width_hz for peak in batch))
        for batch in batches:
            group = self._sound_part(_new_group(batch))
            if group is not None:
                self.groups.append(group)
        self._join()
        self.settle(1)

    def extend(self, peaks: list[Peak]) -> None:
        """Add what was left over, one peak at a time, where it clearly improves its group."""
        for peak in peaks:
            host: _Group | None = None
            for group in self.groups:
                turns = group.s / (2 * np.pi)
                if any(self._near(peak, float(z.imag), -float(z.real)) for z in turns):
                    host = group
                    break
            trial = _new_group([peak])
            if host is None:
                if self.fit(trial, 5) and trial.is_sound():
                    self.groups.append(trial)
            elif len(host.s) < _MOST_IN_GROUP:
                trial.s = np.concatenate([host.s, trial.s])
                self.groups.remove(host)
                well = self.fit(trial, 6) and trial.is_sound() and self._is_worth(trial, host)
                self.groups.append(trial if well else host)
        self._join()
        self.settle(1)

    def _join(self) -> None:
        """Fit groups together that turn out, by their fitted widths, to overlap much."""
        self.groups.sort(key=lambda g: float(np.min(g.s.imag)))
        joined: list[_Group] = []
        everything = list(self.groups)
        for group in list(self.groups):
            last = joined[-1] if joined else None
            if last is None or len(last.s) + len(group.s) > _MOST_IN_GROUP:
                joined.append(group)
                continue
            a, b = last.s[:, None], group.s[None, :]
            shared = 4.0 * a.real * b.real / ((a.real + b.real) ** 2 + (a.imag - b.imag) ** 2)
            if np.max(shared) < _OVERLAP:
                joined.append(group)
                continue
            both = _Group(
                np.concatenate([last.s, group.s]),
                np.concatenate([last.c, group.c]),
                np.concatenate([last.sd_s, group.sd_s]),
                np.concatenate([last.sd_c, group.sd_c]),
            )
            self.groups = [g for g in everything if g is not last and g is not group]
            together = self._sound_part(both)
            if together is not None and not self._is_worth(both, together):
                everything = [*self.groups, together]
                joined[-1] = together
            else:
                joined.append(group)
        self.groups = joined

    def _sound_part(self, group: _Group) -> _Group | None:
        """Fit a copy of the group, dropping its weakest member until all of it is sound."""
        trial = _Group(group.s, group.c, group.sd_s, group.sd_c)
        while len(trial.s) and self.fit(trial, 6):
            if trial.is_sound():
                return trial
            trial = trial.without(int(np.argmin(np.abs(trial.c) ** 2 / -trial.s.real)))
        return None

    def thin(self) -> None:
        """Take out members that their group can do without."""
        for group in list(self.groups):
            self.groups.remove(group)
            lighter = self._thinned(group)
            while lighter is not None:
                group, lighter = lighter, self._thinned(lighter)
            self.groups.append(group)
        self.settle(1)
        self.groups = [group for group in self.groups if len(group.s) > 1 or group.is_sound()]

    def _thinned(self, group: _Group) -> _Group | None:
        """The group less one member it can do without, the weakest first; None: all serve."""
        if len(group.s) < 2:
            return None
        for member in np.argsort(np.abs(group.c) ** 2 / -group.s.real)[:-1]:
            trial = group.without(int(member))
            if self.fit(trial, 6) and trial.is_sound() and not self._is_worth(group, trial):
                return trial
        return None

    def _near(self, peak: Peak, hz: float, width_hz: float) -> bool:
        """Whether two partials share so much energy that they must be fitted together.

        Squared correlation of two damped partials: 4γ₁γ₂ / ((γ₁ + γ₂)² + Δ²), in half widths γ.
        """
        gap = abs(peak.hz - hz)
        shared = 4.0 * peak.width_hz * width_hz / ((peak.width_hz + width_hz) ** 2 + gap**2)
        return shared > _SHARED or gap < 2.5 * self.segments[0].step_hz

    def _band(self, group: _Group) -> tuple[int, int, Segment]:
        segment = self.segment_for(float(np.min(-group.s.real)))
        f = group.s.imag / (2 * np.pi)
        reach = np.maximum(6.0 * -group.s.real / (2 * np.pi), 4.0 * segment.step_hz)
        reach = np.minimum(reach, 60.0 * segment.step_hz)
        first, stop = segment.range_around(float(np.min(f - reach)), float(np.max(f + reach)))
        return first, stop, segment

    def _rest(self, group: _Group, segment: Segment, first: int, stop: int) -> ComplexArray:
        """The band less all other partials whose flanks, or images, can be seen in it."""
        y = segment.bins[first:stop]
        s, c = self.poles(without=group)
        both, amplitude = np.concatenate([s, s.conj()]), np.concatenate([c, c.conj()])
        step = 2 * np.pi * segment.step_hz
        gap = np.maximum(first * step - both.imag, both.imag - (stop - 1) * step)
        flank = np.abs(amplitude) * segment.sample_rate_hz / np.maximum(gap, step)
        seen = flank > _UNSEEN * float(np.max(np.abs(y)))
        if not np.any(seen):
            return y
        return np.asarray(y - response(both[seen], segment, first, stop) @ amplitude[seen])

    def _is_worth(self, more: _Group, less: _Group) -> bool:
        """Whether the richer group explains its band enough better, by the ratio of variances (F).

        Neither may be in the list of groups. F of 10 is asked for: chance gives it once in 10 000,
        but the extra partial was looked for wherever it fits best; and a fifth of the rest, since
        real rings are not exactly exponential.
        """
        first, stop, segment = self._band(more)
        y = self._rest(more, segment, first, stop)
        rest_less = y - sound_of(less.s, less.c, segment, first, stop)
        rest_more = y - sound_of(more.s, more.c, segment, first, stop)
        energy_less = float(np.vdot(rest_less, rest_less).real)
        energy_more = float(np.vdot(rest_more, rest_more).real) + 1e-300
        if float(np.max(np.abs(more.c))) > 2.0 * float(np.max(np.abs(less.c))):
            return False
        free = max(1, len(y) - 2 * len(more.s))
        gained = 2 * (len(more.s) - len(less.s))
        ratio = energy_less / energy_more
        return ratio > max(1.0 + _WORTH * gained / free, 1.2)


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
    first, stop = long.range_around(LOWEST_HZ, min(HIGHEST_HZ, 0.46 * sample_rate_hz))
    total = _energy(long.bins[first:stop])
    peaks = find_peaks(long.bins, long, _MOST_PARTIALS, 0.0)
    strongest = max((peak.power for peak in peaks), default=0.0)
    least = strongest * 10 ** (-_RANGE_DB / 10)
    model.start([peak for peak in peaks if peak.power > least])
    rest = long.bins - sound_everywhere(*model.poles(), long)
    more = find_peaks(rest, long, _MOST_MORE, least)
    if more:
        model.extend(more)
    model.thin()
    rest = long.bins - sound_everywhere(*model.poles(), long)
    left = _energy(rest[first:stop])
    if left > _UNSETTLED * total:  # overlapping groups may not have come to rest yet
        for group in model.groups:
            group.moved = True
        model.settle(5)
        left = _energy((long.bins - sound_everywhere(*model.poles(), long))[first:stop])
    if len(before) > 0.005 * sample_rate_hz:
        spectrum = np.fft.rfft(before)
        share = len(before) / long.count
        noise = _energy(spectrum[int(first * share) : int(stop * share)]) / share**2
        # under much noise the difference of two large numbers says nothing
        judged = noise < 0.3 * total
        left, total = max(left - noise, 0.0) if judged else 0.0, max(total - noise, 0.1 * total)
    partials: list[Partial] = []
    standing: list[float] = []
    quiet = SoundBefore(before, sample_rate_hz)
    for group in model.groups:
        for index in range(len(group.s)):
            partial = _partial(group, index, lead_s, x)
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


def _energy(bins: ComplexArray) -> float:
    return float(np.sum(bins.real**2 + bins.imag**2))


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
