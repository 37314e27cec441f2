"""How distinct a map is: its spread against what repeats of itself.

The spread is that of the map without the part that the doubts alone would show, as one standard
deviation of normal values with the same 5 % to 95 % range; what repeats is the scatter of one scan
of the untouched plate. Their ratio compares tips, strengths and readings, and one map before and
after any alteration: the larger, the more of what is drawn is the plate. It says nothing of
whether what is drawn is thickness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rig.field.hand_blocks import BLOCK_MM, blocks_of
from rig.field.nearest import nearest
from rig.field.smoothing import robust_sd
from rig.model.errors import AnalysisError
from rig.model.tone_map import TapTone
from rig.model.units import FloatArray

_NORMAL_RANGE = 2.0 * 1.6449  # 5 % to 95 % of a normal distribution, in standard deviations
_SAME_PLACE_MM = 4.0
_FEWEST = 12
_DRAWS = 400
_SEED = 20215
_INTERVAL = (0.05, 0.95)
Source = Literal["two scans", "strikes of a tap", "the estimator's doubt"]


@dataclass(frozen=True)
class Distinctness:
    """Ratio of spread_cents to repeat_cents with its 90 % interval; source: of repeat_cents."""

    value: float
    low: float
    high: float
    spread_cents: float
    repeat_cents: float
    source: Source
    taps: int


def distinctness(tones: TapTone, again: TapTone | None = None) -> Distinctness:
    """Spread of a reading over the plate against what repeats of it.

    again: the same reading of another scan of the same plate, untouched, struck alike; without it
    the repeatability that the estimator tells, else its doubts. Raises AnalysisError for fewer
    than 12 taps.
    """
    places = np.asarray(tones.places)
    if len(places) < _FEWEST:
        raise AnalysisError(
            f"{len(places)} taps show no spread; {_FEWEST} are needed.",
            remedy="Scan more of the plate.",
        )
    cents = _against_middle(tones)
    gap = None if again is None else repeats(tones, again)
    label = blocks_of(places, BLOCK_MM)
    rng = np.random.default_rng(_SEED)
    value, spread, repeat = _ratio(cents, tones, gap, np.arange(len(cents)))
    drawn = []
    members = [np.flatnonzero(label == b) for b in range(int(label.max()) + 1)]
    for _ in range(_DRAWS):
        # Blocks, since neighbours are alike; whole plates of one block have no other blocks.
        rows = np.concatenate([members[b] for b in rng.integers(0, len(members), len(members))])
        shaken = cents.copy() if len(members) > 1 else cents + tones.sd_cents * rng.standard_normal(
            len(cents))  # fmt: skip
        other = None if gap is None else gap[rng.integers(0, len(gap), len(gap))]
        drawn.append(_ratio(shaken, tones, other, rows)[0])
    low, high = np.quantile(drawn, _INTERVAL)
    source: Source = "the estimator's doubt"
    if gap is not None:
        source = "two scans"
    elif tones.repeatability_cents is not None and tones.reading != "local":
        source = "strikes of a tap"
    return Distinctness(
        value, min(float(low), value), max(float(high), value), spread, repeat, source, len(cents)
    )


def repeats(one: TapTone, other: TapTone) -> FloatArray:
    """Differences in cents at taps that both scans struck, their middle taken off; (k,).

    Raises AnalysisError where the readings differ or the scans share too few places.
    """
    if one.reading != other.reading:
        raise AnalysisError(f"{one.reading} and {other.reading} are different readings.")
    gap, index = nearest(np.asarray(other.places), np.asarray(one.places), 1)
    here = np.flatnonzero(gap[:, 0] <= _SAME_PLACE_MM)
    if len(here) < _FEWEST:
        raise AnalysisError(
            f"The two scans share {len(here)} places; {_FEWEST} are needed.",
            remedy="Scan twice with the same plan.",
        )
    difference = _against_middle(one)[here] - _against_middle(other)[index[here, 0]]
    return np.asarray(difference - np.median(difference))


def _against_middle(tones: TapTone) -> FloatArray:
    cents = 1200.0 * np.log2(tones.tone_hz)
    return np.asarray(cents - np.median(cents))


def _ratio(
    cents: FloatArray, tones: TapTone, gap: FloatArray | None, rows: np.ndarray
) -> tuple[float, float, float]:
    if gap is not None:
        repeat = robust_sd(gap) / np.sqrt(2.0)
    elif tones.repeatability_cents is not None:
        repeat = tones.repeatability_cents
    else:
        repeat = float(np.sqrt(np.mean(tones.sd_cents[rows] ** 2)))
    repeat = max(float(repeat), 1e-3)
    low, high = np.quantile(cents[rows], [0.05, 0.95])
    seen = float(high - low) / _NORMAL_RANGE
    spread = float(np.sqrt(max(seen**2 - repeat**2, 0.0)))
    return spread / repeat, spread, repeat
