"""A scale out of "here higher than there": paired comparisons with ties.

Bradley & Terry, Biometrika 39 (1952) 324, with Davidson's ties, J. Amer. Stat. Assoc. 65 (1970)
317: with strengths π = exp θ, P(i above j) = π_i/(π_i + π_j + ν√(π_i π_j)) and
P(same) = ν√(π_i π_j)/(…). θ has a normal prior, so that a place that always won has a finite
value; the curvature at the best θ gives the standard deviations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.errors import AnalysisError
from rig.model.frames import Face, PlateXY
from rig.model.hand_map import HandMap, PairAnswer
from rig.model.units import FloatArray

SAME_SPOT_MM = 4.0  # places closer than this are one spot: a fingertip's width is larger
PRIOR_SD = 1.5  # of θ: a spot one sd above the middle is called higher 82 times in 100
_ROUNDS = 60
_TIE_PRIOR_SD = 2.0  # of log ν: keeps it finite where nothing or everything is a tie
_LONGEST_NAMED = 3


@dataclass(frozen=True)
class PairScale:
    """Strengths from answers.

    theta: (n,) mean 0 within each group, logit units; covariance: (n, n) of it; tie: ν, 0 where
    nobody said "same"; group: (n,), 0 the largest.
    """

    theta: FloatArray
    covariance: FloatArray
    tie: float
    group: NDArray[np.int64]

    @property
    def sd(self) -> FloatArray:
        """Standard deviation of each strength against the mean of its group; (n,)."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance), 0.0)))


def spots_of(answers: Sequence[PairAnswer]) -> tuple[PlateXY, NDArray[np.int64]]:
    """The different places named, (n, 2), and which two each answer compares, (m, 2).

    Places closer than 4 mm to the first mention of a spot are that spot.
    """
    spots: list[tuple[float, float]] = []

    def number(place: tuple[float, float]) -> int:
        for k, spot in enumerate(spots):
            if np.hypot(place[0] - spot[0], place[1] - spot[1]) < SAME_SPOT_MM:
                return k
        spots.append(place)
        return len(spots) - 1

    pairs = [(number(a.first_mm), number(a.second_mm)) for a in answers]
    return PlateXY(np.array(spots, dtype=np.float64).reshape(-1, 2)), np.array(
        pairs, dtype=np.int64
    ).reshape(-1, 2)


def pair_scale(
    count: int, pairs: NDArray[np.int64], outcome: FloatArray, *, prior_sd: float = PRIOR_SD
) -> PairScale:
    """Fit the strengths of `count` spots.

    pairs: (m, 2) spots compared; outcome: (m,) +1 the first is higher, −1 lower, 0 same.
    """
    tied = bool(np.any(outcome == 0.0))
    theta, log_tie, precision = _fit(count, pairs, outcome, prior_sd, tied)
    group = groups_of(count, pairs)
    # what a common shift of a group would do is the prior's affair: only differences are told
    centre = np.eye(count)
    for g in range(int(group.max(initial=-1)) + 1):
        inside = group == g
        centre[np.ix_(inside, inside)] -= 1.0 / inside.sum()
    covariance = np.linalg.inv(precision)[:count, :count]
    return PairScale(
        theta=centre @ theta,
        covariance=centre @ covariance @ centre.T,
        tie=float(np.exp(log_tie)) if tied else 0.0,
        group=group,
    )


def _fit(
    count: int, pairs: NDArray[np.int64], outcome: FloatArray, prior_sd: float, tied: bool
) -> tuple[FloatArray, float, FloatArray]:
    """θ, log ν and the curvature of the penalised likelihood, which is concave in both.

    Newton's method with halving.
    """
    size = count + int(tied)
    prior = np.full(size, 1.0 / prior_sd**2)
    if tied:
        prior[count] = 1.0 / _TIE_PRIOR_SD**2
    values = np.zeros(size)
    best = _objective(values, count, pairs, outcome, prior, tied)
    for _ in range(_ROUNDS):
        slope, curve = _slopes(values, count, pairs, outcome, prior, tied)
        step = np.linalg.solve(curve, slope)
        length = 1.0
        while length > 1e-6:
            trial = values + length * step
            reached = _objective(trial, count, pairs, outcome, prior, tied)
            if reached >= best - 1e-12:
                break
            length *= 0.5
        values, best = trial, reached
        if float(np.abs(length * step).max(initial=0.0)) < 1e-9:
            break
    _, curve = _slopes(values, count, pairs, outcome, prior, tied)
    log_tie = float(values[count]) if tied else -np.inf
    return values[:count], log_tie, curve


