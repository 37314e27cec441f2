"""Everything that can be wrong with one clip: the tone is still right, or it is refused."""

from __future__ import annotations

import numpy as np
import pytest
from tone_sounds import RATE_HZ, clip_of, strike

from rig.tone import read_clip

SEEDS = range(12)
RATIOS = (1.0, 2.757, 5.404, 8.933)  # of a free bar
ONSET_S = 0.06


def struck_bar(seed: int, rate_hz: int = RATE_HZ, noise: float = 1e-3):
    """A bar of random pitch, decay and phases, and its lowest frequency."""
    rng = np.random.default_rng(seed)
    hz = 2.0 ** rng.uniform(np.log2(120.0), np.log2(1200.0))
    partials = [
        (
            hz * ratio,
            rng.uniform(0.1, 0.4) / ratio**0.8,
            0.3 * rng.uniform(0.2, 0.5 if ratio > 1.0 else 1.0),
            rng.uniform(0.0, 6.28),
        )
        for ratio in RATIOS
        if hz * ratio < 0.42 * rate_hz
    ]
    x = strike(partials, before_s=ONSET_S, duration_s=0.6, noise=noise, seed=seed, rate_hz=rate_hz)
    return 0.5 * x / np.abs(x).max(), hz


def cents(reading, hz: float) -> float:
    return float(1200.0 * np.log2(reading.tone_hz / hz))


def check_same(reading, hz, within=2.0):
    assert reading.quality == "good", reading.reasons
    assert abs(cents(reading, hz)) < within


@pytest.mark.parametrize("seed", SEEDS)
def test_offset_polarity_and_level(seed):
    x, hz = struck_bar(seed)
    rng = np.random.default_rng(seed)
    check_same(read_clip(clip_of(0.6 * x + rng.uniform(-0.35, 0.35))), hz)
    check_same(read_clip(clip_of(-x)), hz)
    check_same(read_clip(clip_of(0.003 * x)), hz)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("bits", [8, 12])
def test_coarse_samples(seed, bits):
    x, hz = struck_bar(seed)
    check_same(read_clip(clip_of(x, bits=bits)), hz)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 44100, 96000, 192000])
def test_rates(rate_hz):
    for seed in SEEDS[:6]:
        x, hz = struck_bar(seed, rate_hz)
        check_same(read_clip(clip_of(x, rate_hz)), hz)


@pytest.mark.parametrize("seed", SEEDS)
def test_cut_at_the_start(seed):
    x, hz = struck_bar(seed)
    missing_s = np.random.default_rng(seed).uniform(0.0, 0.02)
    reading = read_clip(clip_of(x[round((ONSET_S + missing_s) * RATE_HZ) :]))
    assert reading.quality != "good"
    assert "Cut off" in " ".join(reading.reasons)
    assert reading.tone_hz is None or abs(cents(reading, hz)) < 3.0


@pytest.mark.parametrize("seed", SEEDS)
def test_cut_at_the_end(seed):
    x, hz = struck_bar(seed)
    left_s = np.random.default_rng(seed).uniform(0.022, 0.09)
    reading = read_clip(clip_of(x[: round((ONSET_S + left_s) * RATE_HZ)]))
    if reading.tone_hz is not None:
        assert abs(cents(reading, hz)) < 25.0
    assert reading.quality != "good" or abs(cents(reading, hz)) < 5.0


@pytest.mark.parametrize("ratio", [0.5, 0.8])
def test_double_strikes_are_not_good(ratio):
    for seed in range(20):
        x, _hz = struck_bar(seed)
        gap = round(np.random.default_rng(seed).uniform(0.015, 0.11) * RATE_HZ)
        x[gap:] += ratio * x[:-gap].copy()
        reading = read_clip(clip_of(0.5 * x))
        assert reading.quality == "bad", (seed, gap / RATE_HZ)
        assert "second blow" in " ".join(reading.reasons) or "strikes" in " ".join(reading.reasons)


def test_a_single_blow_is_never_called_double():
    for seed in range(40):
        x, hz = struck_bar(seed, noise=10.0 ** -np.random.default_rng(seed).uniform(2.0, 5.0))
        check_same(read_clip(clip_of(x)), hz, within=4.0)


@pytest.mark.parametrize("seed", SEEDS[:6])
def test_overload_of_one_channel(seed):
    x, _hz = struck_bar(seed)
    pulse = np.zeros(len(x))
    pulse[2870:2886] = np.sin(np.pi * np.arange(16) / 16)
    both = np.column_stack([np.clip(4.0 * x, -1.0, 1.0), 0.5 * pulse])
    reading = read_clip(clip_of(both, pickup_channel=1))
    assert reading.quality == "bad"
    assert any("Overload: the microphone" in reason for reason in reading.reasons)
    both = np.column_stack([x, np.clip(3.0 * pulse, -1.0, 1.0)])
    reading = read_clip(clip_of(both, pickup_channel=1))
    assert reading.quality == "bad"
    assert any("Overload: the pickup" in reason for reason in reading.reasons)


@pytest.mark.parametrize("level", [0.0, 0.2])
def test_a_dead_pickup_is_said_and_the_tone_kept(level):
    x, hz = struck_bar(3)
    reading = read_clip(clip_of(np.column_stack([x, np.full(len(x), level)]), pickup_channel=1))
    assert reading.quality == "doubtful"
    assert "pickup" in " ".join(reading.reasons)
    assert reading.contact_ms is None
    assert abs(cents(reading, hz)) < 2.0


@pytest.mark.parametrize("count", [0, 1, 2, 100])
@pytest.mark.parametrize("channels", [1, 2])
def test_next_to_nothing(count, channels):
    clip = clip_of(np.full((count, channels), 0.1), pickup_channel=channels - 1 or None)
    reading = read_clip(clip)
    assert reading.quality == "bad"
    assert reading.tone_hz is None
    assert reading.reasons


@pytest.mark.parametrize("value", [0.0, 0.5, -1.0, 0.99999])
@pytest.mark.parametrize("rate_hz", [8000, 48000])
def test_all_the_same(value, rate_hz):
    reading = read_clip(clip_of(np.full(rate_hz, value), rate_hz))
    assert reading.quality == "bad"
    assert reading.tone_hz is None
    assert reading.onset_s is None


def test_garbage_never_breaks_it():
    rng = np.random.default_rng(5)
    for _ in range(60):
        count = int(rng.integers(1, 30000))
        rate_hz = int(rng.choice([8000, 22050, 48000, 192000]))
        kind = rng.integers(4)
        if kind == 0:
            x = rng.choice([-1.0, 0.0, 1.0], count)
        elif kind == 1:
            x = np.zeros(count)
            x[rng.integers(0, count, 3)] = 1.0
        elif kind == 2:
            x = np.linspace(-1.0, 1.0, count)
        else:
            x = np.sign(np.sin(np.arange(count) * rng.uniform(0.001, 1.0)))
        reading = read_clip(clip_of(0.9 * x, rate_hz))
        assert reading.quality in ("good", "doubtful", "bad")
        assert reading.tone_hz is None or (
            np.isfinite(reading.tone_hz) and 20.0 < reading.tone_hz < 0.5 * rate_hz
        )
        assert all(np.isfinite([p.hz, p.sd_hz, p.decay_s, p.level_db]).all() for p in reading.ring)
