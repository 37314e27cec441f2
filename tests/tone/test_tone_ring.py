"""Partials of one strike: at the limit that noise sets, with standard deviations that hold."""

from __future__ import annotations

import numpy as np
import pytest
from tone_sounds import BAR, RATE_HZ, clip_of, strike

from rig.tone import read_clip


def cramer_rao_sd_hz(decay_s: float, snr_db: float) -> float:
    """(1/π)·√(2/(η·fs·τ³)), η = A²/2σ² (Rife & Boorstyn 1974, for a damped tone)."""
    eta = 10.0 ** (snr_db / 10.0)
    return float(np.sqrt(2.0 / (eta * RATE_HZ * decay_s**3)) / np.pi)


@pytest.mark.parametrize("decay_s", [0.01, 0.03, 0.1])
@pytest.mark.parametrize("snr_db", [20.0, 40.0])
def test_single_partial_near_the_bound(decay_s, snr_db):
    rng = np.random.default_rng(11)
    misses, z = [], []
    for seed in range(40):
        hz = rng.uniform(250.0, 1500.0)
        partial = (hz, decay_s, 0.3, rng.uniform(0.0, 6.28))
        noise = 0.3 / np.sqrt(2.0) * 10.0 ** (-snr_db / 20.0)
        reading = read_clip(clip_of(strike([partial], noise=noise, seed=seed)))
        found = max(reading.ring, key=lambda p: p.level_db)
        misses.append(found.hz - hz)
        z.append((found.hz - hz) / found.sd_hz)
    bound = cramer_rao_sd_hz(decay_s, snr_db)
    # 40 tries scatter by 11 %: the figure of 1.3 itself is measured in the bench
    assert np.sqrt(np.mean(np.square(misses))) < 1.5 * bound
    assert 0.65 < np.sqrt(np.mean(np.square(z))) < 1.4


def test_two_partials_one_over_tau_apart():
    rng = np.random.default_rng(12)
    decay_s, misses = 0.03, []
    for seed in range(25):
        hz = rng.uniform(250.0, 1500.0)
        pair = [(hz + k / decay_s, decay_s, 0.25, rng.uniform(0.0, 6.28)) for k in (0, 1)]
        noise = 0.25 / np.sqrt(2.0) * 10.0**-1.5
        found = read_clip(clip_of(strike(pair, noise=noise, seed=seed))).ring
        misses += [min((p.hz - f for p in found), key=abs) for f, *_ in pair]
    assert np.sqrt(np.mean(np.square(misses))) < 2.0 * cramer_rao_sd_hz(decay_s, 30.0)


def test_decay_and_level_at_the_strike():
    reading = read_clip(clip_of(strike(BAR)))
    found = {round(p.hz): p for p in reading.ring}
    for hz, decay_s, amplitude, _phase in BAR:
        partial = found[round(hz)]
        assert partial.decay_s == pytest.approx(decay_s, rel=0.01)
        assert partial.level_db == pytest.approx(20 * np.log10(amplitude / 0.30), abs=0.2)


def test_no_partials_are_made_up():
    reading = read_clip(clip_of(strike(BAR, noise=1e-3)))
    assert [p.hz for p in reading.ring] == pytest.approx([f for f, *_ in BAR], rel=1e-3)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_and_its_harmonics_are_not_the_ring(mains_hz):
    time = np.arange(round(0.75 * RATE_HZ)) / RATE_HZ
    x = strike(BAR, before_s=0.15, duration_s=0.6)
    x += 0.02 * sum(np.sin(2 * np.pi * mains_hz * k * time + k) / k for k in range(1, 10))
    reading = read_clip(clip_of(x), hum_hz=mains_hz)
    lines = mains_hz * np.arange(1, 10)
    for partial in reading.ring:
        assert np.min(np.abs(partial.hz - lines)) > 1.0 or abs(partial.hz - 440.0) < 0.1
    assert reading.tone_hz == pytest.approx(440.0, rel=1e-4)


def test_ring_of_an_earlier_strike_is_not_this_ones():
    x = strike(BAR, before_s=0.2, duration_s=0.6)
    time = np.arange(len(x)) / RATE_HZ
    x += 0.05 * np.exp(-time / 1.5) * np.sin(2 * np.pi * 700.0 * time)
    reading = read_clip(clip_of(x))
    assert all(abs(p.hz - 700.0) > 1.0 for p in reading.ring)
