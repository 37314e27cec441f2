"""Adaptive questions: convergence as published, thresholds of simulated listeners."""

from __future__ import annotations

import numpy as np
import pytest

from rig.model.errors import AnalysisError
from rig.tone.staircase import LAPSES, MOST_CENTS, Staircase, right_share, threshold


def run(sigma: float, trials: int, seed: int, rights: int = 3) -> tuple[list[float], list[bool]]:
    rng = np.random.default_rng(seed)
    stairs, levels, answers = Staircase(rights), [], []
    for _ in range(trials):
        levels.append(stairs.level_cents)
        answers.append(bool(rng.random() < right_share(np.array(stairs.level_cents), sigma)))
        stairs = stairs.answered(answers[-1])
    return levels, answers


@pytest.mark.parametrize(("rights", "published"), [(1, 0.5), (2, 0.707), (3, 0.794), (4, 0.841)])
def test_settles_where_levitt_says(rights: int, published: float) -> None:
    """Levitt 1971, table I: 50, 70.7, 79.4, 84.1 % (values from memory)."""
    assert Staircase(rights).settles_at == pytest.approx(published, abs=6e-4)


@pytest.mark.parametrize(("rights", "published"), [(2, 0.707), (3, 0.794)])
def test_long_runs_stay_about_the_published_share(rights: int, published: float) -> None:
    levels, _ = run(60.0, 6000, 1, rights)
    # Steps are even in the logarithm, so the middle of the levels asked is where it settles.
    settled = float(np.exp(np.median(np.log(levels[200:]))))
    assert right_share(np.array(settled), np.array(60.0)) == pytest.approx(published, abs=0.03)


def test_harder_after_right_ones_easier_after_a_wrong_one() -> None:
    stairs = Staircase()
    assert stairs.answered(True).level_cents == stairs.level_cents / 2.0  # until the first wrong
    turned = stairs.answered(True).answered(False)
    assert turned.level_cents == stairs.level_cents
    for _ in range(2):
        turned = turned.answered(True)
        assert turned.level_cents == stairs.level_cents
    assert turned.answered(True).level_cents < stairs.level_cents
    deaf = stairs
    for _ in range(20):
        deaf = deaf.answered(False)
    assert deaf.level_cents == MOST_CENTS


@pytest.mark.parametrize("sigma", [12.0, 60.0, 200.0])
def test_threshold_of_simulated_listeners(sigma: float) -> None:
    """Sixty questions, 200 listeners: the middle within 10 %, and intervals that hold."""
    true = 0.67449 * sigma
    found = [threshold(*run(sigma, 60, seed)) for seed in range(200)]
    assert np.median([one.cents for one in found]) == pytest.approx(true, rel=0.10)
    held = np.mean([one.low_cents <= true <= one.high_cents for one in found])
    assert 0.90 <= held <= 0.99


def test_doubt_of_the_differences_is_not_the_listeners() -> None:
    rng = np.random.default_rng(5)
    told = np.full(4000, 40.0)
    true = told + 30.0 * rng.standard_normal(len(told))
    heard = true + 25.0 * rng.standard_normal(len(told)) > 0.0
    right = np.where(rng.random(len(told)) < LAPSES, rng.random(len(told)) < 0.5, heard)
    known = threshold(told, list(right), np.full(len(told), 30.0))
    taken_as_exact = threshold(told, list(right))
    assert known.cents == pytest.approx(0.67449 * 25.0, rel=0.12)
    assert taken_as_exact.cents > 1.3 * known.cents


def test_guessing_is_said_and_few_answers_are_no_score() -> None:
    levels, answers = [1200.0] * 40, [True, False] * 20
    assert "No difference was told apart surely" in threshold(levels, answers).sentence
    with pytest.raises(AnalysisError, match="14 questions tell nothing"):
        threshold(levels[:14], answers[:14])