def _chances(values: FloatArray, count: int, pairs: NDArray[np.int64], tied: bool) -> FloatArray:
    """The (m, 3) chances of higher, lower, same."""
    gap = values[pairs[:, 0]] - values[pairs[:, 1]]
    log_tie = values[count] if tied else -np.inf
    logs = np.stack([0.5 * gap, -0.5 * gap, np.full(len(gap), log_tie)], axis=1)
    logs -= logs.max(axis=1, keepdims=True)
    chance = np.exp(logs)
    return np.asarray(chance / chance.sum(axis=1, keepdims=True))


def _objective(
    values: FloatArray,
    count: int,
    pairs: NDArray[np.int64],
    outcome: FloatArray,
    prior: FloatArray,
    tied: bool,
) -> float:
    chance = _chances(values, count, pairs, tied)
    column = np.where(outcome > 0, 0, np.where(outcome < 0, 1, 2))
    told = np.log(np.maximum(chance[np.arange(len(outcome)), column], 1e-300))
    return float(np.sum(told) - 0.5 * np.sum(prior * values**2))


def _slopes(
    values: FloatArray,
    count: int,
    pairs: NDArray[np.int64],
    outcome: FloatArray,
    prior: FloatArray,
    tied: bool,
) -> tuple[FloatArray, FloatArray]:
    """Gradient and negative Hessian; each pair acts on θ_i, θ_j and log ν.

    The log chances are linear in (gap/2, −gap/2, log ν): an exponential family, whose curvature
    is the covariance of its statistics g (±½ or 0) and t (1 for same).
    """
    size = len(values)
    chance = _chances(values, count, pairs, tied)
    g = 0.5 * (chance[:, 0] - chance[:, 1])
    t = chance[:, 2]
    var_g = 0.25 * (chance[:, 0] + chance[:, 1]) - g**2
    slope = -prior * values
    curve = np.diag(prior)
    first, second = pairs[:, 0], pairs[:, 1]
    pull = 0.5 * outcome - g
    np.add.at(slope, first, pull)
    np.add.at(slope, second, -pull)
    for a, b, sign in ((first, first, 1.0), (second, second, 1.0), (first, second, -1.0),
                       (second, first, -1.0)):  # fmt: skip
        np.add.at(curve, (a, b), sign * var_g)
    if tied:
        slope[count] += float(np.sum((outcome == 0.0) - t))
        curve[count, count] += float(np.sum(t * (1.0 - t)))
        mixed = np.zeros(size)
        np.add.at(mixed, first, -g * t)
        np.add.at(mixed, second, g * t)
        curve[count, :count] += mixed[:count]
        curve[:count, count] += mixed[:count]
    return slope, curve


