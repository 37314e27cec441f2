"""What a faster blow does to the attack, taken off.

A faster strike makes a shorter force pulse (Hertz: duration ∝ v^(−1/5)) and so a brighter attack.
How much depends on tip and wood; it is read off the scan itself, from strikes whose speed is known:
attack in cents against the logarithm of the speed. What the place does to the attack is far more
than what the speed does, so strikes are compared with others of the same tap, and where a tap was
struck once, with the plane through its nearest neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.field.nearest import nearest
from rig.model.clip import Clip
from rig.model.scan_record import Strike
from rig.model.units import FloatArray

_NEIGHBOURS = 9
_LEAST_PAIRS = 8
_LEAST_SPREAD = 0.005  # of ln speed: steadier strikes need no correction and tell no slope
_PULSE_S = 0.002
_FOOT = 0.05
_HUBER = 2.0
_SHARED_NEIGHBOURS = 1.25


@dataclass(frozen=True)
class SpeedCorrection:
    """Attack at one speed for all.

    cents (n,): corrected; slope_cents: rise of the attack for a doubling of the speed, with its
    standard deviation (0 and None where nothing could be told); corrected: how many strikes.
    """

    cents: FloatArray
    slope_cents: float
    slope_sd_cents: float | None
    corrected: int


def speed_corrected(
    cents: ArrayLike, speed: ArrayLike, taps: ArrayLike, places_mm: ArrayLike
) -> SpeedCorrection:
    """Bring the attack of all strikes of a scan to their middle speed.

    cents (n,): attack on a logarithmic scale, 1200 to the octave, from any zero; speed (n,): of
    the hammer, in any one unit, NaN where unknown; taps (n,): which strikes are of one place;
    places_mm (n, 2). The slope is shrunk by its doubt, so that noise corrects nothing. Strikes
    without a speed stay as they are.
    """
    value = np.asarray(cents, dtype=np.float64)
    where = np.asarray(places_mm, dtype=np.float64).reshape(-1, 2)
    pace = np.asarray(speed, dtype=np.float64)
    tap = np.asarray(taps, dtype=np.int64)
    known = np.isfinite(pace) & (pace > 0.0) & np.isfinite(value)
    log_speed = np.full(len(value), np.nan)
    log_speed[known] = np.log2(pace[known])
    slope, sd = _slope(*_contrasts(value[known], log_speed[known], tap[known], where[known]))
    if sd is None:
        return SpeedCorrection(value.copy(), 0.0, None, 0)
    shrunk = slope * max(0.0, 1.0 - (sd / slope) ** 2) if slope != 0.0 else 0.0
    off = log_speed - np.median(log_speed[known])
    fixed = np.where(known, value - shrunk * np.where(known, off, 0.0), value)
    return SpeedCorrection(fixed, float(slope), float(sd), int(np.count_nonzero(known)))


def speeds_of(strikes: Sequence[Strike]) -> FloatArray:
    """Speed of every strike, (n,), NaN where unknown: by the gate, else by the pickup's impulse.

    The two have different units; the one that more strikes have is used for all.
    """
    gate = np.array(
        [np.nan if (v := s.clip.strike_speed_m_s) is None else v for s in strikes], dtype=np.float64
    )
    if 2 * np.count_nonzero(np.isfinite(gate)) >= len(strikes):
        return gate
    impulse = np.array([_impulse(s.clip) for s in strikes], dtype=np.float64)
    return impulse if np.isfinite(impulse).sum() > np.isfinite(gate).sum() else gate


def _impulse(clip: Clip) -> float:
    """Impulse of the force pulse in units of the pickup, mass × speed × (1 + rebound ratio)."""
    pickup = clip.pickup
    if pickup is None or len(pickup) < 16:
        return float("nan")
    level = pickup - float(np.median(pickup))
    top = int(np.argmax(np.abs(level)))
    reach = round(_PULSE_S * clip.sample_rate_hz)
    pulse = level[max(0, top - reach) : top + reach] * np.sign(level[top])
    above = pulse > _FOOT * abs(level[top])
    return float(np.sum(pulse[above])) / clip.sample_rate_hz


def _contrasts(
    value: FloatArray, log_speed: FloatArray, tap: NDArray[np.int64], where: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.int64], NDArray[np.bool_]]:
    """Speeds and attacks with the place taken out, their tap, and which come from repeats."""
    numbers, owner, count = np.unique(tap, return_inverse=True, return_counts=True)
    if len(numbers) == 0:
        none = np.zeros(0)
        return none, none, np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
    mean_x = np.bincount(owner, log_speed) / count
    mean_y = np.bincount(owner, value) / count
    many = count[owner] > 1
    x, y = [(log_speed - mean_x[owner])[many]], [(value - mean_y[owner])[many]]
    of = [owner[many]]
    if len(numbers) > _NEIGHBOURS + 3:
        places = np.column_stack([np.bincount(owner, where[:, k]) / count for k in range(2)])
        _, near = nearest(places, places, _NEIGHBOURS)
        offset = places[near[:, 1:]] - places[:, None, :]
        design = np.concatenate([np.ones((*offset.shape[:2], 1)), offset], axis=2)
        weight = np.linalg.pinv(design)[:, 0, :]
        x.append(mean_x - np.sum(weight * mean_x[near[:, 1:]], axis=1))
        y.append(mean_y - np.sum(weight * mean_y[near[:, 1:]], axis=1))
        of.append(np.arange(len(numbers)))
    repeats = np.concatenate([np.full(len(part), k == 0) for k, part in enumerate(x)])
    return np.concatenate(x), np.concatenate(y), np.concatenate(of), repeats


def _slope(
    x: FloatArray, y: FloatArray, of: NDArray[np.int64], repeats: NDArray[np.bool_]
) -> tuple[float, float | None]:
    """Slope of y against x through zero, and its sd; each kind has a scatter of its own.

    Deviations of one tap hang together: the sd is that of independent taps.
    """
    if len(x) < _LEAST_PAIRS or float(np.sqrt(np.mean(x**2))) < _LEAST_SPREAD:
        return 0.0, None
    slope, sd = 0.0, np.inf
    weight = np.ones(len(x))
    for _ in range(4):
        left = y - slope * x
        for part in (repeats, ~repeats):
            if np.count_nonzero(part) < _LEAST_PAIRS:
                weight[part] = 0.0
                continue
            scatter = 1.4826 * float(np.median(np.abs(left[part]))) + 1e-9
            far = np.abs(left[part]) / (_HUBER * scatter)
            weight[part] = 1.0 / np.maximum(far, 1.0) / scatter**2
        total = float(np.sum(weight * x**2))
        if total <= 0.0:
            return 0.0, None
        slope = float(np.sum(weight * x * y)) / total
        pull = np.bincount(of, weight * x * (y - slope * x))
        sd = float(np.sqrt(np.sum(pull**2))) / total
    # planes through neighbours share them
    return slope, sd if repeats.any() else _SHARED_NEIGHBOURS * sd
