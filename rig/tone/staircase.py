"""How small a difference of pitch a listener still tells: adaptive questions and their evaluation.

Two sounds, which is higher? The difference asked next follows the answers (transformed up-down:
H. Levitt, "Transformed up-down methods in psychoacoustics", J. Acoust. Soc. Am. 49 (1971) 467): so
many right answers in a row make it smaller, one wrong answer makes it larger, which settles where
that many right ones in a row are as likely as not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.model.errors import AnalysisError
from rig.model.units import FloatArray

START_CENTS = 300.0
LEAST_CENTS, MOST_CENTS = 2.0, 1200.0
FEWEST_TRIALS = 15  # below it there is no threshold to speak of
LAPSES = 0.04  # share of answers that are given without listening, half of them right
# A listener with errors of sd σ in the difference heard is right in Φ(Δ/σ) of the questions (D. M.
# Green & J. A. Swets, "Signal Detection Theory and Psychophysics" (1966), two intervals); three of
# four are right at 0.6745 σ.
_THREE_OF_FOUR = 0.6744897501960817
_COARSE, _FINE = 2.0, 1.3
_COARSE_TURNS = 2  # turns of the direction after which the steps are fine
_GRID = 600
_FROM_CENTS, _TO_CENTS = 1.0, 6000.0
_TAIL = 0.025


@dataclass(frozen=True)
class Staircase:
    """Where the questions stand. rights: right answers in a row that make the next one harder.

    level_cents: difference to ask next; in_a_row: right ones since the last step; turns: how often
    the direction has turned; down: whether the last step went down, None before the first.
    """

    rights: int = 3
    level_cents: float = START_CENTS
    in_a_row: int = 0
    turns: int = 0
    down: bool | None = None

    @property
    def settles_at(self) -> float:
        """Share of right answers at which it settles: 0.5^(1/rights)."""
        return float(0.5 ** (1.0 / self.rights))

    def answered(self, right: bool) -> Staircase:
        """The staircase after an answer. Until the first wrong one every right one is a step."""
        row = self.in_a_row + 1 if right else 0
        needed = 1 if self.turns == 0 else self.rights
        if right and row < needed:
            return replace(self, in_a_row=row)
        turns = self.turns + (self.down is not None and self.down != right)
        step = _COARSE if turns < _COARSE_TURNS else _FINE
        level = self.level_cents / step if right else self.level_cents * step
        level = min(max(level, LEAST_CENTS), MOST_CENTS)
        return Staircase(self.rights, level, 0, turns, right)


@dataclass(frozen=True)
class Threshold:
    """Difference at which three of four answers are right, with its 95 % interval, in cents."""

    cents: float
    low_cents: float
    high_cents: float
    trials: int
    right: int

    @property
    def sentence(self) -> str:
        """In plain words, never without its uncertainty."""
        if self.high_cents >= 0.9 * _THREE_OF_FOUR * _TO_CENTS:
            return (
                f"No difference was told apart surely in {self.trials} questions "
                f"({self.right} right; guessing gives half)."
            )
        return (
            f"Differences of {self.cents:.0f} cents are told three times out of four (95 %: "
            f"{self.low_cents:.0f} to {self.high_cents:.0f} cents; {self.trials} questions, "
            f"{self.right} right)."
        )


def threshold(
    delta_cents: Sequence[float] | FloatArray,
    right: Sequence[bool],
    sd_cents: Sequence[float] | FloatArray | None = None,
) -> Threshold:
    """Threshold of a listener from all questions (n,): differences (sizes) and answers.

    sd_cents: how well each difference itself is known; 0 if left out. The listener's error is
    weighed on an even grid of its logarithm from 1 to 6000 cents; value: median. Raises
    AnalysisError for fewer than 15 questions.
    """
    size = np.abs(np.asarray(delta_cents, dtype=np.float64))
    told = np.asarray(right, dtype=bool)
    if len(size) < FEWEST_TRIALS:
        raise AnalysisError(
            f"{len(size)} questions tell nothing of an ear yet.",
            remedy=f"Answer {FEWEST_TRIALS} at least; 40 to 60 make it sharp.",
        )
    unsure = np.zeros(len(size)) if sd_cents is None else np.asarray(sd_cents, dtype=np.float64)
    sigma = np.geomspace(_FROM_CENTS, _TO_CENTS, _GRID)
    chance = right_share(size, np.hypot(sigma[:, None], unsure))
    log_likely = np.sum(np.log(np.where(told, chance, 1.0 - chance)), axis=1)
    weight = np.exp(log_likely - log_likely.max())
    below = np.cumsum(weight) / weight.sum()
    low, middle, high = (
        _THREE_OF_FOUR * float(np.exp(np.interp(share, below, np.log(sigma))))
        for share in (_TAIL, 0.5, 1.0 - _TAIL)
    )
    return Threshold(middle, low, high, len(size), int(told.sum()))


def right_share(delta_cents: FloatArray, sigma_cents: FloatArray) -> FloatArray:
    """Share of right answers at differences (sizes) for a listener with errors of this sd."""
    from scipy.special import ndtr

    return np.asarray(0.5 * LAPSES + (1.0 - LAPSES) * ndtr(delta_cents / sigma_cents))
