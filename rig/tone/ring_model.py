"""The growing list of groups of partials that together make up the ring of one strike."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.model.units import FloatArray
from rig.tone.bands import Band
from rig.tone.damped import ComplexArray, Segment
from rig.tone.fast_length import fast_length
from rig.tone.group_fit import Group, fit_together, fit_trials
from rig.tone.peaks import DEEPEST_HZ, Peak
from rig.tone.starts import together

LONGEST_S = 0.7
_SHORTEST_S = 0.02
_MOST_IN_GROUP = 5
_SHARED = 0.02
_OVERLAP = 0.1
_WORTH = 10.0
_WORTH_SHARE = 0.2
START, TRIAL, RICHER, END = 6, 1, 3, 2
_TRIALS = 2
_PLACED = 0.5  # half widths
_PLACED_ALONE = 2.0
_PLAIN = 20.0  # times what a member must be worth, above which no fit without it is tried

_NOTHING = Group.of_poles(np.zeros(0, dtype=np.complex128), np.zeros(0, dtype=np.complex128))


class Segments:
    """Transforms of the whole of x (n,), at most 0.7 s, and of its half, quarter … on demand."""

    def __init__(self, x: FloatArray, sample_rate_hz: int) -> None:
        self._x = x
        self._rate = float(sample_rate_hz)
        count = min(len(x), round(LONGEST_S * sample_rate_hz))
        self._counts = [fast_length(count)]
        while count // 2 >= _SHORTEST_S * sample_rate_hz:
            count //= 2
            self._counts.append(fast_length(count))
        self._made: dict[int, Segment] = {}
        self.longest = self._of(self._counts[0])

    def _of(self, count: int) -> Segment:
        if count not in self._made:
            self._made[count] = Segment(np.fft.rfft(self._x[:count]), count, self._rate)
        return self._made[count]

    def holding(self, decay_rate: float) -> Segment:
        """The shortest stretch that holds seven decay times (1/s)."""
        chosen = self._counts[0]
        for count in self._counts[1:]:
            if count * decay_rate < 7.0 * self._rate:
                break
            chosen = count
        return self._of(chosen)


class RingModel:
    """Groups of partials, and their fits with each other's sound taken off."""

    def __init__(self, segments: Segments) -> None:
        self.segments = segments
        self.groups: list[Group] = []
        self._stirred = False

    def poles(self) -> tuple[ComplexArray, ComplexArray]:
        """All s in 1/s and half amplitudes c."""
        if not self.groups:
            return np.zeros(0, dtype=np.complex128), np.zeros(0, dtype=np.complex128)
        return (
            np.concatenate([g.s for g in self.groups]),
            np.concatenate([g.c for g in self.groups]),
        )

    def fit(
        self,
        trials: Sequence[Group],
        hosts: Sequence[Group | None],
        rounds: int,
    ) -> tuple[list[bool], FloatArray]:
        """Refine trial groups in place; whether each has bins enough, and what its host leaves.

        hosts: for each trial the group of the model that it would replace; everything else in
        the model is subtracted from its band.
        """
        bands = [self._band(group) for group in trials]
        well = [_is_wide(band, group) for group, band in zip(trials, bands, strict=True)]
        index = [row for row, good in enumerate(well) if good]
        left = np.full(len(trials), np.inf)
        if not index:
            return well, left
        s, c = self.poles()
        owner = np.repeat(np.arange(len(self.groups)), [len(g.s) for g in self.groups])
        place = {id(g): i for i, g in enumerate(self.groups)}
        own = np.array([-1 if (h := hosts[i]) is None else place[id(h)] for i in index])
        left[index] = fit_trials(
            [trials[i] for i in index],
            [bands[i] for i in index],
            (s, c, owner == own[:, None]),
            [hosts[i] or _NOTHING for i in index],
            rounds,
        )
        return well, left

    def settle(self, rounds: int) -> bool:
        """Fit all groups at once, each taken off the others; whether all came to rest.

        Those with too few bins are dropped.
        """
        bands = [self._band(group) for group in self.groups]
        kept = [i for i, group in enumerate(self.groups) if _is_wide(bands[i], group)]
        self.groups = [self.groups[i] for i in kept]
        return not self.groups or fit_together(self.groups, [bands[i] for i in kept], rounds)

    def start(self, peaks: Sequence[Peak]) -> None:
        """Form groups of peaks nearer than a few half widths, and fit them."""
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
        long = self.segments.longest
        batches = [b if len(b) == 1 else together(b, long.bins, long) for b in batches]
        self.groups = [self._new_group(batch) for batch in batches]
        self.settle(START)
        self._prune()
        self._join()

    def improve(self, peaks: Sequence[Peak], strong: float) -> bool:
        """Add what was left over, and take out what a group can do without; whether any is done.

        A partial comes in, and stays, only where it clearly improves its group. A peak of more
        than the power `strong` that nobody could be fitted to is tried as two partials.
        """
        changed = self._stirred
        tried: set[tuple[int, int]] = set()
        richer = self._extensions(peaks, strong)
        for _ in range(_TRIALS):
            busy = [host for _, host in richer]
            poorer = self._reductions(tried, [host for host in busy if host is not None])
            trials, hosts = (
                [t for t, _ in richer + poorer],
                busy + [host for _, host in poorer],
            )
            if not trials:
                break
            well, left = self.fit(trials, hosts, RICHER if richer else TRIAL)
            for row, (trial, host) in enumerate(zip(trials, hosts, strict=True)):
                if not (well[row] and is_sound(trial)):
                    continue
                if host is None:
                    self.groups.append(trial)
                elif (row < len(richer)) == _is_worth(trial, host, float(left[row])):
                    self.groups[self.groups.index(host)] = trial
                else:
                    continue
                changed = True
            richer = []
        if changed:
            self._join()
            self.settle(END)
            self._prune()
        return changed

    def _extensions(self, peaks: Sequence[Peak], strong: float) -> list[tuple[Group, Group | None]]:
        """For each peak the group it would make, and which of the model that would replace."""
        found: list[tuple[Group, Group | None]] = []
        hosts: list[Group] = []
        for peak in peaks:
            host = self._host(peak)
            trial = self._new_group([peak])
            if host is not None:
                if len(host.s) >= _MOST_IN_GROUP or host in hosts:
                    continue
                trial = self._beside(host, peak) or host.with_members(trial)
                hosts.append(host)
            elif peak.power > strong:
                trial = self._beside(trial, peak) or trial
            found.append((trial, host))
        return found

    def _beside(self, host: Group, peak: Peak) -> Group | None:
        """The host with one more partial, all placed anew; None where that gives no partials."""
        turn, long = 2 * np.pi, self.segments.longest
        members = [Peak(z.imag / turn, -z.real / turn, 0.0) for z in host.s.tolist()]
        placed = together([*members, peak], long.bins, long)
        return self._new_group(placed) if placed[-1] is not peak else None

    def _reductions(
        self, tried: set[tuple[int, int]], busy: Sequence[Group]
    ) -> list[tuple[Group, Group | None]]:
        """For each group that is not busy the same less its next member that may be no loss."""
        found: list[tuple[Group, Group | None]] = []
        for group in self.groups:
            if group in busy:
                continue
            for member in _dispensable(group):
                if (id(group), member) not in tried:
                    tried.add((id(group), member))
                    found.append((group.without(member), group))
                    break
        return found

    def _host(self, peak: Peak) -> Group | None:
        for group in self.groups:
            for z in group.s.tolist():
                if self._near(peak, z.imag / (2 * np.pi), -z.real / (2 * np.pi)):
                    return group
        return None

    def _prune(self) -> None:
        """Drop the weakest of what carries nothing, group by group, until all members do."""
        while True:
            kept: list[Group] = []
            trials: list[Group] = []
            hosts: list[Group | None] = []
            for group in self.groups:
                sound = soundness(group)
                if all(sound):
                    kept.append(group)
                elif len(sound) > 1:
                    strength = np.where(sound, np.inf, _strength(group))
                    trials.append(group.without(int(np.argmin(strength))))
                    hosts.append(group)
                    kept.append(group)
            self.groups = kept
            if not trials:
                return
            well, _ = self.fit(trials, hosts, TRIAL)
            for good, trial, host in zip(well, trials, hosts, strict=True):
                self.groups = [g for g in self.groups if g is not host]
                if good:
                    self.groups.append(trial)
            self._stirred = True

    def _join(self) -> None:
        """Make one group of those that turn out, by their fitted widths, to overlap much."""
        self.groups.sort(key=lambda g: float(np.min(g.s.imag)))
        joined: list[Group] = []
        for group in self.groups:
            last = joined[-1] if joined else None
            if (
                last is not None
                and len(last.s) + len(group.s) <= _MOST_IN_GROUP
                and _overlap(last, group) >= _OVERLAP
            ):
                joined[-1] = last.with_members(group)
                self._stirred = True
            else:
                joined.append(group)
        self.groups = joined

    def _near(self, peak: Peak, hz: float, width_hz: float) -> bool:
        """Whether two partials share so much energy that they must be fitted together.

        Squared correlation of two damped partials: 4γ₁γ₂ / ((γ₁ + γ₂)² + Δ²), in half widths γ.
        """
        gap = abs(peak.hz - hz)
        shared = 4.0 * peak.width_hz * width_hz / ((peak.width_hz + width_hz) ** 2 + gap**2)
        return shared > _SHARED or gap < 2.5 * self.segments.longest.step_hz

    def _band(self, group: Group) -> Band:
        poles = group.s.tolist()
        segment = self.segments.holding(min(-z.real for z in poles))
        step = 2 * np.pi * segment.step_hz
        low, high = np.inf, 0.0
        for z in poles:
            reach = min(max(-6.0 * z.real, 4.0 * step), 60.0 * step)
            low, high = min(low, z.imag - reach), max(high, z.imag + reach)
        return Band(segment, *segment.range_around(low / (2 * np.pi), high / (2 * np.pi)))

    def _new_group(self, peaks: Sequence[Peak]) -> Group:
        long = self.segments.longest
        s = np.array([-2 * np.pi * max(p.width_hz, 0.2) + 2j * np.pi * p.hz for p in peaks])
        bins = np.array([round(p.hz / long.step_hz) for p in peaks])
        held = 1.0 - np.exp(s.real * long.duration_s)
        c = long.bins[bins] * -s.real / (long.sample_rate_hz * held)
        return Group.of_poles(s, c)


