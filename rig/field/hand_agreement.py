"""The machine's map against the hand's: how far they agree, and where they surely do not.

Neighbouring places are alike, so intervals come from whole blocks of the plate drawn anew (spatial
block bootstrap, Lahiri, "Resampling Methods for Dependent Data", 2003, ch. 12), with a Student
quantile for the number of blocks, since few blocks tell little about their own scatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rig.field.hand_blocks import BLOCK_MM, BlockDraws, Interval, block_draws, interval_of
from rig.field.nearest import typical_spacing_mm
from rig.field.smoothing import (
    averaging_weights,
    chance_of_peaks,
    error_covariance,
    error_length_mm,
)
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.hand_map import HandMap
from rig.model.outline import Outline
from rig.model.plate_size import times_violin
from rig.model.tone_map import ReadingKind, ToneMap
from rig.model.units import FloatArray

Quantity = Literal["tone", "above target"]

FEWEST_PLACES = 5
SURE = 0.95
_EAR_MM = 18.0  # a fingertip or a chalk mark stands for about this much wood (full width at half)


@dataclass(frozen=True)
class Agreement:
    """Machine against hand at the places of the hand.

    rank: Spearman's correlation; kappa: Cohen's, of high and low, None where the hand says only
    one of the two; each with its 95 % interval. hand_z, machine_z, difference, sd: (n,) in
    standard deviations, hand minus machine; sure: (n,) beyond doubt, with 95 % confidence over
    all places at once.
    """

    reading: ReadingKind
    quantity: Quantity
    places: PlateXY
    rank: Interval
    kappa: Interval | None
    hand_z: FloatArray
    machine_z: FloatArray
    difference: FloatArray
    sd: FloatArray
    sure: tuple[bool, ...]
    blocks: int
    sentence: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class MachineThere:
    """The machine's values in cents at the hand's places that lie on its map.

    rows: which of the hand's places those are; covariance: (m, m) of their errors.
    """

    rows: np.ndarray
    value: FloatArray
    covariance: FloatArray


def machine_at(
    tone_map: ToneMap, outline: Outline, places: FloatArray, quantity: Quantity = "tone"
) -> MachineThere:
    """Average the map over a fingertip, or one tap's share of the plate, around (n, 2) places."""
    variance = np.maximum(tone_map.sd_cents, 1e-3) ** 2
    taps = np.asarray(tone_map.places)
    fwhm_mm = max(_EAR_MM, typical_spacing_mm(taps))
    weights = averaging_weights(taps, places, outline, fwhm_mm=fwhm_mm, variance=variance)
    rows = np.flatnonzero(weights.sum(axis=1) > 0.5)
    weights = weights[rows]
    values = tone_map.tone_cents if quantity == "tone" else tone_map.excess_cents
    length = error_length_mm(tone_map.reading, tone_map.estimator, times_violin(outline))
    errors = error_covariance(taps, np.sqrt(variance), length)
    return MachineThere(rows, np.asarray(weights @ values), weights @ errors @ weights.T)


def hand_agreement(
    hand: HandMap,
    tone_map: ToneMap,
    outline: Outline,
    *,
    rng: np.random.Generator,
    quantity: Quantity = "tone",
    block_mm: float = BLOCK_MM,
    draws: int = 1000,
) -> Agreement:
    """Set a tone map against a hand map of the same face.

    Of a hand map in several groups the largest is used. Raises AnalysisError when fewer than five
    of the hand's places lie on the map.
    """
    notes = []
    if hand.face != tone_map.face:
        notes.append(
            f"The hand worked on the {hand.face} face, the scan is of the {tone_map.face}."
        )
    group = np.asarray(hand.group) == 0
    if not group.all():
        notes.append(f"{int((~group).sum())} places of other groups of answers were left out.")
    chosen = np.flatnonzero(group)
    there = machine_at(tone_map, outline, np.asarray(hand.places_mm)[chosen], quantity)
    if len(there.rows) < len(chosen):
        notes.append(
            f"{len(chosen) - len(there.rows)} of the hand's places lie away from every tap and "
            "were left out."
        )
    chosen = chosen[there.rows]
    if len(chosen) < FEWEST_PLACES:
        raise AnalysisError(
            f"Only {len(chosen)} of the hand's places lie on the scan's map; at least "
            f"{FEWEST_PLACES} are needed.",
            where=hand.source,
            remedy="Mark or compare more places, or scan where the hand was.",
        )
    places = PlateXY(np.asarray(hand.places_mm)[chosen])
    value, sd = hand.value[chosen], hand.sd[chosen]
    picks = block_draws(places, block_mm, draws, rng)
    rank = interval_of(lambda rows: spearman(value[rows], there.value[rows]), picks, len(places),
                       fisher=True)  # fmt: skip
    whole = tone_map.tone_cents if quantity == "tone" else tone_map.excess_cents
    middle = float(np.median(whole)) if quantity == "tone" else 0.0
    kappa = _kappa(value, there.value - middle, picks)
    hand_z, hand_sd, machine_z, scale = _standardised(
        hand, value, sd, there, np.asarray(whole), tone_map.sd_cents
    )
    covariance = np.diag(hand_sd**2) + there.covariance / scale**2
    doubt = np.sqrt(np.diag(covariance))
    difference = hand_z - machine_z
    chance = chance_of_peaks(covariance, two_sided=True, rng=rng)
    needed = float(np.quantile(chance.draws, SURE))
    sure = np.abs(difference) / doubt >= needed
    return Agreement(
        reading=tone_map.reading,
        quantity=quantity,
        places=places,
        rank=rank,
        kappa=kappa,
        hand_z=hand_z,
        machine_z=machine_z,
        difference=difference,
        sd=doubt,
        sure=tuple(bool(s) for s in sure),
        blocks=picks.blocks,
        sentence=_sentence(rank, sure, places),
        notes=tuple(notes),
    )


