"""Scratching followed over time; moduli of a bar."""

from __future__ import annotations

import numpy as np
import pytest
from tone_sounds import RATE_HZ, clip_of, strike

from rig.model.errors import AnalysisError
from rig.tone.bar import Bar, bar_moduli
from rig.tone.scratch import scratch_track


def rub(centre_hz, seconds, seed, width_hz=400.0):
    count = round(seconds * RATE_HZ)
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(size=count))
    away = (np.fft.rfftfreq(count, 1 / RATE_HZ) - centre_hz) / width_hz
    x = np.fft.irfft(spectrum / (1.0 + away**2), count)
    return 0.05 * x / np.std(x)


def two_rubs():
    rest = np.zeros(RATE_HZ // 2)
    first, second = rub(2000.0, 1.0, 1), rub(2500.0, 1.0, 2)
    x = np.concatenate([rest, first, rest, second * np.linspace(0.1, 1.0, RATE_HZ), rest])
    return x + 1e-4 * np.random.default_rng(3).normal(size=len(x))


def test_two_places_differ_and_the_break_is_marked():
    track = scratch_track(clip_of(two_rubs()))
    first = (track.time_s > 0.6) & (track.time_s < 1.4)
    second = (track.time_s > 2.1) & (track.time_s < 2.9)
    between = (track.time_s > 1.6) & (track.time_s < 1.9)
    assert track.reason == ""
    assert np.nanmedian(track.peak_hz[first]) == pytest.approx(2000.0, rel=0.03)
    assert np.nanmedian(track.peak_hz[second]) == pytest.approx(2500.0, rel=0.04)
    assert np.all(np.isnan(track.centroid_hz[between]))
    rise = 1200 * np.log2(
        np.nanmean(track.centroid_hz[second]) / np.nanmean(track.centroid_hz[first])
    )
    assert 150.0 < rise < 450.0


def test_sd_of_the_centroid_holds_and_level_does_not_matter():
    track = scratch_track(clip_of(two_rubs()))
    second = (track.time_s > 2.1) & (track.time_s < 2.9)  # its level rises tenfold meanwhile
    cents = 1200 * np.log2(track.centroid_hz[second])
    cents = cents[np.isfinite(cents)]
    assert 0.7 < np.std(cents) / np.nanmean(track.sd_cents[second]) < 1.4
    half = len(cents) // 2
    assert abs(np.mean(cents[:half]) - np.mean(cents[half:])) < 15.0


def test_knocks_are_marked():
    x = two_rubs()
    x[RATE_HZ : RATE_HZ + 48] += 0.7
    track = scratch_track(clip_of(x))
    near = np.abs(track.time_s - 1.0) < 0.015
    assert np.all(track.knock[near])
    assert np.all(np.isnan(track.centroid_hz[near]))


def test_silence_short_and_knocks_only_are_refused():
    assert scratch_track(clip_of(np.zeros(1000))).reason
    assert scratch_track(clip_of(np.zeros(RATE_HZ))).reason
    knock = strike([(900.0, 0.004, 0.6, 0.0)], before_s=0.5, duration_s=1.0)
    assert not np.any(scratch_track(clip_of(knock)).sounding[24:28])


def test_wooden_bar_keeps_the_given_ratio():
    # shear along the grain is far too soft for E/2G − 1 to be a Poisson's ratio
    read = bar_moduli(Bar(300.0, 30.0, 4.0, 15.12), 230.0, 330.0)
    assert read.poisson is None
    assert read.young_gpa == pytest.approx(10.66, rel=2e-3)
    assert read.shear_gpa is not None


@pytest.mark.parametrize("wrong", [{"length_mm": 0.0}, {"mass_g": -1.0}, {"thickness_mm": 100.0}])
def test_impossible_bars(wrong):
    size = {"length_mm": 300.0, "width_mm": 30.0, "thickness_mm": 4.0, "mass_g": 15.0} | wrong
    with pytest.raises(AnalysisError):
        Bar(**size)
