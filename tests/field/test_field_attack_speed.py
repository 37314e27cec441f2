"""The attack at one speed: the slope is found, the place is kept, noise corrects nothing."""

from __future__ import annotations

import numpy as np
import pytest

from rig.field.attack_speed import speed_corrected, speeds_of
from rig.model.clip import Clip
from rig.model.scan_record import Strike


def struck(slope, repeats, seed, *, taps=250, scatter=12.0, speed_scatter=0.05):
    """Attack over a plate in cents, speeds, tap numbers, places and the attack at one speed."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0.0, 300.0, (taps, 2))
    place = 200.0 * np.sin(places[:, 0] / 40.0) + 100.0 * rng.normal(size=taps)
    tap = np.repeat(np.arange(taps), repeats)
    speed = 0.6 * np.exp(speed_scatter * rng.normal(size=len(tap)))
    still = np.repeat(place, repeats) + scatter * rng.normal(size=len(tap))
    return still + slope * np.log2(speed / 0.6), speed, tap, places[tap], still


@pytest.mark.parametrize("repeats", [1, 2, 3])
@pytest.mark.parametrize("slope", [-100.0, 0.0, 250.0])
def test_slope_within_its_doubt(repeats, slope):
    off = []
    for seed in range(12):
        cents, speed, tap, places, _ = struck(slope, repeats, seed)
        found = speed_corrected(cents, speed, tap, places)
        off.append((found.slope_cents - slope) / found.slope_sd_cents)
        assert found.corrected == len(cents)
    assert np.sqrt(np.mean(np.square(off))) < 1.7


def test_the_part_of_the_speed_is_gone_and_the_place_is_kept():
    cents, speed, tap, places, still = struck(300.0, 2, 5)
    found = speed_corrected(cents, speed, tap, places)
    error = found.cents - still
    assert np.std(error - np.mean(error)) < 2.5
    assert np.std(cents - still) > 15.0


def test_noise_corrects_nothing():
    moved = []
    for seed in range(8):
        cents, speed, tap, places, _ = struck(0.0, 2, seed)
        moved.append(np.std(speed_corrected(cents, speed, tap, places).cents - cents))
    assert np.median(moved) < 0.5
    assert np.max(moved) < 2.5


def test_unknown_speeds_stay_and_wild_strikes_do_not_pull():
    cents, speed, tap, places, _ = struck(200.0, 2, 9)
    speed[::5] = np.nan
    cents[1::50] += 900.0
    found = speed_corrected(cents, speed, tap, places)
    assert np.array_equal(found.cents[::5], cents[::5])
    assert found.slope_cents == pytest.approx(200.0, abs=5.0 * found.slope_sd_cents)
    assert found.slope_sd_cents < 25.0


def test_without_speeds_or_with_one_speed_nothing_is_done():
    cents, speed, tap, places, _ = struck(200.0, 2, 3)
    for told in (np.full(len(cents), np.nan), np.full(len(cents), 0.6), -speed):
        found = speed_corrected(cents, told, tap, places)
        assert found.slope_sd_cents is None
        assert np.array_equal(found.cents, cents)
    nothing = speed_corrected([], [], [], np.zeros((0, 2)))
    assert len(nothing.cents) == 0


def test_a_common_zero_and_the_unit_of_speed_do_not_matter():
    cents, speed, tap, places, _ = struck(200.0, 2, 3)
    one = speed_corrected(cents, speed, tap, places)
    other = speed_corrected(cents + 5000.0, 1000.0 * speed, tap, places)
    assert other.cents - 5000.0 == pytest.approx(one.cents)


def strike(number, *, gate=None, force=None):
    samples = np.zeros((2000, 2), dtype=np.int32)
    if force is not None:
        samples[500:510, 1] = np.round(force * np.sin(np.pi * np.arange(10) / 10)).astype(int)
    pickup = None if force is None else 1
    clip = Clip(samples, 48000, pickup_channel=pickup, strike_speed_m_s=gate)
    return Strike(number, number, 0, 0.0, 0.0, clip)


def test_speed_by_the_gate_else_by_the_pickup():
    gate = speeds_of([strike(k, gate=0.5 + 0.1 * k, force=1e6) for k in range(4)])
    assert gate == pytest.approx([0.5, 0.6, 0.7, 0.8])
    felt = speeds_of([strike(k, force=1e6 * (1 + k)) for k in range(3)])
    assert felt / felt[0] == pytest.approx([1.0, 2.0, 3.0], rel=1e-3)
    felt = speeds_of([strike(k, force=-1e6 * (1 + k)) for k in range(3)])
    assert felt / felt[0] == pytest.approx([1.0, 2.0, 3.0], rel=1e-3)
    assert np.all(np.isnan(speeds_of([strike(0), strike(1)])))
