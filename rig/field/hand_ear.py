"""Which of the machine's readings follows this maker's ear best: by what it foretells."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rig.field.hand_blocks import BLOCK_MM, FEWEST_BLOCKS, blocks_of
from rig.model.units import FloatArray

_ONE_SIDED = 0.95


@dataclass(frozen=True)
class EarChoice:
    """skill: by reading, the share of the hand's variance foretold where it was not looked at.

    best: the reading that beats every other and the plain mean with 95 % confidence, None: cannot
    tell yet; leading: the one in front; places_needed: about how many places would decide, None
    where that cannot be said.
    """

    skill: dict[str, float]
    leading: str | None
    best: str | None
    sentence: str
    places_needed: int | None = None


def ear_choice(
    places: FloatArray,
    hand: FloatArray,
    readings: Mapping[str, FloatArray],
    *,
    block_mm: float = BLOCK_MM,
) -> EarChoice:
    """Foretell the hand's values (n,) of each block from a straight line fitted to the others.

    readings: (n,) each, at the same places. The losses of two readings are compared block by
    block (paired t-test over blocks, one-sided, every rival at the level 5 % over their number).
    """
    if not readings:
        return EarChoice({}, None, None, "There is no reading to compare with.")
    if len(hand) and float(np.ptp(hand)) == 0.0:
        return EarChoice({}, None, None, "The hand calls every place alike: no reading can follow.")
    block = blocks_of(places, block_mm)
    count = int(block.max(initial=-1)) + 1
    if count < FEWEST_BLOCKS:
        return EarChoice(
            {}, None, None,
            f"Which reading follows the ear best cannot be told yet: the places fill only {count} "
            f"blocks of {block_mm:.0f} mm, at least {FEWEST_BLOCKS} are needed.",
        )  # fmt: skip
    loss = {name: _losses(hand, value, block, count) for name, value in readings.items()}
    plain = _losses(hand, np.zeros(len(hand)), block, count)
    skill = {name: 1.0 - float(np.sum(own) / np.sum(plain)) for name, own in loss.items()}
    leading = max(skill, key=lambda name: skill[name])
    rivals = {name: own for name, own in loss.items() if name != leading} | {"": plain}
    gains = {name: _gain(rival - loss[leading], block, count) for name, rival in rivals.items()}
    needed = _student(1.0 - (1.0 - _ONE_SIDED) / len(rivals), count - 1)
    if all(gain >= needed for gain in gains.values()):
        text = (
            f"Of {_listed(list(readings))}, {leading} follows this maker's ear best: it foretells "
            f"{100.0 * skill[leading]:.0f} % of the hand's variance."
        )
        if len(readings) == 1:
            text = (
                f"{leading.capitalize()} foretells {100.0 * skill[leading]:.0f} % of the hand's "
                "variance, surely more than nothing."
            )
        return EarChoice(skill, leading, leading, text)
    weakest = min(gains.values())
    more = None
    if weakest > 0.0:
        more = int(np.ceil(len(hand) * (needed / weakest) ** 2))
        more = more if more <= 20 * len(hand) else None
    hint = "" if more is None else f" About {more} places in all might decide it."
    return EarChoice(
        skill, leading, None,
        f"Which reading follows the ear best cannot be told yet; {leading} is in front.{hint}",
        more,
    )  # fmt: skip


def _losses(hand: FloatArray, value: FloatArray, block: np.ndarray, count: int) -> FloatArray:
    """Squared errors (n,) of the hand's values, each foretold from the other blocks."""
    loss = np.empty(len(hand))
    for b in range(count):
        out = block == b
        x, y = value[~out], hand[~out]
        spread = float(np.var(x))
        slope = float(np.mean((x - x.mean()) * (y - y.mean()))) / spread if spread > 0 else 0.0
        loss[out] = (hand[out] - y.mean() - slope * (value[out] - x.mean())) ** 2
    return loss


def _gain(difference: FloatArray, block: np.ndarray, count: int) -> float:
    """Mean loss spared over its standard error by blocks (of sums, as of a ratio estimate)."""
    mean = float(np.mean(difference))
    sums = np.array([np.sum(difference[block == b] - mean) for b in range(count)])
    error = float(np.sqrt(np.sum(sums**2) * count / (count - 1.0))) / len(difference)
    return mean / error if error > 0.0 else 0.0


def _student(level: float, freedom: int) -> float:
    from scipy.stats import t

    return float(t.ppf(level, freedom))


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