def _is_wide(band: Band, group: Group) -> bool:
    return band.stop - band.first >= 2 * len(group.s) + 3


def soundness(group: Group) -> list[bool]:
    """Which members carry something, swing about once before they fall to 1/e, and are told apart.

    Two that have run into one cancel each other, and their places are in doubt by their widths.
    One alone, as it may be fitted to two, is let pass with more.
    """
    placed = _PLACED if len(group.s) > 1 else _PLACED_ALONE
    return [
        z.imag > 2 * np.pi * DEEPEST_HZ
        and abs(c) > 2.0 * sd_c
        and -2 * np.pi * z.real < z.imag
        and sd_s < placed * max(-z.real, group.resolution)
        for z, c, sd_s, sd_c in zip(
            group.s.tolist(),
            group.c.tolist(),
            group.sd_s.tolist(),
            group.sd_c.tolist(),
            strict=True,
        )
    ]


def is_sound(group: Group) -> bool:
    """Whether all members are sound."""
    return all(soundness(group))


def _strength(group: Group) -> FloatArray:
    return np.asarray(np.abs(group.c) ** 2 / -group.s.real)


def _overlap(first: Group, second: Group) -> float:
    """Largest squared correlation of a partial of the one and a partial of the other."""
    most = 0.0
    for a in first.s.tolist():
        for b in second.s.tolist():
            apart = (a.real + b.real) ** 2 + (a.imag - b.imag) ** 2
            most = max(most, 4.0 * a.real * b.real / apart)
    return most


