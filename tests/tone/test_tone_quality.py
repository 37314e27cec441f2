"""What is no clean strike is told apart, with a reason; what does no harm is let through."""

from __future__ import annotations

import numpy as np
import pytest
from tone_sounds import BAR, RATE_HZ, clip_of, ring, strike

from rig.tone import read_clip


def reasons(reading):
    return " ".join(reading.reasons)


def test_clean_strike_is_good_without_reasons():
    reading = read_clip(clip_of(strike(BAR)))
    assert (reading.quality, reading.reasons) == ("good", ())
    assert reading.tone_hz == pytest.approx(440.0, rel=1e-5)


@pytest.mark.parametrize("samples", [0, 1, 3, 200])
def test_too_short(samples):
    reading = read_clip(clip_of(np.ones(samples) * 0.1))
    assert reading.quality == "bad"
    assert "shorter than 10 ms" in reasons(reading)


@pytest.mark.parametrize("level", [0.0, 0.25])
def test_silence_and_a_constant_voltage(level):
    reading = read_clip(clip_of(np.full(20000, level)))
    assert reading.quality == "bad"
    assert "silent" in reasons(reading)
    assert reading.onset_s is None


def test_noise_alone_has_no_strike():
    reading = read_clip(clip_of(0.1 * np.random.default_rng(4).normal(size=48000)))
    assert reading.quality == "bad"
    assert reading.tone_hz is None


@pytest.mark.parametrize("hz", [50.0, 60.0, 440.0])
def test_hum_and_held_tones_are_no_strikes(hz):
    time = np.arange(RATE_HZ) / RATE_HZ
    steady = sum(np.sin(2 * np.pi * hz * k * time + k) / k for k in (1, 2, 3, 5))
    reading = read_clip(clip_of(0.2 * steady))
    assert reading.quality == "bad"
    assert reading.tone_hz is None
    switched_on = np.concatenate([np.zeros(4800), 0.2 * steady])
    reading = read_clip(clip_of(switched_on))
    assert reading.quality == "bad"
    assert "Not a strike" in reasons(reading)


def test_vibrating_voice_is_no_strike():
    time = np.arange(RATE_HZ) / RATE_HZ
    phase = 2 * np.pi * 180.0 * time + 3.0 * np.sin(2 * np.pi * 5.0 * time)
    voice = sum(np.sin(k * phase) / k for k in range(1, 12))
    voice *= np.abs(np.sin(2 * np.pi * 2.0 * time)) ** 0.5
    reading = read_clip(clip_of(np.concatenate([np.zeros(4800), 0.2 * voice])))
    assert reading.quality == "bad"


@pytest.mark.parametrize(("gap_s", "ratio"), [(0.02, 0.6), (0.04, 0.5), (0.08, 1.0)])
def test_double_strike(gap_s, ratio):
    bounce = [(f, tau, a * ratio, phase) for f, tau, a, phase in BAR]
    plate = [*BAR, (6200.0, 0.004, 0.2, 0.4)]
    second = [*bounce, (6200.0, 0.004, 0.2 * ratio, 0.4)]
    x = strike(plate) + ring(second, 0.55, delay_s=0.05 + gap_s)
    reading = read_clip(clip_of(x * 0.5))
    assert reading.quality == "bad"
    assert "Double strike" in reasons(reading)


def test_beating_partials_are_no_double_strike():
    pair = [(500.0, 0.3, 0.3, 0.0), (508.0, 0.3, 0.3, 0.0)]
    reading = read_clip(clip_of(strike(pair, duration_s=0.9)))
    assert reading.quality == "good"
    hz = [p.hz for p in reading.ring if p.level_db > -10]
    assert hz == pytest.approx([500.0, 508.0], rel=1e-4)


def test_overload_in_either_channel():
    x = strike(BAR)
    clipped = np.clip(3.0 * x, -1.0, 1.0)
    assert "Overload: the microphone" in reasons(read_clip(clip_of(clipped)))
    assert read_clip(clip_of(clipped)).quality == "bad"
    pulse = np.zeros(len(x))
    pulse[2390:2400] = 1.0
    both = np.column_stack([x, pulse])
    reading = read_clip(clip_of(both, pickup_channel=1))
    assert "Overload: the pickup" in reasons(reading)
    assert reading.quality == "bad"


def test_overload_turned_down_afterwards():
    clipped = np.clip(3.0 * strike(BAR), -1.0, 1.0)
    assert "Overload" in reasons(read_clip(clip_of(0.3 * clipped)))


def test_weak_and_noisy():
    assert read_clip(clip_of(strike(BAR, noise=0.012))).quality == "good"
    noisy = read_clip(clip_of(strike(BAR, noise=0.04)))
    assert noisy.quality == "doubtful"
    assert "Noisy" in reasons(noisy)
    assert noisy.tone_hz == pytest.approx(440.0, rel=5e-4)
    weak = read_clip(clip_of(strike(BAR, noise=0.12)))
    assert weak.quality == "bad"


def test_cut_off_at_either_end():
    x = strike(BAR)
    start = read_clip(clip_of(x[2420:]))
    assert start.quality == "doubtful"
    assert "Cut off: the recording starts" in reasons(start)
    assert start.tone_hz == pytest.approx(440.0, rel=1e-4)
    end = read_clip(clip_of(x[: 2400 + 2880]))
    assert end.quality == "doubtful"
    assert "ends 60 ms after" in reasons(end)
    late = read_clip(clip_of(x[: 2400 + 480]))
    assert late.quality == "bad"
    assert "Late" in reasons(late)


@pytest.mark.parametrize("factor", [1.0, -1.0, 0.01])
@pytest.mark.parametrize("offset", [0.0, 0.3])
def test_polarity_gain_and_offset_do_no_harm(factor, offset):
    reading = read_clip(clip_of(factor * strike(BAR) + offset))
    assert reading.quality == "good"
    assert reading.tone_hz == pytest.approx(440.0, rel=1e-5)


@pytest.mark.parametrize("rate_hz", [24000, 44100, 48000, 96000, 192000])
def test_sample_rates(rate_hz):
    reading = read_clip(clip_of(strike(BAR, rate_hz=rate_hz), rate_hz))
    assert reading.quality == "good"
    assert reading.tone_hz == pytest.approx(440.0, rel=1e-5)
    assert reading.onset_s == pytest.approx(0.05, abs=1e-4)


def test_eight_bits():
    reading = read_clip(clip_of(strike(BAR, noise=0.004), bits=8))
    assert reading.quality == "good"
    assert reading.tone_hz == pytest.approx(440.0, rel=1e-4)


def test_rumble_below_the_voice_of_wood_does_no_harm():
    x = strike(BAR)
    x += 0.15 * np.sin(2 * np.pi * 9.0 * np.arange(len(x)) / RATE_HZ)
    assert read_clip(clip_of(x)).tone_hz == pytest.approx(440.0, rel=1e-4)
