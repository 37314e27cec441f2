"""Gauge repeatability and reproducibility: how much of what is read is the plate, how much is us.

Two-way random analysis of variance with interaction, as the Measurement Systems Analysis manual
of the AIAG (4th edition, chapter III) lays it out; the interaction is pooled into the error where
its p-value is above 0.25. Here a part is a place on the plate, an operator is a person, a day or a
laying of the plate, and a trial is one scan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.errors import AnalysisError
from rig.model.units import FloatArray

POOL_ABOVE_P = 0.25
DISTINCT = 1.41  # √2, to the manual's digits
LIMIT_OF_TWO = 1.959964 * 2.0**0.5  # 95 % of differences of two readings; ISO 5725: 2.8


@dataclass(frozen=True)
class AnovaRow:
    """One line of the table; f and p are None where nothing stands to test against."""

    source: str
    squares: float
    freedom: int
    mean_square: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True)
class GaugeStudy:
    """Standard deviations in the unit of the readings and their share of the whole.

    repeatability: same operator, same place, another trial; operator and interaction: parts of the
    reproducibility; gauge: repeatability and reproducibility together; place: between places;
    percent: 100·sd/total of each (study variation); distinct: number of distinct categories;
    freedom: Satterthwaite's degrees of freedom of the gauge variance.
    """

    rows: tuple[AnovaRow, ...]
    pooled: bool
    places: int
    operators: int
    trials: int
    repeatability: float
    operator: float
    interaction: float
    reproducibility: float
    gauge: float
    place: float
    total: float
    distinct: int
    freedom: float

    @property
    def percent(self) -> dict[str, float]:
        """Per cent of study variation; the shares do not add up to 100, their squares do."""
        names = (
            "repeatability", "operator", "interaction", "reproducibility", "gauge", "place",
        )  # fmt: skip
        if self.total == 0.0:
            return dict.fromkeys(names, 0.0)
        return {name: 100.0 * getattr(self, name) / self.total for name in names}

    @property
    def smallest_change(self) -> float:
        """Least difference of two scans at one place that is not chance, at 95 %."""
        return LIMIT_OF_TWO * self.gauge

    @property
    def smallest_change_same_operator(self) -> float:
        """The same where both scans are by one operator."""
        return LIMIT_OF_TWO * self.repeatability

    def smallest_change_bounds(self, level: float = 0.95) -> tuple[float, float]:
        """Confidence bounds of `smallest_change` (chi-squared at Satterthwaite's freedom)."""
        from scipy.stats import chi2

        variance = self.freedom * self.gauge**2
        low = variance / float(chi2.isf(0.5 - 0.5 * level, self.freedom))
        high = variance / float(chi2.ppf(0.5 - 0.5 * level, self.freedom))
        return LIMIT_OF_TWO * low**0.5, LIMIT_OF_TWO * high**0.5


def gauge_study(readings: FloatArray, pool_above_p: float = POOL_ABOVE_P) -> GaugeStudy:
    """Analyse a balanced study.

    readings: (places, operators, trials). With one trial the interaction cannot be told from the
    error and stands as repeatability; with one operator there is no reproducibility to tell.
    Negative variances are set to 0. Raises AnalysisError for fewer than two places, for one
    operator with one trial, and for values that are not finite.
    """
    y = np.asarray(readings, dtype=np.float64)
    _require(y)
    n, k, r = y.shape
    mean = y.mean()
    by_place, by_operator, by_cell = y.mean((1, 2)), y.mean((0, 2)), y.mean(2)
    ss_place = k * r * float(np.sum((by_place - mean) ** 2))
    ss_operator = n * r * float(np.sum((by_operator - mean) ** 2))
    mixed = by_cell - by_place[:, None] - by_operator[None, :] + mean
    ss_mixed = r * float(np.sum(mixed**2))
    ss_error = float(np.sum((y - by_cell[:, :, None]) ** 2))
    f_place, f_operator, f_mixed, f_error = n - 1, k - 1, (n - 1) * (k - 1), n * k * (r - 1)

    testable = f_mixed > 0 and f_error > 0
    mixed_row = None
    if testable:
        mixed_row = _row("place × operator", ss_mixed, f_mixed, ss_error / f_error, f_error)
    pooled = mixed_row is None or (mixed_row.p is not None and mixed_row.p > pool_above_p)
    if pooled:
        error = (ss_mixed + ss_error) / (f_mixed + f_error)
        error_freedom, against, against_freedom = f_mixed + f_error, error, f_mixed + f_error
        ss_left = ss_mixed + ss_error
    else:
        error, error_freedom, ss_left = ss_error / f_error, f_error, ss_error
        against, against_freedom = ss_mixed / f_mixed, f_mixed
    ms_place, ms_operator = ss_place / f_place, ss_operator / f_operator if f_operator else 0.0
    v_error = error
    v_mixed = 0.0 if pooled else max(0.0, (against - error) / r)
    v_operator = max(0.0, (ms_operator - against) / (n * r)) if f_operator else 0.0
    v_place = max(0.0, (ms_place - against) / (k * r))

    rows = [_row("place", ss_place, f_place, against, against_freedom)]
    if f_operator:
        rows.append(_row("operator", ss_operator, f_operator, against, against_freedom))
    if mixed_row is not None:
        rows.append(mixed_row)
    rows.append(AnovaRow("repeatability", ss_left, error_freedom, error))

    v_reproduce = v_operator + v_mixed
    v_gauge = v_error + v_reproduce
    weights: list[tuple[float, int]] = [(error * (1.0 - (not pooled) / r), error_freedom)]
    if not pooled:
        weights.append((against * (1.0 / r - (v_operator > 0) / (n * r)), against_freedom))
    elif v_operator > 0:
        weights[0] = (error * (1.0 - 1.0 / (n * r)), error_freedom)
    if v_operator > 0:
        weights.append((ms_operator / (n * r), f_operator))
    below = sum(w**2 / f for w, f in weights)
    freedom = v_gauge**2 / below if below > 0 else float(error_freedom)
    spread = {
        name: float(np.sqrt(v))
        for name, v in (
            ("repeatability", v_error), ("operator", v_operator), ("interaction", v_mixed),
            ("reproducibility", v_reproduce), ("gauge", v_gauge), ("place", v_place),
            ("total", v_gauge + v_place),
        )
    }  # fmt: skip
    ratio = DISTINCT * spread["place"] / spread["gauge"] if v_gauge > 0 else np.inf
    distinct = max(1, int(ratio)) if np.isfinite(ratio) else 10**6
    return GaugeStudy(
        tuple(rows), pooled, n, k, r, **spread, distinct=distinct, freedom=float(freedom)
    )


def _require(y: FloatArray) -> None:
    if y.ndim != 3 or y.shape[0] < 2 or y.shape[1] * y.shape[2] < 2:
        raise AnalysisError(
            f"A study of shape {y.shape} tells no repeatability.",
            remedy="Take two scans or more of the same plate, with two matched places or more.",
        )
    if not np.all(np.isfinite(y)):
        raise AnalysisError(
            "The study has gaps: some readings are missing.",
            remedy="Leave out the places that were not read in every scan.",
        )


def _row(source: str, squares: float, freedom: int, against: float, below: int) -> AnovaRow:
    from scipy.stats import f as f_distribution

    mean_square = squares / freedom
    if against <= 0.0:
        return AnovaRow(source, squares, freedom, mean_square)
    ratio = mean_square / against
    p = float(f_distribution.sf(ratio, freedom, below))
    return AnovaRow(source, squares, freedom, mean_square, ratio, p)


@dataclass(frozen=True)
class Agreement:
    """Bland and Altman's limits of agreement of two series (Lancet 1986; i: 307-310).

    bias and limits in the unit of the readings; se: standard errors.
    """

    n: int
    bias: float
    sd: float
    low: float
    high: float
    se_bias: float
    se_limit: float


def agreement(first: FloatArray, second: FloatArray) -> Agreement:
    """Limits within which 95 % of the differences first − second fall. Both (n,), n ≥ 3.

    The standard error of a limit is sd·√(1/n + 1.96²/(2(n − 1))).
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 1 or len(a) < 3:
        raise AnalysisError(
            "Two series of the same three or more places are needed.",
            remedy="Give readings of both scans at matched taps.",
        )
    d = a - b
    n, bias, sd = len(d), float(d.mean()), float(d.std(ddof=1))
    se_limit = sd * float(np.sqrt(1.0 / n + 1.96**2 / (2.0 * (n - 1))))
    return Agreement(
        n, bias, sd, bias - 1.96 * sd, bias + 1.96 * sd, sd / float(np.sqrt(n)), se_limit
    )
