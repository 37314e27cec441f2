"""How truly an axis goes where it is told, in the terms of ISO 230-2.

Deviations are read minus commanded place. Each target is approached several times from below
("up") and from above ("down"); s is the standard deviation of one target's runs from one side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.errors import AnalysisError
from rig.model.units import FloatArray

COVERAGE = 2.0  # the standard's k


@dataclass(frozen=True)
class Positioning:
    """ISO 230-2 of one axis, in the unit of the deviations.

    reversal: B, greatest difference of the two sides' means, and its mean over the targets;
    repeatability: R; systematic: E; mean_bidirectional: M; accuracy: A. *_up and *_down: from one
    side alone.
    """

    targets: int
    runs: int
    reversal: float
    mean_reversal: float
    repeatability: float
    repeatability_up: float
    repeatability_down: float
    systematic: float
    systematic_up: float
    systematic_down: float
    mean_bidirectional: float
    accuracy: float
    accuracy_up: float
    accuracy_down: float


def positioning(up: FloatArray, down: FloatArray) -> Positioning:
    """Analyse the deviations of one axis; up and down: (targets, runs).

    ISO 230-2:2014, clause 4: R_i = max(2s↑ + 2s↓ + |B_i|; 4s↑; 4s↓), A from the outermost of
    mean ± 2s over both sides, E and M the ranges of the means and of their mean. Raises
    AnalysisError for fewer than two targets or two runs.
    """
    up, down = np.asarray(up, dtype=np.float64), np.asarray(down, dtype=np.float64)
    if up.ndim != 2 or down.ndim != 2 or len(up) != len(down):
        raise AnalysisError("Both sides must have the same targets.")
    if len(up) < 2 or min(up.shape[1], down.shape[1]) < 2:
        raise AnalysisError(
            "Too few dots to tell how an axis repeats.",
            remedy="Mark two places or more, each twice or more from either side.",
        )
    if not (np.all(np.isfinite(up)) and np.all(np.isfinite(down))):
        raise AnalysisError("Some dots were not read.", remedy="Leave their target out.")
    return _positioning([*up], [*down])


def _positioning(up: list[FloatArray], down: list[FloatArray]) -> Positioning:
    k = COVERAGE
    mean_up, mean_down = (np.array([np.mean(v) for v in side]) for side in (up, down))
    s_up, s_down = (np.array([np.std(v, ddof=1) for v in side]) for side in (up, down))
    reversal = mean_up - mean_down
    r_up, r_down = 2.0 * k * s_up, 2.0 * k * s_down
    r_both = np.max([k * s_up + k * s_down + np.abs(reversal), r_up, r_down], axis=0)
    means = np.concatenate([mean_up, mean_down])
    spread = np.concatenate([s_up, s_down])
    return Positioning(
        targets=len(up),
        runs=min(min(len(v) for v in up), min(len(v) for v in down)),
        reversal=float(np.max(np.abs(reversal))),
        mean_reversal=float(np.mean(reversal)),
        repeatability=float(np.max(r_both)),
        repeatability_up=float(np.max(r_up)),
        repeatability_down=float(np.max(r_down)),
        systematic=float(np.ptp(means)),
        systematic_up=float(np.ptp(mean_up)),
        systematic_down=float(np.ptp(mean_down)),
        mean_bidirectional=float(np.ptp(0.5 * (mean_up + mean_down))),
        accuracy=float(np.max(means + k * spread) - np.min(means - k * spread)),
        accuracy_up=float(np.max(mean_up + k * s_up) - np.min(mean_up - k * s_up)),
        accuracy_down=float(np.max(mean_down + k * s_down) - np.min(mean_down - k * s_down)),
    )


def positioning_of_targets(
    deviation: FloatArray, target: FloatArray, from_below: FloatArray
) -> Positioning:
    """The same from single dots, all (n,): deviation, the target's number, and the side.

    Targets with fewer than two dots from either side are left out; runs may be of unequal number.
    """
    ups: list[FloatArray] = []
    downs: list[FloatArray] = []
    for number in np.unique(target):
        here = target == number
        up, down = deviation[here & (from_below > 0)], deviation[here & (from_below < 0)]
        if min(len(up), len(down)) >= 2:
            ups.append(up)
            downs.append(down)
    if len(ups) < 2:
        raise AnalysisError(
            "Too few dots to tell how an axis repeats.",
            remedy="Mark two places or more, each twice or more from either side.",
        )
    return _positioning(ups, downs)
