"""The stated rule for the one pitch a musician would name."""

from __future__ import annotations

import numpy as np
import pytest
from tone_sounds import clip_of, strike

from rig.tone import read_clip
from rig.tone.pitch import dominance_db


def tone_of(partials, **how):
    return read_clip(clip_of(0.5 * strike(partials, duration_s=0.8, **how)))


@pytest.mark.parametrize("upper_db", [0.0, 3.0, 6.0])
@pytest.mark.parametrize("ratio", [2.757, 4.0, 6.3])
def test_louder_upper_partial_does_not_fool_it(upper_db, ratio):
    upper = 0.3 * 10.0 ** (upper_db / 20.0)
    reading = tone_of([(392.0, 0.3, 0.3, 0.1), (392.0 * ratio, 0.1, upper, 1.0)])
    assert reading.tone_hz == pytest.approx(392.0, rel=1e-4)


def test_two_like_modes_compete():
    reading = tone_of([(312.0, 0.1, 0.3, 0.1), (391.0, 0.1, 0.25, 1.0)])
    assert reading.tone_hz is None
    assert "Several pitches compete: 312, 391 Hz." in reading.reasons
    assert reading.quality == "good"  # the strike is sound, only its pitch is not one


def test_octave_does_not_compete():
    assert tone_of([(312.0, 0.2, 0.3, 0.1), (624.0, 0.2, 0.3, 1.0)]).tone_hz == pytest.approx(
        312.0, rel=1e-4
    )


def test_beating_pair_is_one_pitch_between():
    reading = tone_of([(500.0, 0.2, 0.3, 0.0), (504.0, 0.2, 0.3, 0.5)])
    assert 499.9 < reading.tone_hz < 504.1


def test_weak_low_mode_is_not_the_pitch():
    reading = tone_of([(130.0, 0.2, 0.01, 0.0), (440.0, 0.3, 0.4, 0.5)])
    assert reading.tone_hz == pytest.approx(440.0, rel=1e-4)


def test_dull_thud_and_clatter_have_none():
    thud = tone_of([(150.0, 0.012, 0.8, 0.0)])
    assert thud.tone_hz is None
    clatter = [(900.0, 0.03, 0.2, 0.0)]
    clatter += [(f, 0.03, 0.3, f) for f in (2200.0, 2900.0, 3700.0, 4300.0)]
    assert tone_of(clatter).tone_hz is None


def test_random_bars_at_20_db_and_more():
    """Bars of five inharmonic partials, decay shorter upwards: never a wrong pitch."""
    rng = np.random.default_rng(21)
    found = 0
    for seed in range(40):
        f0 = 2.0 ** rng.uniform(np.log2(120.0), np.log2(2500.0))
        ratios = np.array([1.0, 2.757, 5.404, 8.933, 13.34]) * rng.uniform(0.97, 1.03, 5)
        decay = rng.uniform(0.08, 0.5) / ratios ** rng.uniform(0.5, 1.0)
        level = 0.2 * 10.0 ** (-rng.uniform(0.0, 12.0, 5) / 20.0)
        level[0] = 0.15
        partials = [
            (f0 * r, d, a, rng.uniform(0, 6.28))
            for r, d, a in zip(ratios, decay, level, strict=True)
            if f0 * r < 18000.0
        ]
        reading = tone_of(partials, noise=0.015, seed=seed)
        if reading.tone_hz is not None:
            found += 1
            assert abs(1200.0 * np.log2(reading.tone_hz / (f0 * ratios[0]))) < 5.0
    assert found >= 38


def test_dominance_is_greatest_at_700_hz():
    assert dominance_db(700.0) == pytest.approx(0.0)
    assert dominance_db(100.0) < -5.0
    assert dominance_db(8000.0) < -10.0
