"""The study finds the variances it was given, and says what it cannot tell."""

from __future__ import annotations

import numpy as np
import pytest

from rig.calibrate.gauge import agreement, gauge_study
from rig.model.errors import AnalysisError


def study(rng: np.random.Generator, n: int, k: int, r: int, sd: tuple[float, ...]) -> np.ndarray:
    place, operator, mixed, error = sd
    return (
        place * rng.standard_normal((n, 1, 1))
        + operator * rng.standard_normal((1, k, 1))
        + mixed * rng.standard_normal((n, k, 1))
        + error * rng.standard_normal((n, k, r))
    )


def test_variances_are_recovered_on_average() -> None:
    rng = np.random.default_rng(1)
    truth = (30.0, 4.0, 5.0, 6.0)
    found = [gauge_study(study(rng, 40, 6, 3, truth)) for _ in range(150)]
    for name, sd in zip(("place", "operator", "interaction", "repeatability"), truth, strict=True):
        variance = np.mean([getattr(f, name) ** 2 for f in found])
        assert variance == pytest.approx(sd**2, rel=0.15), name
    assert not any(f.pooled for f in found)


def test_smallest_change_covers_the_truth_and_its_bounds_hold() -> None:
    rng = np.random.default_rng(2)
    inside, truth = 0, 1.959964 * 2**0.5 * np.hypot(3.0, 6.0)
    for _ in range(200):
        low, high = gauge_study(
            study(rng, 30, 5, 2, (25.0, 0.0, 3.0, 6.0))
        ).smallest_change_bounds()
        inside += low < truth < high
    assert 0.90 <= inside / 200 <= 0.99


def test_differences_of_untouched_plates_stay_within_the_smallest_change() -> None:
    rng = np.random.default_rng(3)
    limit = gauge_study(study(rng, 100, 1, 5, (20.0, 0.0, 0.0, 4.0))).smallest_change
    two = study(rng, 4000, 1, 2, (20.0, 0.0, 0.0, 4.0))
    outside = np.mean(np.abs(two[:, 0, 0] - two[:, 0, 1]) > limit)
    assert outside == pytest.approx(0.05, abs=0.02)


def test_one_operator_and_one_trial_are_told_as_such() -> None:
    rng = np.random.default_rng(4)
    single = gauge_study(study(rng, 20, 1, 4, (20.0, 0.0, 0.0, 4.0)))
    assert [row.source for row in single.rows] == ["place", "repeatability"]
    assert single.reproducibility == 0.0
    once = gauge_study(study(rng, 20, 4, 1, (20.0, 5.0, 0.0, 4.0)))
    assert [row.source for row in once.rows] == ["place", "operator", "repeatability"]
    assert once.repeatability == pytest.approx(4.0, rel=0.3)


def test_readings_that_never_scatter_have_no_noise() -> None:
    y = np.broadcast_to(np.arange(6.0)[:, None, None], (6, 2, 2))
    found = gauge_study(y)
    assert found.gauge == 0.0
    assert found.percent["place"] == 100.0
    still = gauge_study(np.zeros((5, 2, 2)))
    assert still.percent["gauge"] == 0.0


@pytest.mark.parametrize(
    "y",
    [np.zeros((1, 2, 2)), np.zeros((5, 1, 1)), np.zeros((5, 4)), np.full((5, 2, 2), np.nan)],
)
def test_what_tells_nothing_is_refused(y: np.ndarray) -> None:
    with pytest.raises(AnalysisError):
        gauge_study(y)


def test_agreement_needs_pairs() -> None:
    with pytest.raises(AnalysisError):
        agreement(np.arange(3.0), np.arange(4.0))
