"""Principles of impact testing, ISO 7626-5: what a tap must be, and damping without bias.

The standard asks to reject double hits and overloads, and to subtract the damping that an
exponential window adds: a window e^(−t/τ_w) turns a decay time τ into 1/(1/τ + 1/τ_w). (Principles
from memory, no clause is quoted.) The readings use no such window; that their decay times carry
no trace of the record's end either is checked here.
"""

from __future__ import annotations

import numpy as np
import pytest

from rig.model.clip import Clip
from rig.tone import read_clip, ring_of_scan

RATE_HZ = 48000
ONSET_S = 0.05


def clip_of(x: np.ndarray) -> Clip:
    whole = np.clip(np.round(x * 2**23), -(2**23), 2**23 - 1).astype(np.int32)
    return Clip(whole.reshape(len(x), -1), RATE_HZ)


def ring(hz: float, decay_s: float, phase: float, duration_s: float) -> np.ndarray:
    time = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    sound = 0.4 * np.exp(-time / decay_s) * np.cos(2 * np.pi * hz * time + phase)
    return np.concatenate([np.zeros(round(ONSET_S * RATE_HZ)), sound])


def decays(decay_s: float, duration_s: float, window_s: float, tries: int) -> np.ndarray:
    """Decay times read from noisy records of one partial, at 30 dB."""
    rng = np.random.default_rng(round(1e5 * decay_s + 1e3 * duration_s))
    found = []
    for _ in range(tries):
        hz = rng.uniform(200.0, 1500.0)
        x = ring(hz, decay_s, rng.uniform(0.0, 6.28), duration_s)
        x += 0.4 / np.sqrt(2.0) * 10.0**-1.5 * rng.normal(size=len(x))
        after = np.maximum(np.arange(len(x)) / RATE_HZ - ONSET_S, 0.0)
        x *= np.exp(-after / window_s)
        reading = read_clip(clip_of(x))
        found.append(max(reading.ring, key=lambda p: p.level_db).decay_s)
    return np.array(found)


# the last ones ring far beyond the end of the record
@pytest.mark.parametrize(
    ("decay_s", "duration_s"), [(0.01, 0.5), (0.03, 0.5), (0.1, 0.5), (0.1, 0.15), (0.4, 0.5)]
)
def test_decay_without_bias(decay_s, duration_s):
    rates = decay_s / decays(decay_s, duration_s, np.inf, 60)
    standard_error = np.std(rates) / np.sqrt(len(rates))
    assert abs(np.mean(rates) - 1.0) < 3.5 * standard_error
    assert standard_error < 0.02


@pytest.mark.parametrize("window_s", [0.05, 0.2])
def test_damping_of_an_exponential_window_is_subtracted(window_s):
    rates = 0.06 * (1.0 / decays(0.06, 0.5, window_s, 40) - 1.0 / window_s)
    assert np.mean(rates) == pytest.approx(1.0, abs=0.015)


def test_decays_of_a_scan_without_bias():
    rng = np.random.default_rng(3)
    hz = np.array([180.0, 330.0, 415.0, 612.0, 890.0])
    decay_s = 1.0 / (np.pi * hz * 0.013)
    off = []
    for _ in range(8):
        clips = []
        for _ in range(12):
            x = sum(
                rng.normal() * ring(f, tau, rng.uniform(0.0, 6.28), 0.3)
                for f, tau in zip(hz, decay_s, strict=True)
            )
            clips.append(clip_of(0.2 * x + 2e-3 * rng.normal(size=len(x))))
        found = ring_of_scan(clips, [ONSET_S] * len(clips), highest_hz=1100.0)
        assert [p.hz for p in found] == pytest.approx(hz, rel=2e-3)
        off.append(decay_s / np.array([p.decay_s for p in found]) - 1.0)
    error = np.array(off)
    assert np.all(np.abs(error.mean(axis=0)) < 4.0 * error.std(axis=0) / np.sqrt(len(error)) + 1e-3)


def test_double_hits_and_overloads_are_rejected():
    x = ring(440.0, 0.06, 0.3, 0.5)
    twice = x + 0.7 * np.concatenate([np.zeros(1900), x])[: len(x)]
    assert read_clip(clip_of(x)).quality == "good"
    for spoiled in (0.5 * twice, np.clip(3.0 * x, -1.0, 1.0)):
        reading = read_clip(clip_of(spoiled))
        assert reading.quality == "bad"
        assert reading.reasons
