"""A scratch whose resonance moves: followed within its doubt through what a hand does."""

from __future__ import annotations

import numpy as np
import pytest
from tone_sounds import RATE_HZ, clip_of

from rig.tone import scratch
from rig.tone.scratch import scratch_track

HOP = 480
SECONDS = 2.4


def gain(centre_hz: float, hz: np.ndarray) -> np.ndarray:
    below = np.maximum(hz, 1.0)
    wide = 1.0 / (1.0 + 6.0j * (hz / centre_hz - centre_hz / below)) + 0.02
    wide[0] = 0.0
    return wide


def moving_noise(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """White noise through a resonance that climbs an octave; and where it is at every sample."""
    count = round(SECONDS * RATE_HZ)
    centre_hz = 1500.0 * 2.0 ** (np.arange(count) / count)
    rng = np.random.default_rng(seed)
    white, x = rng.normal(size=count + 2 * HOP), np.zeros(count + 2 * HOP)
    window = np.sin(np.pi * (np.arange(2 * HOP) + 0.5) / (2 * HOP))
    hz = np.fft.rfftfreq(2 * HOP, 1 / RATE_HZ)
    for start in range(0, count, HOP):
        piece = window * white[start : start + 2 * HOP]
        shaped = np.fft.irfft(np.fft.rfft(piece) * gain(centre_hz[start], hz))
        x[start : start + 2 * HOP] += window * shaped
    return 0.05 * x[:count] / np.std(x[:count]), centre_hz


def expected(centre_hz: float) -> tuple[float, float]:
    """Centroid and peak of the noise itself, without chance."""
    size = round(0.04 * RATE_HZ)
    rates, weights, width = scratch._bands(RATE_HZ, size)
    power = np.abs(gain(centre_hz, np.fft.rfftfreq(size, 1 / RATE_HZ))) ** 2
    bands = (weights @ power)[None]
    middle, _ = scratch._centroid(bands, bands, rates, width)
    peak, _ = scratch._broad_peak(bands, rates, width)
    return float(middle[0]), float(peak[0])


def followed(x, centre_hz, scratched, seed=0, noise=1e-4):
    """Errors of centroid and peak over their sd, share of scratching that was not followed."""
    hiss = noise * np.random.default_rng(seed + 50).normal(size=len(x) + RATE_HZ)
    silence = RATE_HZ // 2
    whole = np.concatenate([np.zeros(silence), x, np.zeros(silence)]) + hiss
    track = scratch_track(clip_of(whole))
    assert track.reason == ""
    middle, top, missed, wrong = [], [], 0, 0
    for k, time_s in enumerate(track.time_s):
        at = round(time_s * RATE_HZ) - silence
        inside = scratched[max(0, at - 2 * HOP) : max(0, at + 2 * HOP)]
        if len(inside) < 4 * HOP or not inside.all():
            wrong += bool(track.sounding[k]) and not inside.any()
            continue
        if not track.sounding[k]:
            missed += 1
            continue
        middle_hz, peak_hz = expected(centre_hz[at])
        off = 1200.0 * np.log2(track.centroid_hz[k] / middle_hz)
        middle.append(off / track.sd_cents[k])
        off = 1200.0 * np.log2(track.peak_hz[k] / peak_hz)
        top.append(off / track.peak_sd_cents[k])
    return np.array(middle), np.array(top), missed / (missed + len(middle)), wrong


def check(middle, top):
    assert 0.8 < np.sqrt(np.mean(middle**2)) < 1.25
    assert 0.7 < np.median(np.abs(top)) / 0.6745 < 1.35


PRESSURE = {
    "steady": lambda t: np.ones(len(t)),
    "swinging by 20 dB": lambda t: 10.0 ** (0.5 * np.sin(2 * np.pi * 1.3 * t)),
    "stepping up by 20 dB": lambda t: np.where(t > 1.2, 1.0, 0.1),
    "stepping down by 20 dB": lambda t: np.where(t > 0.7, 0.1, 1.0),
}


@pytest.mark.parametrize("pressure", PRESSURE)
def test_pressure_does_not_matter(pressure):
    x, centre_hz = moving_noise(1)
    time = np.arange(len(x)) / RATE_HZ
    middle, top, missed, _ = followed(
        x * PRESSURE[pressure](time), centre_hz, np.ones(len(x), dtype=bool)
    )
    check(middle, top)
    assert missed < 0.03


def test_gaps_are_breaks():
    x, centre_hz = moving_noise(2)
    scratched = np.ones(len(x), dtype=bool)
    for start_s, stop_s in ((0.6, 0.9), (1.4, 1.5), (1.8, 2.0)):
        scratched[round(start_s * RATE_HZ) : round(stop_s * RATE_HZ)] = False
    middle, top, missed, wrong = followed(x * scratched, centre_hz, scratched)
    check(middle, top)
    assert missed < 0.03
    assert wrong == 0


def test_thumps_of_the_hand_are_marked():
    x, centre_hz = moving_noise(3)
    scratched = np.ones(len(x), dtype=bool)
    rng = np.random.default_rng(4)
    fade = np.exp(-np.arange(5760) / RATE_HZ / 0.03)
    for at_s in (0.5, 1.1, 1.8):
        start = round(at_s * RATE_HZ)
        turn = 2 * np.pi * rng.uniform(60.0, 250.0) * np.arange(5760) / RATE_HZ
        x[start : start + 5760] += 0.6 * fade * np.sin(turn)
        scratched[start - HOP : start + 5760] = False
    middle, top, missed, _ = followed(x, centre_hz, scratched)
    check(middle, top)
    assert missed < 0.05


def test_hiss_of_the_room_widens_the_doubt():
    x, centre_hz = moving_noise(5)
    middle, _, missed, _ = followed(x, centre_hz, np.ones(len(x), dtype=bool), noise=0.006)
    assert 0.75 < np.sqrt(np.mean(middle**2)) < 1.4
    assert missed < 0.03
