"""Paired answers: against a printed example, against statsmodels, and where they break."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import kendalltau

from rig.field.hand_judged import judged_map
from rig.field.hand_pairs import (
    contradictions,
    groups_of,
    next_pair,
    pair_scale,
    pairs_map,
    spots_of,
)
from rig.model.errors import AnalysisError
from rig.model.hand_map import THIRD_MEAN, Judgement, PairAnswer

# Agresti, Categorical Data Analysis, 2nd ed. 2002, table 10.10: American League East, 1987; wins of
# the row over the column (from memory). Milwaukee, Detroit, Toronto, New York, Boston, Cleveland,
# Baltimore. Each two teams met 13 times.
BASEBALL = np.array(
    [
        [0, 7, 9, 7, 7, 9, 11],
        [6, 0, 7, 5, 11, 9, 9],
        [4, 6, 0, 7, 7, 8, 12],
        [6, 8, 6, 0, 6, 7, 10],
        [6, 2, 6, 7, 0, 7, 12],
        [4, 4, 5, 6, 6, 0, 6],
        [2, 4, 1, 3, 1, 7, 0],
    ]
)
# The estimates printed there, Baltimore 0 (from memory).
BASEBALL_PRINTED = np.array([1.58, 1.44, 1.29, 1.25, 1.11, 0.68, 0.0])


def answers_of(wins: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    pairs = [(i, j) for i in range(len(wins)) for j in range(len(wins)) for _ in range(wins[i, j])]
    return np.array(pairs), np.ones(len(pairs))


def test_printed_example_of_bradley_and_terry():
    assert np.all((BASEBALL + BASEBALL.T)[~np.eye(7, dtype=bool)] == 13)
    scale = pair_scale(7, *answers_of(BASEBALL), prior_sd=100.0)
    np.testing.assert_allclose(scale.theta - scale.theta[-1], BASEBALL_PRINTED, atol=0.006)
    assert scale.tie == 0.0


def test_against_a_logistic_regression():
    pairs, outcome = answers_of(BASEBALL)
    design = np.zeros((len(pairs), 7))
    design[np.arange(len(pairs)), pairs[:, 0]] = 1.0
    design[np.arange(len(pairs)), pairs[:, 1]] = -1.0
    # every answer is a win of the first: turn every second round, or there is nothing to fit
    turned = np.arange(len(pairs)) % 2 == 1
    design[turned] *= -1.0
    fit = sm.Logit((~turned).astype(float), design[:, :6]).fit(disp=0)
    scale = pair_scale(7, pairs, outcome, prior_sd=300.0)
    np.testing.assert_allclose(scale.theta[:6] - scale.theta[6], fit.params, atol=1e-3)
    contrast = np.zeros(7)
    contrast[0], contrast[6] = 1.0, -1.0
    sd = np.sqrt(contrast @ scale.covariance @ contrast)
    assert sd == pytest.approx(fit.bse[0], rel=1e-3)


def test_ties_of_two_spots_in_closed_form():
    # Davidson 1970 with two items: π1/π2 = wins/losses, ν = ties/√(wins·losses)
    pairs = np.tile([0, 1], (100, 1))
    outcome = np.concatenate([np.ones(50), -np.ones(20), np.zeros(30)])
    scale = pair_scale(2, pairs, outcome, prior_sd=200.0)
    assert scale.theta[0] - scale.theta[1] == pytest.approx(np.log(50 / 20), abs=2e-3)
    assert scale.tie == pytest.approx(30 / np.sqrt(1000.0), rel=0.01)


def test_a_spot_that_always_won_has_a_finite_value():
    pairs = np.array([(0, 1), (0, 2), (1, 2)] * 4)
    scale = pair_scale(3, pairs, np.ones(12))
    assert scale.theta[0] > scale.theta[1] > scale.theta[2]
    assert np.all(np.abs(scale.theta) < 5.0)
    few = pair_scale(3, pairs[:3], np.ones(3))
    assert np.all(few.sd > scale.sd)
    assert np.all(few.sd < 2.0)


def test_every_answer_the_same_says_that_spots_are_alike():
    scale = pair_scale(3, np.array([(0, 1), (1, 2), (0, 2)]), np.zeros(3))
    np.testing.assert_allclose(scale.theta, 0.0, atol=1e-9)
    assert np.isfinite(scale.tie)
    assert scale.tie > 1.0


def place(k: int) -> tuple[float, float]:
    return (10.0 * k, 100.0)


def test_groups_that_no_answer_joins_are_told_and_joined_next():
    answers = [PairAnswer(place(a), place(b), "higher") for a, b in ((0, 1), (1, 2), (3, 4))]
    made, scale, pairs = pairs_map(answers, source="a.csv")
    assert made.group == (0, 0, 0, 1, 1)
    assert "2 groups" in " ".join(made.notes)
    wanted = next_pair(scale, pairs)
    assert wanted is not None
    assert made.group[wanted[0]] != made.group[wanted[1]]
    np.testing.assert_allclose(made.value[:3].mean(), 0.0, atol=1e-9)
    np.testing.assert_allclose(made.value[3:].mean(), 0.0, atol=1e-9)


def test_contradictions_are_counted():
    pairs = np.array([(0, 1), (1, 2), (2, 0), (0, 3), (3, 0)])
    assert contradictions(4, pairs, np.array([1.0, 1.0, 1.0, 1.0, 1.0])) == (1, 1)
    assert contradictions(4, pairs[:2], np.ones(2)) == (0, 0)
    answers = [PairAnswer(place(a), place(b), "higher") for a, b in pairs]
    notes = " ".join(pairs_map(answers, source="a.csv")[0].notes)
    assert "answered both ways" in notes
    assert "rings of three" in notes


def test_the_next_pair_is_the_order_most_in_doubt():
    pairs = np.array([(0, 1)] * 8 + [(1, 2)] * 8 + [(2, 3)] * 8)
    outcome = np.array([1.0] * 8 + [1.0, -1.0] * 4 + [1.0] * 8)
    assert next_pair(pair_scale(4, pairs, outcome), pairs) == (1, 2)
    assert next_pair(pair_scale(1, np.zeros((0, 2), dtype=int), np.zeros(0)), pairs[:0]) is None


def test_places_a_fingertip_apart_are_one_spot():
    answers = [PairAnswer((0.0, 100.0), (50.0, 100.0), "lower"),
               PairAnswer((51.5, 101.0), (0.5, 99.0), "higher")]  # fmt: skip
    places, pairs = spots_of(answers)
    assert len(places) == 2
    np.testing.assert_array_equal(pairs, [(0, 1), (1, 0)])
    made, _, _ = pairs_map(answers, source="a.csv")
    assert made.value[1] > made.value[0]
    with pytest.raises(AnalysisError, match="no pair"):
        pairs_map([PairAnswer((0.0, 0.0), (1.0, 0.0), "same")], source="a.csv")
    assert groups_of(3, np.array([(1, 2)])).tolist() == [1, 0, 0]


def test_asked_well_sixty_answers_of_which_one_in_seven_is_wrong_still_give_the_order():
    """The figure over many seeds is in tests/bench/bench_hand.py."""
    taus = []
    for seed in range(9):
        rng = np.random.default_rng(seed)
        true = rng.permutation(12).astype(float)
        first = rng.permutation(12)
        pairs, outcome = [], []
        for k in range(60):
            if k < 11:
                i, j = first[k], first[k + 1]
            else:
                wanted = next_pair(pair_scale(12, np.array(pairs), np.array(outcome)),
                                   np.array(pairs))  # fmt: skip
                assert wanted is not None
                i, j = wanted
            wrong = rng.random() < 0.15
            pairs.append((i, j))
            outcome.append(np.sign(true[i] - true[j]) * (-1.0 if wrong else 1.0))
        scale = pair_scale(12, np.array(pairs), np.array(outcome))
        taus.append(kendalltau(scale.theta, true)[0])
    assert np.median(taus) > 0.85


def test_judged_places_and_answers_that_differ():
    made = judged_map(
        [Judgement(0, 0, "higher"), Judgement(50, 0, "same"), Judgement(50, 90, "lower"),
         Judgement(51, 90, "higher"), Judgement(1, 1, "higher")],
        source="a.csv",
    )  # fmt: skip
    np.testing.assert_allclose(made.value, [THIRD_MEAN, 0.0, 0.0])
    assert made.sd[2] > made.sd[0] > made.sd[1] > 0.0
    assert "as well as lower" in made.notes[0]
    with pytest.raises(AnalysisError, match="No place"):
        judged_map([], source="a.csv")
