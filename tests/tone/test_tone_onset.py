"""The strike is found where it is, to a fraction of a sample, whatever lies around it."""

from __future__ import annotations

import numpy as np
import pytest
from tone_sounds import BAR, RATE_HZ, clip_of, ring, strike

from rig.tone import read_clip, read_strikes


@pytest.mark.parametrize("before_s", [0.005, 0.02, 0.2, 1.0])
@pytest.mark.parametrize("noise", [0.0, 1e-4, 1e-2])
def test_onset_within_two_tenths_of_a_millisecond(before_s, noise):
    reading = read_clip(clip_of(strike(BAR, before_s=before_s, noise=noise, seed=3)))
    assert reading.onset_s == pytest.approx(before_s, abs=2e-4)


def test_onset_follows_a_shift_of_a_fraction_of_a_sample():
    partials = [(900.0, 0.1, 0.4, -np.pi / 2)]  # starts from zero, as a real flank does
    found = []
    for fraction in np.arange(0.0, 1.0, 0.125):
        delay_s = 0.05 + fraction / RATE_HZ
        x = ring(partials, 0.3, delay_s=delay_s)
        x += 1e-5 * np.random.default_rng(1).normal(size=len(x))
        found.append((read_clip(clip_of(x)).onset_s - delay_s) * RATE_HZ)
    assert np.ptp(found) < 0.5


def test_clack_before_the_strike_is_passed_over():
    x = strike(BAR, before_s=0.1)
    rng = np.random.default_rng(5)
    x[1500:1600] += 0.05 * rng.normal(size=100) * np.exp(-np.arange(100) / 30)
    reading = read_clip(clip_of(x))
    assert reading.onset_s == pytest.approx(0.1, abs=3e-4)
    assert reading.quality == "good"


def test_soft_beater_is_found():
    x = strike([(250.0, 0.3, 0.4, 0.0)], duration_s=0.8)
    rise = np.clip((np.arange(len(x)) / RATE_HZ - 0.05) / 0.03, 0.0, 1.0)
    reading = read_clip(clip_of(x * rise + 1e-4 * np.random.default_rng(2).normal(size=len(x))))
    assert reading.onset_s == pytest.approx(0.055, abs=0.012)
    assert reading.tone_hz == pytest.approx(250.0, rel=1e-4)


def test_file_of_three_strikes_gives_three_readings():
    tones = (300.0, 410.0, 520.0)
    x = np.concatenate(
        [strike([(f, 0.05, 0.4, 0.2)], duration_s=0.4, seed=i) for i, f in enumerate(tones)]
    )
    readings = read_strikes(clip_of(x))
    assert [r.tone_hz for r in readings] == pytest.approx(tones, rel=1e-4)
    assert [r.onset_s for r in readings] == pytest.approx([0.05, 0.5, 0.95], abs=3e-4)
    assert [r.quality for r in readings] == ["good"] * 3
    assert read_clip(clip_of(x)).quality == "bad"


def test_nothing_before_the_pulse_is_taken_for_the_strike():
    x = strike(BAR, before_s=0.1)
    x[1000:1010] += 0.9
    reading = read_clip(clip_of(x, strike_sample=round(0.09 * RATE_HZ)))
    assert reading.onset_s == pytest.approx(0.1, abs=2e-4)
