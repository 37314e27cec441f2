"""Voices, held notes, melodies and hum: no tone is named, the quality says so, with a reason."""

from __future__ import annotations

import numpy as np
import pytest
from other_sounds import NOT_STRUCK
from tone_sounds import RATE_HZ, clip_of, ring, strike

from rig.tone import read_clip


@pytest.mark.parametrize("kind", NOT_STRUCK)
def test_what_was_not_struck_has_no_tone(kind):
    named = 0
    for seed in range(40):
        reading = read_clip(clip_of(NOT_STRUCK[kind](seed)))
        named += reading.tone_hz is not None
        assert reading.quality != "good", (kind, seed)
        assert reading.reasons, (kind, seed)
        assert reading.quality == "bad" or reading.tone_hz is None, (kind, seed, reading.tone_hz)
    # a first syllable that stops may be named as the first of several strikes, never as good
    assert named <= 4


def held(harmonics: int, seconds: float, release_s: float = 0.05) -> np.ndarray:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    tone = sum(np.sin(2 * np.pi * 330.0 * k * time) / k for k in range(1, harmonics + 1))
    swell = np.minimum(1.0, np.minimum(time / 0.005, (seconds - time) / release_s))
    return np.concatenate([np.zeros(4800), 0.3 * tone * swell, np.zeros(9600)])


@pytest.mark.parametrize("seconds", [0.2, 0.4, 0.8])
@pytest.mark.parametrize("harmonics", [1, 6])
def test_a_note_that_stays_and_is_let_go(seconds, harmonics):
    hiss = 1e-4 * np.random.default_rng(1).normal(size=len(held(harmonics, seconds)))
    reading = read_clip(clip_of(held(harmonics, seconds) + hiss))
    assert reading.quality == "bad"
    assert reading.tone_hz is None
    assert "Not a strike" in " ".join(reading.reasons)


def test_cut_out_of_a_held_note():
    x = held(6, 1.2)[24000:48000]
    reading = read_clip(clip_of(x + 1e-4 * np.random.default_rng(2).normal(size=len(x))))
    assert reading.quality == "bad"
    assert reading.tone_hz is None


def test_a_chord_that_lasts_is_doubted():
    time = np.arange(round(1.2 * RATE_HZ)) / RATE_HZ
    chord = [np.exp(-time / 1.2) * np.sin(2 * np.pi * hz * time) for hz in (262.0, 330.0, 392.0)]
    x = np.concatenate([np.zeros(4800), 0.2 * sum(chord)])
    reading = read_clip(clip_of(x + 1e-4 * np.random.default_rng(3).normal(size=len(x))))
    assert reading.tone_hz is None
    assert reading.quality != "good"
    assert "compete" in " ".join(reading.reasons)


def test_what_swells_by_beating_is_still_struck():
    """The level of a pair of close partials may stay and then drop, as a held note's does."""
    for apart_hz in (0.9, 1.5, 2.5, 4.0, 7.0):
        for phase in (0.0, 1.5, 3.0):
            pair = [(618.0, 0.35, 0.3, 0.2), (618.0 + apart_hz, 0.4, 0.25, 0.2 + phase)]
            reading = read_clip(clip_of(strike(pair, duration_s=0.7, noise=1e-3)))
            assert reading.quality == "good", (apart_hz, phase, reading.reasons)
            assert 617.5 < reading.tone_hz < 618.5 + apart_hz


def test_plates_are_never_taken_for_voices():
    rng = np.random.default_rng(7)
    for seed in range(30):
        hz = 80.0 + np.cumsum(rng.uniform(15.0, 130.0, 60))
        loss = (0.012 + 0.010 * hz / 8000.0) * rng.uniform(0.8, 1.3, 60)
        loud = 0.1 * rng.normal(size=60) * np.exp(-hz / rng.uniform(800.0, 4000.0))
        phase = rng.uniform(0.0, 6.3, 60)
        x = ring(zip(hz, 1.0 / (np.pi * hz * loss), loud, phase, strict=True), 0.35)
        x = np.concatenate([np.zeros(2400), 0.5 * x / np.abs(x).max()])
        noise = 10.0 ** rng.uniform(-4.0, -2.0)
        reading = read_clip(clip_of(x + noise * np.random.default_rng(seed).normal(size=len(x))))
        assert reading.quality != "bad", (seed, reading.reasons)
        assert "Not a strike" not in " ".join(reading.reasons)
