"""Blocks of neighbouring places: what stands for one independent witness."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray

BLOCK_MM = 45.0  # side of a block; thickness and stiffness of a plate are alike over some 30 mm
FEWEST_BLOCKS = 5
_TWO_SIDED = 0.975
_ONE = 1.0 - 1e-6


@dataclass(frozen=True)
class Interval:
    """A value with its 95 % interval; low, high: None where too few blocks can tell."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class BlockDraws:
    """rows: index arrays, each one redrawing of the plate by blocks; blocks: how many there are."""

    rows: tuple[NDArray[np.int64], ...]
    blocks: int


def blocks_of(
    places: FloatArray, block_mm: float, shift_mm: tuple[float, float] = (0.0, 0.0)
) -> NDArray[np.int64]:
    """Number of the square block that each of the (n, 2) places lies in; (n,), from 0."""
    if len(places) == 0:
        return np.zeros(0, dtype=np.int64)
    cell = np.floor((places + np.asarray(shift_mm)) / block_mm).astype(np.int64)
    _, label = np.unique(cell, axis=0, return_inverse=True)
    return np.asarray(label, dtype=np.int64).ravel()


def block_draws(
    places: FloatArray, block_mm: float, draws: int, rng: np.random.Generator
) -> BlockDraws:
    """Draw blocks with replacement, on a grid laid anew each time so that no border is special."""
    found, counts = [], []
    for _ in range(draws):
        shift = rng.uniform(0.0, block_mm, 2)
        label = blocks_of(places, block_mm, (float(shift[0]), float(shift[1])))
        count = int(label.max()) + 1
        members = [np.flatnonzero(label == b) for b in range(count)]
        found.append(np.concatenate([members[b] for b in rng.integers(0, count, count)]))
        counts.append(count)
    return BlockDraws(tuple(found), int(np.median(counts)))


def interval_of(
    statistic: Callable[[NDArray[np.int64]], float],
    draws: BlockDraws,
    count: int,
    *,
    fisher: bool = False,
) -> Interval:
    """Value of a statistic of all `count` rows, and its interval from the scatter over the draws.

    fisher: a correlation, whose interval is made on the scale artanh r.
    """
    from scipy.stats import t

    value = statistic(np.arange(count))
    if draws.blocks < FEWEST_BLOCKS or not np.isfinite(value):
        return Interval(value, None, None)
    drawn = np.array([statistic(rows) for rows in draws.rows])
    drawn = drawn[np.isfinite(drawn)]
    if len(drawn) < 0.5 * len(draws.rows):
        return Interval(value, None, None)
    middle = value
    if fisher:
        drawn = np.arctanh(np.clip(drawn, -_ONE, _ONE))
        middle = float(np.arctanh(np.clip(value, -_ONE, _ONE)))
    reach = float(t.ppf(_TWO_SIDED, draws.blocks - 1)) * float(np.std(drawn, ddof=1))
    low, high = middle - reach, middle + reach
    if fisher:
        low, high = float(np.tanh(low)), float(np.tanh(high))
    return Interval(value, max(low, -1.0), min(high, 1.0))