def groups_of(count: int, pairs: NDArray[np.int64]) -> NDArray[np.int64]:
    """Number of the connected group of each spot, the largest group first; (n,)."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    joined = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    _, label = connected_components(joined, directed=False)
    order = np.argsort(-np.bincount(label), kind="stable")
    return np.asarray(np.argsort(order)[label], dtype=np.int64)


def contradictions(count: int, pairs: NDArray[np.int64], outcome: FloatArray) -> tuple[int, int]:
    """Pairs answered both ways, and circular triads (a over b over c over a; Kendall 1940)."""
    net = np.zeros((count, count))
    both = np.zeros((count, count), dtype=bool)
    for (i, j), answer in zip(pairs, outcome, strict=True):
        if answer * net[i, j] < 0.0:
            both[i, j] = both[j, i] = True
        net[i, j] += answer
        net[j, i] -= answer
    over = (net > 0.0).astype(np.int64)
    circles = int(np.trace(over @ over @ over)) // 3
    return int(both.sum()) // 2, circles


def next_pair(scale: PairScale, pairs: NDArray[np.int64]) -> tuple[int, int] | None:
    """The pair whose answer would tell most; None with fewer than two spots.

    Two groups are joined first. Within a group: the pair whose order is most in doubt, its
    difference against its standard deviation the smallest; the one less often asked of equals.
    """
    n = len(scale.theta)
    if n < 2:
        return None
    variance = np.diag(scale.covariance)
    gap = np.abs(scale.theta[:, None] - scale.theta[None, :])
    doubt = variance[:, None] + variance[None, :] - 2.0 * scale.covariance
    asked = np.zeros((n, n))
    np.add.at(asked, (pairs[:, 0], pairs[:, 1]), 1.0)
    surety = gap / np.sqrt(np.maximum(doubt, 1e-12)) + 1e-6 * (asked + asked.T)
    if scale.group.max() > 0:
        surety = np.where(scale.group[:, None] != scale.group[None, :], surety, np.inf)
    surety[np.tril_indices(n)] = np.inf
    i, j = np.unravel_index(int(np.argmin(surety)), surety.shape)
    return int(i), int(j)


def pairs_map(
    answers: Sequence[PairAnswer], *, source: str, face: Face = "outer"
) -> tuple[HandMap, PairScale, NDArray[np.int64]]:
    """The hand map of paired answers, its scale, and the (m, 2) spots compared.

    Values are expected standard scores over the largest group: their variance and the mean square
    of their sd together are 1. Raises AnalysisError when fewer than two spots
    are compared.
    """
    places, pairs = spots_of(answers)
    if len(places) < 2:
        raise AnalysisError(
            "There is no pair of two different places.",
            where=source,
            remedy=f"Compare places at least {SAME_SPOT_MM:g} mm apart.",
        )
    outcome = np.array([{"higher": 1.0, "same": 0.0, "lower": -1.0}[a.answer] for a in answers])
    itself = pairs[:, 0] == pairs[:, 1]
    pairs, outcome = pairs[~itself], outcome[~itself]
    scale = pair_scale(len(places), pairs, outcome)
    notes = _notes(places, pairs, outcome, scale, int(itself.sum()))
    largest = scale.group == 0
    unit = float(np.sqrt(np.var(scale.theta[largest]) + np.mean(scale.sd[largest] ** 2)))
    made = HandMap(
        places_mm=places,
        value=scale.theta / unit,
        sd=scale.sd / unit,
        kind="pairs",
        source=source,
        face=face,
        group=tuple(int(g) for g in scale.group),
        notes=tuple(notes),
    )
    return made, scale, pairs


def _notes(
    places: PlateXY,
    pairs: NDArray[np.int64],
    outcome: FloatArray,
    scale: PairScale,
    itself: int,
) -> list[str]:
    notes = []
    if itself:
        notes.append(f"{itself} answers compare a spot with itself and were left out.")
    groups = int(scale.group.max()) + 1
    if groups > 1:
        alone = [np.flatnonzero(scale.group == g) for g in range(1, groups)]
        named = ", ".join(
            f"x {places[k[0], 0]:.0f}, y {places[k[0], 1]:.0f} mm" for k in alone[:_LONGEST_NAMED]
        )
        notes.append(
            f"No answer joins {groups} groups of spots: the smaller ones (from {named}) cannot be "
            "placed on the scale of the largest. Compare one spot of each with one of the largest."
        )
    both, circles = contradictions(len(places), pairs, outcome)
    if both:
        notes.append(f"{both} pairs were answered both ways.")
    if circles:
        notes.append(
            f"{circles} rings of three contradict themselves (a above b, b above c, c above a)."
        )
    return notes
