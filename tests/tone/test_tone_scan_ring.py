"""The plate's partials from all strikes: every one, sub-cent, and nothing that is not there."""

from __future__ import annotations

import numpy as np
import pytest
from tone_sounds import RATE_HZ, clip_of

from rig.tone import ring_of_scan


def plate_scan(hz, decay_s, strikes, *, seed, snr_db=30.0, hum=0.0, before_s=0.03, length_s=0.35):
    """Clips of a made-up plate: fixed mode shapes, fresh noise and speed for each seed."""
    shapes = np.random.default_rng(99).normal(size=(strikes, len(hz)))
    rng = np.random.default_rng(seed)
    time = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    waves = np.exp((-1.0 / decay_s + 2j * np.pi * hz)[:, None] * time)
    turned = shapes * np.exp(0.3j * rng.normal(size=shapes.shape))
    x = np.zeros((strikes, round((before_s + length_s) * RATE_HZ)))
    x[:, -len(time) :] = ((1.0 + 0.05 * rng.normal(size=(strikes, 1))) * turned @ waves).imag
    loud = np.sqrt(np.mean(x[:, -len(time) :][:, :1440] ** 2))
    x += loud * 10.0 ** (-snr_db / 20.0) * rng.normal(size=x.shape)
    phase = rng.uniform(0, 6.28, (strikes, 1))
    x += hum * loud * np.sin(2 * np.pi * 150.0 * np.arange(x.shape[1]) / RATE_HZ + phase)
    x *= 0.5 / np.abs(x).max()
    return [clip_of(row) for row in x], [before_s] * strikes


def plate(seed=5, highest_hz=2500.0):
    """Frequencies and decays about as a violin back has them, some of them overlapping."""
    rng = np.random.default_rng(seed)
    hz = 80.0 + np.cumsum(rng.uniform(15.0, 90.0, 90))
    hz = hz[hz < 5000.0]
    decay_s = 1.0 / (np.pi * hz * (0.012 + 0.010 * hz / 8000.0) * rng.uniform(0.8, 1.3, len(hz)))
    return hz, decay_s, int(np.sum(hz < highest_hz))


def test_every_partial_within_its_doubt_and_nothing_else():
    hz, decay_s, count = plate()
    clips, onsets = plate_scan(hz, decay_s, 120, seed=1)
    found = ring_of_scan(clips, onsets)
    assert len(found) == count
    error = np.array([p.hz for p in found]) - hz[:count]
    sd = np.array([p.sd_hz for p in found])
    assert np.max(np.abs(1200.0 * np.log2(1.0 + error / hz[:count]))) < 1.0
    assert 0.75 < np.sqrt(np.mean((error / sd) ** 2)) < 1.3
    assert np.array([p.decay_s for p in found]) == pytest.approx(decay_s[:count], rel=0.1)


def test_two_scans_agree_within_half_a_cent():
    hz, decay_s, _ = plate()
    first = ring_of_scan(*plate_scan(hz, decay_s, 120, seed=1))
    second = ring_of_scan(*plate_scan(hz, decay_s, 120, seed=2))
    strongest = sorted(first, key=lambda p: -p.level_db)[:10]
    for partial in strongest:
        other = min(second, key=lambda p: abs(p.hz - partial.hz))
        assert abs(1200.0 * np.log2(other.hz / partial.hz)) < 0.5


def test_few_strikes_still_give_most_partials():
    hz, decay_s, count = plate()
    clips, onsets = plate_scan(hz, decay_s, 15, seed=3)
    found = ring_of_scan(clips, onsets)
    near = [p for p in found if np.min(np.abs(1200.0 * np.log2(hz / p.hz))) < 10.0]
    assert len(near) > 0.9 * count
    assert len(found) - len(near) <= 2


def test_hum_is_refused():
    hz, decay_s, _ = plate()
    hz, decay_s = hz[hz > 200.0], decay_s[hz > 200.0]
    clips, onsets = plate_scan(hz, decay_s, 60, seed=4, hum=0.2)
    assert all(abs(p.hz - 150.0) > 1.0 for p in ring_of_scan(clips, onsets))


def test_strikes_without_onset_or_too_short_are_passed_over():
    hz, decay_s, _ = plate()
    clips, onsets = plate_scan(hz, decay_s, 60, seed=6)
    onsets[3] = None
    clips[5] = clip_of(np.zeros(500))
    assert len(ring_of_scan(clips, onsets)) > 30
    assert ring_of_scan([], []) == ()
    assert ring_of_scan(clips[:2], [None, None]) == ()
    with pytest.raises(ValueError, match="onsets"):
        ring_of_scan(clips, onsets[:-1])
