"""The hammer: how its strike grows with the pulse, which pulses to use, what has changed.

Strength is the hammer's speed in m/s where the rig has a speed gate, else the level of the strike
as an amplitude. It can only grow with the pulse, so a rising curve is fitted (isotonic regression,
Barlow et al., Statistical Inference under Order Restrictions, 1972) and joined by monotone cubics
(Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980) 238-246).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.model.errors import AnalysisError
from rig.model.units import FloatArray

FIRM_OVER_LIGHT = 2.5  # about 8 dB
MOST_SCATTER = 0.15  # of the strength, one standard deviation
LEAST_PULSES = 4
_WORN, _DRIFTED = 0.10, 0.05


@dataclass(frozen=True)
class TestStrike:
    """One strike of the series, in order of time. strength None or 0: nothing was hit."""

    pulse_us: int
    strength: float | None
    double: bool = False

    __test__ = False  # not for pytest


@dataclass(frozen=True)
class TapperFit:
    """The curve and what follows from it.

    pulses_us, strength, scatter: (n,) per pulse tried: rising curve and relative standard
    deviation about the pulse's own mean; misses, doubles: counts. safe_us: pulses from and to
    which every strike hit, and hit once; None where there are none. light_us, firm_us: pulses to
    use, None with a reason in `notes`. drift: relative change of strength over the series, with
    its standard deviation.
    """

    pulses_us: tuple[int, ...]
    strength: tuple[float, ...]
    scatter: tuple[float, ...]
    strikes: tuple[int, ...]
    misses: tuple[int, ...]
    doubles: tuple[int, ...]
    safe_us: tuple[int, int] | None
    light_us: int | None
    firm_us: int | None
    drift: float
    drift_sd: float
    notes: tuple[str, ...]

    def strength_at(self, pulse_us: FloatArray) -> FloatArray:
        """Strength for pulses within the range tried; NaN outside of it."""
        from scipy.interpolate import PchipInterpolator

        heard = [i for i, s in enumerate(self.strength) if s > 0]
        curve = PchipInterpolator(
            np.array(self.pulses_us, dtype=float)[heard],
            np.array(self.strength)[heard],
            extrapolate=False,
        )
        return np.asarray(curve(np.asarray(pulse_us, dtype=np.float64)), dtype=np.float64)


def fit_tapper(strikes: Sequence[TestStrike], max_pulse_us: int = 12_000) -> TapperFit:
    """Fit a series that tries four pulses or more, each several times, best in mixed order.

    Raises AnalysisError where fewer than four pulses were heard or a pulse is impossible.
    """
    if any(not 0 < s.pulse_us <= max_pulse_us for s in strikes):
        raise AnalysisError(
            f"The series holds pulses outside of 1 to {max_pulse_us} µs.",
            remedy="Keep within the rig file's max_pulse_us.",
        )
    pulses = sorted({s.pulse_us for s in strikes})
    rows = [[s for s in strikes if s.pulse_us == p] for p in pulses]
    hits = [
        [
            float(s.strength)
            for s in row
            if s.strength is not None and s.strength > 0 and not s.double
        ]
        for row in rows
    ]
    misses = [sum(not (s.strength is not None and s.strength > 0) for s in row) for row in rows]
    doubles = [sum(s.double for s in row) for row in rows]
    heard = [i for i, row in enumerate(hits) if row]
    if len(heard) < LEAST_PULSES:
        raise AnalysisError(
            f"Only {len(heard)} pulses gave a single strike; {LEAST_PULSES} are needed.",
            remedy="Try pulses over the whole range, each five times or more.",
        )
    curve, scatter = np.zeros(len(pulses)), np.full(len(pulses), np.nan)
    curve[heard] = _rising([float(np.mean(hits[i])) for i in heard], [len(hits[i]) for i in heard])
    for i in heard:
        if len(hits[i]) > 1:
            scatter[i] = float(np.std(hits[i], ddof=1) / np.mean(hits[i]))
    clean = [not m and not d and len(h) > 1 for m, d, h in zip(misses, doubles, hits, strict=True)]
    safe = _longest(clean)
    notes: list[str] = []
    light, firm = None, None
    if safe is None:
        notes.append("No pulse hit every time and only once: look at the hammer's spring and rest.")
    else:
        # a handful of strikes tells a scatter poorly: each is judged together with its neighbours
        inside = scatter[safe[0] : safe[1] + 1]
        steady = [
            safe[0] + i
            for i in range(len(inside))
            if float(np.sqrt(np.mean(inside[max(i - 1, 0) : i + 2] ** 2))) <= MOST_SCATTER
        ]
        if not steady:
            notes.append("Every pulse scatters by more than 15 %: the hammer sticks or bounces.")
        else:
            light = pulses[steady[0]]
            firm = _firm(pulses, curve, steady, notes)
    drift, drift_sd = _drift(strikes, pulses, hits)
    if abs(drift) > max(_DRIFTED, 3.0 * drift_sd):
        notes.append(
            f"The hammer grew {'stronger' if drift > 0 else 'weaker'} by {100 * abs(drift):.0f} % "
            "over the series: let it warm up before a scan, and keep to its duty."
        )
    return TapperFit(
        tuple(pulses),
        tuple(float(v) for v in curve),
        tuple(float(v) for v in scatter),
        tuple(len(row) for row in rows),
        tuple(misses),
        tuple(doubles),
        None if safe is None else (pulses[safe[0]], pulses[safe[1]]),
        light,
        firm,
        drift,
        drift_sd,
        tuple(notes),
    )


def _rising(values: list[float], weights: list[int]) -> FloatArray:
    from scipy.optimize import isotonic_regression

    return np.asarray(
        isotonic_regression(np.array(values), weights=np.array(weights, dtype=float)).x,
        dtype=np.float64,
    )


def _longest(clean: list[bool]) -> tuple[int, int] | None:
    """First and last of the longest run of True."""
    best: tuple[int, int] | None = None
    start = None
    for i, good in enumerate([*clean, False]):
        if good and start is None:
            start = i
        elif not good and start is not None:
            if best is None or i - 1 - start > best[1] - best[0]:
                best = (start, i - 1)
            start = None
    return best


def _firm(pulses: list[int], curve: FloatArray, steady: list[int], notes: list[str]) -> int | None:
    """The pulse that strikes 2.5 times as strongly as the lightest steady one."""
    goal = FIRM_OVER_LIGHT * curve[steady[0]]
    if curve[steady[-1]] < goal:
        if steady[-1] == steady[0]:
            notes.append("Only one pulse strikes steadily: there is no firm one beside it.")
            return None
        notes.append(
            f"The strongest steady pulse strikes only {curve[steady[-1]] / curve[steady[0]]:.1f} "
            "times as strongly as the light one; 2.5 times were wanted."
        )
        return pulses[steady[-1]]
    at = next(i for i in steady if curve[i] >= goal)
    before = steady[steady.index(at) - 1]
    step = curve[at] - curve[before]
    part = (goal - curve[before]) / step if step > 0 else 1.0
    return round((pulses[before] + part * (pulses[at] - pulses[before])) / 10) * 10


def _drift(
    strikes: Sequence[TestStrike], pulses: list[int], hits: list[list[float]]
) -> tuple[float, float]:
    """Slope of ln strength against order, over the series, each pulse about its own level."""
    level = {p: float(np.mean(np.log(h))) for p, h in zip(pulses, hits, strict=True) if h}
    points = [
        (i / max(len(strikes) - 1, 1), float(np.log(s.strength)), s.pulse_us)
        for i, s in enumerate(strikes)
        if s.strength is not None and s.strength > 0 and not s.double
    ]
    y = np.array([v - level[p] for _, v, p in points])
    t = np.array([at for at, _, _ in points])
    mean_t = {p: float(np.mean([a for a, _, q in points if q == p])) for p in level}
    t = t - np.array([mean_t[p] for _, _, p in points])  # within a pulse: its level is its own
    below = float(np.sum(t * t))
    free = len(points) - len(level) - 1
    if below < 1e-9 or free < 1:
        return 0.0, float("inf")
    slope = float(np.sum(t * y)) / below
    variance = float(np.sum((y - slope * t) ** 2)) / free / below
    return slope, variance**0.5


def wear(before: TapperFit, now: TapperFit) -> tuple[float, str]:
    """Mean relative change of strength since an earlier fit over the pulses both tried.

    Raises AnalysisError where the two have no range in common.
    """
    low = max(min(_heard(before)), min(_heard(now)))
    high = min(max(_heard(before)), max(_heard(now)))
    if high <= low:
        raise AnalysisError("The two series of pulses have no range in common.")
    at = np.linspace(low, high, 25)
    change = float(np.exp(np.mean(np.log(now.strength_at(at) / before.strength_at(at)))) - 1.0)
    if abs(change) <= _WORN:
        return change, f"The hammer strikes as last time ({100 * change:+.0f} %)."
    cause = (
        "a worn tip, a tired spring or a weaker supply" if change < 0 else "a stiffer tip or supply"
    )
    return change, f"The hammer strikes {100 * change:+.0f} % against last time: {cause}?"


def _heard(fit: TapperFit) -> list[int]:
    return [p for p, s in zip(fit.pulses_us, fit.strength, strict=True) if s > 0]
