"""Individuals and moving-range chart: is today's reading of the reference bar like all before?

Limits are mean ± 2.66·mean moving range, and 3.267·mean moving range for the range itself: the
constants 3/d2 and D4 of ranges of two (Shewhart's chart; NIST/SEMATECH e-Handbook, 6.3.2.2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.model.errors import AnalysisError

OF_SINGLES, OF_RANGES = 2.66, 3.267
LEAST_BASELINE = 5
RUN = 8  # as many in a row on one side of the mean are no chance


@dataclass(frozen=True)
class ChartLimits:
    """mean, low, high: of single readings; range_high: of the step from one to the next."""

    mean: float
    low: float
    high: float
    mean_range: float
    range_high: float
    baseline: int


def chart_limits(baseline: Sequence[float], floor: float = 0.0) -> ChartLimits:
    """Limits from readings in order of time.

    floor: least distance of a limit from the mean, for readings that by rounding never differ.
    Raises AnalysisError for fewer than two readings.
    """
    values = np.asarray(baseline, dtype=np.float64)
    if len(values) < 2 or not np.all(np.isfinite(values)):
        raise AnalysisError(
            "Too few readings for limits.", remedy="Tap the bar on several days first."
        )
    mean, mean_range = float(values.mean()), float(np.mean(np.abs(np.diff(values))))
    reach = max(OF_SINGLES * mean_range, floor)
    range_high = max(OF_RANGES * mean_range, OF_RANGES / OF_SINGLES * floor)
    return ChartLimits(mean, mean - reach, mean + reach, mean_range, range_high, len(values))


@dataclass(frozen=True)
class ChartVerdict:
    """in_control is None as long as there are no limits; sentences say what is wrong."""

    in_control: bool | None
    limits: ChartLimits | None
    sentences: tuple[str, ...]


def judge(earlier: Sequence[float], today: float, floor: float = 0.0) -> ChartVerdict:
    """Judge one more reading by the chart of those before it, in order of time."""
    if len(earlier) < LEAST_BASELINE:
        missing = LEAST_BASELINE - len(earlier)
        return ChartVerdict(
            None, None,
            (f"No limits yet: {missing} more readings are needed before the next can be judged.",),
        )  # fmt: skip
    limits = chart_limits(earlier, floor)
    wrong = []
    if not limits.low <= today <= limits.high:
        side = "above" if today > limits.high else "below"
        wrong.append(
            f"{today:.5g} is {side} the limits {limits.low:.5g} to {limits.high:.5g} of "
            f"{limits.baseline} earlier readings."
        )
    step = abs(today - earlier[-1])
    if step > limits.range_high:
        wrong.append(
            f"It moved by {step:.3g} since last time; {limits.range_high:.3g} is the limit."
        )
    last = np.array([*earlier, today])[-RUN:]
    if len(last) == RUN and (np.all(last > limits.mean) or np.all(last < limits.mean)):
        wrong.append(f"The last {RUN} readings lie on one side of the mean: something drifts.")
    return ChartVerdict(not wrong, limits, tuple(wrong))