def _needed_ratio(more: Group, less: Group, bins: int) -> float:
    """Ratio of the energies left from which the richer group is worth its members.

    F of 10 is asked for: chance gives it once in 10 000, but the extra partial was looked for
    wherever it fits best; and a fifth of the rest, since real rings are not exactly exponential.
    """
    free = max(1, bins - 2 * len(more.s))
    gained = 2 * (len(more.s) - len(less.s))
    return 1.0 + max(_WORTH * gained / free, _WORTH_SHARE)


def _is_worth(trial: Group, host: Group, left_by_host: float) -> bool:
    """Whether the richer of the two explains the trial's band enough better than the poorer."""
    if len(trial.s) > len(host.s):
        more, left_more, less, left_less = trial, trial.error, host, left_by_host
    else:
        more, left_more, less, left_less = host, left_by_host, trial, trial.error
    if float(np.max(np.abs(more.c))) > 2.0 * float(np.max(np.abs(less.c))):
        return False
    return left_less > _needed_ratio(more, less, trial.bins) * (left_more + 1e-300)


def _dispensable(group: Group) -> list[int]:
    """Members whose loss the group might make up for, the weakest first.

    A member alone holds the energy |c|²·noise / variance of c; where that is far more than it
    must be worth, no fit is needed.
    """
    if len(group.s) < 2:
        return []
    noise = group.error / max(1, group.bins - 2 * len(group.s))
    own = noise * np.abs(group.c) ** 2 / np.maximum(2.0 * group.sd_c**2, 1e-300)
    needed = max(2.0 * _WORTH / max(1, group.bins - 2 * len(group.s)), _WORTH_SHARE) * (
        group.error + 1e-300
    )
    weakest_first = np.argsort(_strength(group))[:-1]
    return [int(m) for m in weakest_first if own[m] < _PLAIN * needed]
