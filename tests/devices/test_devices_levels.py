"""Levels and gain advice, on made-up channels whose levels are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.devices.levels import ChannelLevel, advice, channel_level, channels_confused
from rig.model.clip import Clip

RATE = 48_000
FULL = 2**23


def tap(peak: float, decay_s: float, seed: int = 0, noise: float = 1e-4) -> np.ndarray:
    t = np.arange(RATE // 3) / RATE
    late = np.maximum(t - 0.03, 0.0)
    rng = np.random.default_rng(seed)
    # quarter of a wave off: the first sample after the blow is the peak
    ring = np.where(t >= 0.03, np.exp(-late / decay_s) * np.cos(2 * np.pi * 500.0 * late), 0.0)
    return peak * ring + noise * rng.standard_normal(len(t))


def level_of(peak_db: float, noise_db: float, **more: float) -> ChannelLevel:
    rng = np.random.default_rng(3)
    noise = 10.0 ** (noise_db / 20.0)
    quiet = noise * rng.standard_normal(RATE // 2) + more.get("offset", 0.0)
    strike = tap(10.0 ** (peak_db / 20.0), 0.04, 1, noise) + more.get("offset", 0.0)
    return channel_level("microphone", 0, quiet, [np.clip(strike, -1.0, 1.0 - 1e-7)])


def test_levels_are_those_of_the_signal() -> None:
    level = level_of(-20.0, -70.0)
    assert level.peak_db == pytest.approx(-20.0, abs=0.2)
    assert level.noise_db == pytest.approx(-70.0, abs=0.2)
    assert level.above_noise_db == pytest.approx(50.0, abs=0.4)
    assert level.clipped == 0


@pytest.mark.parametrize(
    ("peak_db", "noise_db", "good", "words"),
    [
        (-16.0, -70.0, True, ""),
        (-25.0, -75.0, True, ""),
        (-34.0, -80.0, True, "gain up by 17 dB|gain up by 18 dB"),
        (-4.0, -70.0, False, "gain down by 12 dB|gain down by 13 dB"),
        (-40.0, -60.0, False, "gain up by 2[34] dB"),
        (-20.0, -40.0, False, "fans, hum"),
        (-60.0, -62.0, False, "hammer reaches the plate"),
        (3.0, -70.0, False, "down by at least 12 dB"),
    ],
)
def test_advice_says_which_way_to_turn(
    peak_db: float, noise_db: float, good: bool, words: str
) -> None:
    import re

    said = advice(level_of(peak_db, noise_db))
    assert said.good is good
    assert re.search(words, said.remedy) if words else said.remedy == ""
    assert "microphone (channel 0)" in said.found


def test_dead_channel_and_offset() -> None:
    nothing = channel_level("pickup", 1, np.zeros(1000), [np.zeros(1000)])
    assert "nothing at all" in advice(nothing).found
    assert "off zero by 20 %" in advice(level_of(-16.0, -70.0, offset=0.2)).found
    assert channel_level("pickup", 1, np.zeros(0), []).peak_db == -140.0


def clip_of(mic: np.ndarray, pickup: np.ndarray) -> Clip:
    samples = np.round(np.stack([mic, pickup], axis=1) * FULL).astype(np.int32)
    return Clip(samples, RATE, mic_channel=0, pickup_channel=1)


def test_swapped_and_doubled_channels_are_told() -> None:
    ring, blow = tap(0.2, 0.05, 1), tap(0.3, 0.0004, 2)
    assert channels_confused(clip_of(ring, blow)) is None
    swapped = channels_confused(clip_of(blow, ring))
    assert swapped is not None
    assert "swapped" in swapped.found
    same = channels_confused(clip_of(ring, 0.5 * ring))
    assert same is not None
    assert "same signal" in same.found
    alone = Clip(clip_of(ring, blow).samples, RATE, pickup_channel=None)
    assert channels_confused(alone) is None


def test_taking_the_advice_makes_it_good() -> None:
    import re

    for peak_db in (-38.0, -30.0, -5.0, -1.0):
        said = advice(level_of(peak_db, peak_db - 50.0))
        found = re.search(r"gain (up|down) by (\d+) dB", said.remedy)
        assert found is not None
        turned = peak_db + int(found[2]) * (1 if found[1] == "up" else -1)
        again = advice(level_of(turned, turned - 50.0))
        assert again.good
        assert again.remedy == ""
        assert math.isclose(turned, -16.0, abs_tol=1.5)
