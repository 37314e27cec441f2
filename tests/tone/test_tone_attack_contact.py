"""Attack and contact: the right value, the right doubt, None where there is nothing to read."""

from __future__ import annotations

import numpy as np
import pytest
from tone_sounds import BAR, RATE_HZ, clip_of, strike

from rig.tone import read_clip
from rig.tone.attack import attack_of
from rig.tone.contact import contact_of


def test_attack_of_a_pure_tone_is_near_the_tone():
    # the sudden start is itself heard: a click around a low tone pulls it up
    for hz, pull in ((400.0, 1.05), (1000.0, 0.93), (3000.0, 0.95)):
        x = np.sin(2 * np.pi * hz * np.arange(4800) / RATE_HZ)
        assert attack_of(x, RATE_HZ, np.zeros(0)).hz == pytest.approx(pull * hz, rel=0.1)


def test_attack_does_not_hear_the_level():
    x = strike(BAR, noise=0.0)[2400:]
    loud, soft = attack_of(x, RATE_HZ, np.zeros(0)), attack_of(0.01 * x, RATE_HZ, np.zeros(0))
    assert loud.hz == pytest.approx(soft.hz, rel=1e-9)


def test_attack_rises_with_brightness():
    dark = [(300.0, 0.1, 0.3, 0.0), (1200.0, 0.05, 0.05, 0.0)]
    bright = [(300.0, 0.1, 0.3, 0.0), (1200.0, 0.05, 0.3, 0.0)]
    assert (
        read_clip(clip_of(strike(bright))).attack_hz
        > 1.1 * read_clip(clip_of(strike(dark))).attack_hz
    )


def test_attack_sd_holds_against_noise():
    values, sds = [], []
    for seed in range(60):
        reading = read_clip(clip_of(strike(BAR, noise=0.003, seed=seed, before_s=0.2)))
        values.append(1200.0 * np.log2(reading.attack_hz))
        sds.append(reading.attack_sd_cents)
    assert 0.6 < np.std(values) / np.mean(sds) < 1.5


def pulse_clip(width_s, *, noise=1e-3, second_s=None, scale=0.5, seed=0):
    x = strike(BAR, noise=1e-4)
    time = np.arange(len(x)) / RATE_HZ - 0.0493
    inside = (time > 0) & (time < width_s)
    force = np.where(inside, np.sin(np.pi * np.clip(time / width_s, 0, 1)), 0.0)
    if second_s is not None:
        later = time - second_s
        inside = (later > 0) & (later < width_s)
        force += 0.5 * np.where(inside, np.sin(np.pi * np.clip(later / width_s, 0, 1)), 0.0)
    force = scale * force + noise * np.random.default_rng(seed).normal(size=len(x))
    return clip_of(np.column_stack([x, force]), pickup_channel=1)


@pytest.mark.parametrize("width_ms", [0.15, 0.3, 1.0])
@pytest.mark.parametrize("scale", [0.5, -0.5])
def test_contact_is_impulse_over_peak(width_ms, scale):
    clip = pulse_clip(width_ms * 1e-3, scale=scale)
    reading = read_clip(clip)
    # a half sine: impulse ÷ peak = 2/π of its length
    assert reading.contact_ms == pytest.approx(2 / np.pi * width_ms, rel=0.03)
    assert contact_of(clip.pickup, RATE_HZ).start_s == pytest.approx(0.0493, abs=5e-5)
    assert reading.quality == "good"


def test_contact_sd_holds():
    readings = [read_clip(pulse_clip(3e-4, noise=0.005, seed=s)) for s in range(60)]
    widths = [r.contact_ms for r in readings]
    assert 0.6 < np.std(widths) / np.mean([r.contact_sd_ms for r in readings]) < 1.6


def test_second_blow_on_the_pickup():
    reading = read_clip(pulse_clip(3e-4, second_s=0.015))
    assert reading.quality == "bad"
    assert "Double strike: a second blow follows after 15 ms." in reading.reasons


def test_pickup_without_a_pulse_is_doubtful():
    x = strike(BAR)
    flat = 1e-3 * np.random.default_rng(1).normal(size=len(x))
    reading = read_clip(clip_of(np.column_stack([x, flat]), pickup_channel=1))
    assert reading.contact_ms is None
    assert reading.quality == "doubtful"
    assert "pickup shows no force pulse" in " ".join(reading.reasons)


def test_rebound_passes_through():
    assert read_clip(clip_of(strike(BAR), rebound_ratio=0.31)).rebound_ratio == 0.31
