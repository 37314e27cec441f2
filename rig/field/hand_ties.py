"""Film and sound of one hand on one clock: two taps on known spots tie them together.

The rule. The maker rests the tool on a known spot, knocks there once, rests, scratches, and does
the same on a second spot. In the sound that is a knock; in the film the marker stands still at the
spot, and where the lift can be seen there is a dip: away and back, and the knock falls at the end
of the way back. Every pair of knocks is laid over every pair of rests; those whose distance in time
agrees are candidates, and the one in which the scratching is heard while the marker moves wins. A
tie whose scratching does not fit the moving is refused.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.model.units import FloatArray

SPOT_REACH_MM = 20.0  # marker to spot: the marker sits beside the point of the tool
STILL_MM_S = 18.0
_LEAST_STILL_S = 0.25
_SPEED_OVER_S = 0.04
_LONGEST_DIP_S = 0.7
_DEEP_MM = 2.5  # smallest departure that counts as a dip, and three times the marker's scatter
_RATE_TOLERANCE = 0.01  # of cheap cameras' clocks, dropped pictures and wrong picture rates
_LEAST_FIT = 0.75  # of scratching to moving: 0.5 by chance, 1 at best
_CLEAR_LEAD = 0.03
_MOST_KNOCKS = 40


@dataclass(frozen=True)
class HandPath:
    """The marker over time: time_s (n,) of the film, place_mm (n, 2) plate frame; gaps are left
    out. scatter_mm: of one place.
    """

    time_s: FloatArray
    place_mm: FloatArray
    scatter_mm: float


@dataclass(frozen=True)
class Rest:
    """The marker stands still at a spot from…to; landing_s: end of a dip within it, or None."""

    from_s: float
    to_s: float
    place_mm: FloatArray
    landing_s: float | None


@dataclass(frozen=True)
class Clock:
    """film time = start_s + rate · sound time, and what it stands on.

    knocks_s: the two knocks in the sound; offset_mm: mean of spot minus marker, (2,), by which the
    point of the tool lies beside the marker; offsets_apart_mm: how far the two differ; fit: how
    well scratching and moving agree, 0.5…1; sd_s: of the tie; seen_dips: 0 to 2.
    """

    start_s: float
    rate: float
    knocks_s: tuple[float, float]
    offset_mm: FloatArray
    offsets_apart_mm: float
    fit: float
    sd_s: float
    seen_dips: int

    def film_time(self, sound_s: FloatArray) -> FloatArray:
        """(n,) moments of the sound on the clock of the film."""
        return np.asarray(self.start_s + self.rate * sound_s)


def speed_of(path: HandPath) -> FloatArray:
    """(n,) mm/s, over at least 0.04 s before and after; NaN over gaps of more than 0.25 s."""
    t, p = path.time_s, path.place_mm
    n = len(t)
    if n < 3:
        return np.full(n, np.nan)
    every = float(np.median(np.diff(t)))
    reach = max(1, int(np.ceil(_SPEED_OVER_S / every - 1e-6)))
    first = np.maximum(np.arange(n) - reach, 0)
    last = np.minimum(np.arange(n) + reach, n - 1)
    span = t[last] - t[first]
    gone = np.hypot(*(p[last] - p[first]).T)
    return np.where((span > 0) & (span < 0.25 + 2 * reach * every), gone / span, np.nan)


def rests_at(path: HandPath, spot_mm: tuple[float, float]) -> list[Rest]:
    """Every rest near a spot, one for each dip seen in it, and one for a rest without a dip."""
    t, p = path.time_s, path.place_mm
    still = speed_of(path) < STILL_MM_S
    near = np.hypot(*(p - np.asarray(spot_mm)).T) < SPOT_REACH_MM
    stands = _runs(still & near, t, 0.5 * _LEAST_STILL_S)
    found = []
    for k, (start, stop) in enumerate(stands):
        place = np.median(p[start:stop], axis=0)
        if t[stop - 1] - t[start] >= _LEAST_STILL_S:
            found.append(Rest(float(t[start]), float(t[stop - 1]), place, None))
        if k == 0:
            continue
        before = np.median(p[stands[k - 1][0] : stands[k - 1][1]], axis=0)
        away_s = t[start] - t[stands[k - 1][1] - 1]
        if away_s > _LONGEST_DIP_S or np.hypot(*(place - before)) > 6.0:
            continue
        landing = _landing(path, stands[k - 1][1] - 1, start, place)
        if landing is not None:
            low = float(t[stands[k - 1][0]])
            found.append(Rest(low, float(t[stop - 1]), place, landing))
    return found


def _landing(path: HandPath, first: int, last: int, place: FloatArray) -> float | None:
    """When the way back from a dip between two samples ends; None where there is no dip.

    A straight line through the way back, from its far end to where it comes within the scatter of
    the rest, is carried on to the rest itself: finer than the distance of the pictures.
    """
    last = min(last + 3, len(path.time_s) - 1)
    away = np.hypot(*(path.place_mm[first : last + 1] - place).T)
    deep = max(_DEEP_MM, 3.0 * path.scatter_mm)
    top = int(np.argmax(away))
    if away[top] < deep:
        return None
    down = [k for k in range(top, len(away)) if away[k] > max(0.15 * away[top], path.scatter_mm)]
    down = [k for n, k in enumerate(down) if k == top + n]
    t = path.time_s[first : last + 1]
    if len(down) >= 2:
        slope, base = np.polyfit(t[down], away[down], 1)
        if slope < 0.0:
            end = float(-base / slope)
            return float(np.clip(end, t[down[-1]], t[min(down[-1] + 1, len(t) - 1)]))
    return float(0.5 * (t[down[-1]] + t[min(down[-1] + 1, len(t) - 1)]))


def tie(
    path: HandPath,
    spots_mm: tuple[tuple[float, float], tuple[float, float]],
    knocks_s: FloatArray,
    sound_s: FloatArray,
    sounding: np.ndarray,
) -> Clock | str:
    """Lay the sound over the film; a text says why that cannot be done.

    knocks_s: (k,) moments of knocks in the sound, loudest first; sound_s, sounding: (m,) frames of
    the sound, and whether scratching is heard in each.
    """
    first, second = (rests_at(path, spot) for spot in spots_mm)
    for spot, rests in zip(spots_mm, (first, second), strict=True):
        if not rests:
            return (
                f"The marker never stands still within {SPOT_REACH_MM:.0f} mm of the spot "
                f"x {spot[0]:.0f}, y {spot[1]:.0f} mm."
            )
    if len(knocks_s) < 2:
        return f"{len(knocks_s)} knocks are heard; two are needed, one on each spot."
    frame_s = float(np.median(np.diff(path.time_s)))
    moving = _moving(path)
    candidates: list[tuple[float, Clock]] = []
    knocks = np.sort(knocks_s[:_MOST_KNOCKS])
    for a in first:
        for b in second:
            if b.to_s <= a.from_s:
                continue
            for i, start in enumerate(knocks):
                for end in knocks[i + 1 :]:
                    clock = _clock(a, b, float(start), float(end), frame_s, spots_mm)
                    if clock is not None:
                        fit = _fit(clock, path, moving, sound_s, sounding)
                        # a dip that is seen is worth more than standing still somewhere near
                        candidates.append((fit + 0.1 * clock.seen_dips, replace(clock, fit=fit)))
    if not candidates:
        return (
            "No two knocks are as far apart in the sound as the marker's rests on the two spots "
            "are in the film."
        )
    candidates.sort(key=lambda c: -c[0])
    best = candidates[0][1]
    if best.fit < _LEAST_FIT:
        return (
            "Laid over each other by the knocks, the scratching is not heard while the marker "
            "moves: film and sound do not belong together, or the taps were not on these spots."
        )
    for merit, other in candidates[1:]:
        apart = abs(other.start_s - best.start_s) + 30.0 * abs(other.rate - best.rate)
        if merit > candidates[0][0] - _CLEAR_LEAD and apart > max(0.25, 3.0 * best.sd_s):
            return "The knocks fit the film in more than one way; tap once on each spot, then rest."
    return best


def _clock(
    a: Rest,
    b: Rest,
    start: float,
    end: float,
    frame_s: float,
    spots_mm: tuple[tuple[float, float], tuple[float, float]],
) -> Clock | None:
    """The clock of two knocks on two rests; None where the times between them do not agree."""
    sound_gap = end - start
    times, sds = [], []
    for rest in (a, b):
        if rest.landing_s is not None:
            times.append(rest.landing_s)
            sds.append(0.4 * frame_s)
        else:
            times.append(0.5 * (rest.from_s + rest.to_s))
            sds.append((rest.to_s - rest.from_s) / np.sqrt(12.0))
    gap = times[1] - times[0]
    slack = _RATE_TOLERANCE * sound_gap + sum(
        2.0 * frame_s if rest.landing_s is not None else 0.5 * (rest.to_s - rest.from_s)
        for rest in (a, b)
    )
    if sound_gap <= 1.0 or abs(gap - sound_gap) > slack:
        return None
    dips = sum(rest.landing_s is not None for rest in (a, b))
    if dips == 2:
        rate = gap / sound_gap
        begin = times[0] - rate * start
    else:  # a rest says too little of the rate: both clocks are taken to run alike
        rate = 1.0
        weights = 1.0 / np.square(sds)
        begin = float(np.average([times[0] - start, times[1] - end], weights=weights))
        for rest, knock in ((a, start), (b, end)):
            if not rest.from_s - 2 * frame_s <= begin + knock <= rest.to_s + 2 * frame_s:
                return None
    offsets = np.array([spots_mm[0] - a.place_mm, spots_mm[1] - b.place_mm])
    sd = float(1.0 / np.sqrt(np.sum(1.0 / np.square(sds))))
    apart = float(np.hypot(*(offsets[1] - offsets[0])))
    return Clock(begin, rate, (start, end), offsets.mean(axis=0), apart, 0.0, sd, dips)


def _moving(path: HandPath) -> FloatArray:
    """(n,) 1 where the marker moves, 0 where it stands, NaN unknown."""
    speed = speed_of(path)
    return np.where(np.isfinite(speed), (speed > STILL_MM_S).astype(np.float64), np.nan)


def _fit(
    clock: Clock, path: HandPath, moving: FloatArray, sound_s: FloatArray, sounding: np.ndarray
) -> float:
    """How well scratching and moving agree between the knocks: 1 at best, 0.5 by chance.

    The mean of two shares: of the frames in which scratching is heard, those in which the marker
    moves; of those in which it stands still, the silent ones.
    """
    inside = (sound_s > clock.knocks_s[0] + 0.1) & (sound_s < clock.knocks_s[1] - 0.1)
    at = clock.film_time(sound_s[inside])
    here = np.interp(at, path.time_s, np.nan_to_num(moving, nan=0.5))
    heard = sounding[inside]
    if heard.sum() < 10:
        return 0.0
    drawn = float(np.mean(here[heard]))
    still = here < 0.25
    return drawn if still.sum() < 10 else 0.5 * (drawn + float(np.mean(~heard[still])))


def _runs(flags: np.ndarray, time_s: FloatArray, least_s: float) -> list[tuple[int, int]]:
    """(start, stop) of runs of True that last at least `least_s`."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [
        (int(a), int(b))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if time_s[b - 1] - time_s[a] >= least_s
    ]