def _standardised(
    hand: HandMap,
    value: FloatArray,
    sd: FloatArray,
    there: MachineThere,
    whole: FloatArray,
    whole_sd: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Hand, its sd, and machine in standard deviations; and the machine's unit in cents.

    A judged place is said against the plate at large, so the machine is measured by its whole map.
    A scale of pairs or a scratch knows its own places only, so both are measured by these. The
    spread that errors alone make is taken off.
    """
    if hand.kind in ("marks", "judged"):
        scale = _true_spread(whole, float(np.mean(whole_sd**2)))
        return value, sd, (there.value - np.median(whole)) / scale, scale
    scale = _true_spread(there.value, float(np.mean(np.diag(there.covariance))))
    machine_z = (there.value - there.value.mean()) / scale
    if hand.kind == "pairs":  # expected scores already
        return value - value.mean(), sd, machine_z, scale
    own = _true_spread(value, float(np.mean(sd**2)))
    return (value - value.mean()) / own, sd / own, machine_z, scale


def _true_spread(values: FloatArray, error_variance: float) -> float:
    spread2 = float(np.var(values))
    return float(np.sqrt(max(spread2 - error_variance, 0.1 * spread2, 1e-12)))


def average_ranks(values: FloatArray) -> FloatArray:
    """Ranks from 1, equal values sharing the mean of their ranks; (n,)."""
    _, where, count = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((last - 0.5 * (count - 1.0))[where])


def spearman(first: FloatArray, second: FloatArray) -> float:
    """Spearman's rank correlation, ties at their average rank; NaN where one never changes."""
    a, b = average_ranks(first), average_ranks(second)
    a, b = a - a.mean(), b - b.mean()
    norm = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / norm if norm > 0.0 else float("nan")


def cohens_kappa(first: np.ndarray, second: np.ndarray) -> float:
    """Agreement of two calls of high (True) and low beyond chance (Cohen 1960); NaN: all one."""
    agree = float(np.mean(first == second))
    p, q = float(np.mean(first)), float(np.mean(second))
    chance = p * q + (1.0 - p) * (1.0 - q)
    return (agree - chance) / (1.0 - chance) if chance < 1.0 else float("nan")


def _kappa(value: FloatArray, machine: FloatArray, picks: BlockDraws) -> Interval | None:
    said = value != 0.0
    if not np.any(value > 0.0) or not np.any(value < 0.0):
        return None

    def one(rows: np.ndarray) -> float:
        rows = rows[said[rows]]
        return cohens_kappa(value[rows] > 0.0, machine[rows] > 0.0) if len(rows) else float("nan")

    return interval_of(one, picks, len(value))


def _sentence(rank: Interval, sure: np.ndarray, places: PlateXY) -> str:
    if not np.isfinite(rank.value):
        how = "Machine or hand calls every place alike: their order cannot be compared."
    elif rank.low is None or rank.high is None:
        how = (
            f"Machine and hand rank the places alike by {rank.value:.2f} (1: the same order), but "
            "the places lie too close together to say how sure that is."
        )
    else:
        span = f"{rank.value:.2f} ({rank.low:.2f} to {rank.high:.2f})"
        if rank.low > 0.0:
            how = f"Machine and hand agree: rank correlation {span}."
        elif rank.high < 0.0:
            how = f"Machine and hand contradict each other: rank correlation {span}."
        else:
            how = f"Whether machine and hand agree cannot be told yet: rank correlation {span}."
    if not np.any(sure):
        return f"{how} Nowhere do they differ beyond doubt."
    first = places[int(np.flatnonzero(sure)[0])]
    many = int(np.sum(sure))
    return (
        f"{how} They differ beyond doubt at {many} place{'s' if many > 1 else ''}"
        f"{', such as' if many > 1 else ':'} x {first[0]:.0f}, y {first[1]:.0f} mm."
    )
