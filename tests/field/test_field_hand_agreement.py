"""Machine against hand: known values, intervals that know neighbours, and honest doubt."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scipy.stats import spearmanr
from statsmodels.stats.inter_rater import cohens_kappa as reference_kappa

from rig.field.hand_agreement import average_ranks, cohens_kappa, hand_agreement, spearman
from rig.field.hand_blocks import block_draws, blocks_of, interval_of
from rig.field.hand_ear import ear_choice
from rig.field.hand_judged import judged_map
from rig.model.errors import AnalysisError
from rig.model.hand_map import HandMap, Judgement
from rig.model.outline import Outline
from rig.model.tone_map import ToneMap

ANGLE = np.linspace(0.0, 2.0 * np.pi, 80, endpoint=False)
PLATE = Outline.checked(np.column_stack([100 * np.cos(ANGLE), 175 + 175 * np.sin(ANGLE)]))


def grid(step: float) -> np.ndarray:
    x, y = np.meshgrid(np.arange(-90, 91, step), np.arange(8, 350, step))
    xy = np.column_stack([x.ravel(), y.ravel()])
    return xy[PLATE.contains(xy) & (PLATE.edge_distance_mm(xy) > 8.0)]


def tone(xy: np.ndarray) -> np.ndarray:
    return 150.0 * np.sin(xy[:, 0] / 30.0) + 120.0 * np.cos(xy[:, 1] / 45.0)


@lru_cache
def machine(sd: float = 12.0, seed: int = 1) -> ToneMap:
    places = grid(9.0)
    rng = np.random.default_rng(seed)
    cents = tone(places) + rng.normal(0.0, sd, len(places))
    cents -= np.median(cents)
    return ToneMap(
        scan="S0001", face="outer", reading="attack", estimator="test", target="flat",
        taps=tuple(range(len(places))), places=places, tone_cents=cents,
        sd_cents=np.full(len(places), sd), excess_cents=cents - 40.0, middle_hz=2000.0,
        evenness_cents=300.0, evenness_low_cents=290.0, evenness_high_cents=310.0,
        repeatability_cents=None, ring=(),
    )  # fmt: skip


def judged(seed: int = 2, step: float = 30.0) -> HandMap:
    places = grid(step)
    heard = tone(places) + np.random.default_rng(seed).normal(0.0, 25.0, len(places))
    low, high = np.quantile(tone(grid(9.0)), [1 / 3, 2 / 3])
    words = np.where(heard > high, "higher", np.where(heard < low, "lower", "same"))
    return judged_map([Judgement(x, y, w) for (x, y), w in zip(places, words, strict=True)],
                      source="judged.csv")  # fmt: skip


def test_ranks_of_the_reference_values():
    # references: scipy 1.17, ../shared/references.md section 6 "Ranks"
    x, y = np.arange(1.0, 11.0), np.array([2.0, 1, 4, 3, 7, 8, 6, 5, 10, 9])
    assert spearman(x, y) == pytest.approx(0.8545455, abs=1e-7)
    x, y = np.array([1.0, 2, 2, 3, 4, 4, 4, 5]), np.array([1.0, 1, 2, 3, 3, 5, 4, 5])
    assert spearman(x, y) == pytest.approx(0.9188218, abs=1e-7)
    np.testing.assert_allclose(average_ranks(x), [1, 2.5, 2.5, 4, 6, 6, 6, 8])
    rng = np.random.default_rng(1)
    for _ in range(20):
        x, y = rng.integers(0, 9, 30).astype(float), rng.normal(size=30).round(1)
        assert spearman(x, y) == pytest.approx(spearmanr(x, y)[0], abs=1e-12)
    assert np.isnan(spearman(np.ones(5), np.arange(5.0)))


def test_kappa_of_a_worked_example_and_of_statsmodels():
    # two readers of 50 grant proposals, yes/no 20, 5, 10, 15: κ = 0.40 (worked example in the
    # common textbooks and encyclopaedias, from memory)
    first = np.repeat([True, True, False, False], [20, 5, 10, 15])
    second = np.repeat([True, False, True, False], [20, 5, 10, 15])
    assert cohens_kappa(first, second) == pytest.approx(0.40)
    rng = np.random.default_rng(3)
    for _ in range(10):
        a, b = rng.random(60) < 0.4, rng.random(60) < 0.6
        table = [[np.sum(a & b), np.sum(a & ~b)], [np.sum(~a & b), np.sum(~a & ~b)]]
        assert cohens_kappa(a, b) == pytest.approx(reference_kappa(np.array(table)).kappa)
    assert np.isnan(cohens_kappa(np.ones(4, bool), np.ones(4, bool)))


def test_blocks_hold_neighbours_together():
    places = grid(9.0)
    label = blocks_of(places, 45.0)
    for k in range(label.max() + 1):
        assert np.ptp(places[label == k], axis=0).max() < 45.0
    draws = block_draws(places, 45.0, 20, np.random.default_rng(1))
    assert 20 < draws.blocks < 60
    assert all(0.5 * len(places) < len(rows) < 1.6 * len(places) for rows in draws.rows)


def test_neighbours_are_no_new_witnesses():
    """Places set twice as densely in a smooth field must not halve the interval."""
    widths = []
    for step in (24.0, 8.0):
        places = grid(step)
        rng = np.random.default_rng(4)
        smooth = tone(places) + 90.0 * np.sin(places @ [0.02, 0.03] + 1.0)
        draws = block_draws(places, 45.0, 200, rng)
        one = interval_of(
            lambda rows, p=places, s=smooth: spearman(tone(p)[rows], s[rows]), draws, len(places),
            fisher=True,
        )  # fmt: skip
        assert one.low is not None
        assert one.high is not None
        assert one.low < one.value < one.high
        widths.append(one.high - one.low)
    assert widths[1] > 0.6 * widths[0]


def test_they_agree_and_differ_nowhere():
    found = hand_agreement(judged(), machine(), PLATE, rng=np.random.default_rng(5))
    assert found.rank.value > 0.8
    assert found.rank.low is not None
    assert found.rank.low > 0.6
    assert found.kappa is not None
    assert found.kappa.value > 0.8
    assert not any(found.sure)
    assert "agree" in found.sentence
    assert found.notes == ()


def test_a_place_where_they_surely_differ_is_named():
    hand = judged()
    values = hand.value.copy()
    wrong = int(np.argmax(tone(np.asarray(hand.places_mm))))
    values[wrong] = -values[wrong]
    found = hand_agreement(
        replace(hand, value=values), machine(), PLATE, rng=np.random.default_rng(5)
    )
    assert [k for k, sure in enumerate(found.sure) if sure] == [wrong]
    assert found.difference[wrong] < -2.0
    assert f"x {hand.places_mm[wrong, 0]:.0f}" in found.sentence


def test_chance_alone_differs_surely_about_once_in_twenty():
    clean = 0
    for seed in range(8):
        found = hand_agreement(
            judged(seed), machine(seed=seed), PLATE, rng=np.random.default_rng(6), draws=60
        )
        clean += not any(found.sure)
    assert clean >= 6


def test_opposite_and_unrelated_hands():
    hand = judged()
    against = hand_agreement(replace(hand, value=-hand.value), machine(), PLATE,
                             rng=np.random.default_rng(5))  # fmt: skip
    assert "contradict" in against.sentence
    shuffled = np.random.default_rng(8).permutation(hand.value)
    deaf = hand_agreement(replace(hand, value=shuffled), machine(), PLATE,
                          rng=np.random.default_rng(5))  # fmt: skip
    assert "cannot be told yet" in deaf.sentence


def test_what_is_left_out_is_said():
    hand = judged()
    few = replace(hand, places_mm=hand.places_mm + np.array([500.0, 0.0]))
    with pytest.raises(AnalysisError, match="Only 0"):
        hand_agreement(few, machine(), PLATE, rng=np.random.default_rng(5))
    group = tuple(int(k >= 20) for k in range(len(hand.value)))
    turned = replace(hand, face="inner", group=group)
    found = hand_agreement(turned, machine(), PLATE, rng=np.random.default_rng(5))
    assert len(found.places) == 20
    assert "inner face" in found.notes[0]
    assert "other groups" in found.notes[1]


def test_too_close_together_to_say_how_sure():
    places = np.array([[0.0, 150.0], [10, 150], [0, 160], [10, 160], [20, 155], [15, 165]])
    hand = HandMap(places, tone(places) / 100, np.full(6, 0.3), "pairs", "p.csv")
    found = hand_agreement(hand, machine(), PLATE, rng=np.random.default_rng(5))
    assert found.rank.low is None
    assert "too close together" in found.sentence


def test_a_hand_that_calls_every_place_alike():
    places = grid(40.0)
    hand = judged_map([Judgement(x, y, "same") for x, y in places], source="same.csv")
    found = hand_agreement(hand, machine(), PLATE, draws=20, rng=np.random.default_rng(5))
    assert "every place alike" in found.sentence
    assert found.kappa is None
    assert found.rank.low is None
    alike = ear_choice(places, hand.value, {"attack": tone(places)})
    assert alike.best is None
    assert "every place alike" in alike.sentence
    nowhere = ear_choice(places[:0], hand.value[:0], {"attack": np.zeros(0)})
    assert "0 blocks" in nowhere.sentence


def test_the_reading_that_follows_the_ear():
    places = grid(24.0)
    rng = np.random.default_rng(9)
    hand = tone(places) / 100.0 + rng.normal(0.0, 0.3, len(places))
    good = tone(places) + rng.normal(0.0, 15.0, len(places))
    poor = tone(places) + rng.normal(0.0, 250.0, len(places))
    found = ear_choice(places, hand, {"poor": poor, "good": good})
    assert found.best == found.leading == "good"
    assert found.skill["good"] > 0.7 > found.skill["poor"]
    alike = ear_choice(places, hand, {"one": good, "two": good + rng.normal(0, 3, len(good))})
    assert alike.best is None
    assert alike.leading in ("one", "two")
    assert "cannot be told yet" in alike.sentence
    noise = ear_choice(places, hand, {"noise": rng.normal(size=len(places))})
    assert noise.best is None
    alone = ear_choice(places, hand, {"good": good})
    assert alone.best == "good"
    near = ear_choice(places[:4] * 0.1, hand[:4], {"good": good[:4]})
    assert near.best is None
    assert "blocks" in near.sentence
    assert ear_choice(places, hand, {}).leading is None
