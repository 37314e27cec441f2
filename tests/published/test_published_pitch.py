"""Readings against published values and against recordings that no one here made."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from rig.archive.sound_files import read_clip_file
from rig.jobs.read import read_file
from rig.model.units import nearest_note
from rig.tone import read_clip
from rig.tone.bar import Bar, bar_moduli, flexural_correction, shear_modulus_gpa, young_modulus_gpa
from rig.tone.erb import erb_hz, erb_rate, hz_of_erb_rate

RECORDINGS = Path(__file__).parents[1] / "recordings"


def expected() -> list[dict[str, str]]:
    with (RECORDINGS / "expected.csv").open(newline="") as file:
        return list(csv.DictReader(file))


TONES = [row for row in expected() if row["class_"] == "tone"]
TAPS = [row for row in expected() if row["class_"] == "tap"]


def cents(found_hz: float, row: dict[str, str]) -> float:
    return float(1200.0 * np.log2(found_hz / float(row["f0_hz"])))


# Frank Wen et al., FluidR3 (MIT), see tests/recordings/README.md: struck bars, bells, tongues
@pytest.mark.parametrize("row", TONES, ids=lambda row: row["sample"])
def test_tone_of_struck_bars_and_bells(row):
    (reading,) = read_file(RECORDINGS / row["file"]).readings
    assert reading.quality == "good"
    assert reading.onset_s == pytest.approx(0.05, abs=0.08)  # plucked tongues click first
    assert abs(cents(reading.tone_hz, row)) <= float(row["tol_cents"])


@pytest.mark.parametrize("row", TAPS, ids=lambda row: row["sample"])
def test_struck_wood_of_many_modes_gets_no_confident_wrong_pitch(row):
    (reading,) = read_file(RECORDINGS / row["file"]).readings
    if reading.quality == "good" and reading.tone_hz is not None:
        assert abs(cents(reading.tone_hz, row)) <= float(row["tol_cents"])


@pytest.mark.parametrize("snr_db", [20.0, 30.0])
def test_tones_in_white_noise(snr_db):
    """The same recordings under noise of the strike's own first 30 ms: 95 % within tolerance."""
    from dataclasses import replace

    rng = np.random.default_rng(8)
    hits = 0
    for row in TONES[::3]:
        clip = read_clip_file(RECORDINGS / row["file"])
        loud = np.sqrt(np.mean(clip.samples[2400:3840].astype(float) ** 2))
        noise = loud * 10.0 ** (-snr_db / 20.0) * rng.normal(size=clip.samples.shape)
        noisy = replace(clip, samples=np.round(clip.samples + noise).astype(np.int32))
        tone_hz = read_clip(noisy).tone_hz
        hits += tone_hz is not None and abs(cents(tone_hz, row)) <= float(row["tol_cents"])
    assert hits >= len(TONES[::3]) - 1


# ISO 16:1975 (A4 = 440 Hz) and equal temperament
@pytest.mark.parametrize(
    ("hz", "name"),
    [
        (261.6256, "C4"),
        (293.6648, "D4"),
        (369.9944, "F#4"),
        (440.0, "A4"),
        (493.8833, "B4"),
        (523.2511, "C5"),
        (110.0, "A2"),
    ],
)
def test_note_names(hz, name):
    found, off_cents = nearest_note(hz)
    assert found == name
    assert off_cents == pytest.approx(0.0, abs=0.001)


# Glasberg & Moore, Hear. Res. 47 (1990) 103-138
@pytest.mark.parametrize(
    ("hz", "width_hz", "rate"),
    [
        (100.0, 35.49, 3.370),
        (501.187, 78.80, 10.782),
        (1000.0, 132.64, 15.621),
        (3981.072, 454.41, 27.066),
        (15848.932, 1735.42, 39.520),
    ],
)
def test_erb_scale(hz, width_hz, rate):
    assert erb_hz(hz) == pytest.approx(width_hz, abs=0.005)
    assert erb_rate(hz) == pytest.approx(rate, abs=0.0006)
    assert hz_of_erb_rate(erb_rate(hz)) == pytest.approx(hz)


# ASTM E1876: the formulas' worked values (dimensions are arithmetic, not a measured bar)
def test_impulse_excitation_of_a_bar():
    bar = Bar(120.0, 20.0, 5.0, 93.6)
    assert flexural_correction(bar, 0.3) == pytest.approx(1.0124908, abs=1e-7)
    assert young_modulus_gpa(bar, 1770.0, 0.3) == pytest.approx(194.2396, abs=2e-4)
    assert young_modulus_gpa(bar, 1770.0, None) == pytest.approx(194.0366, abs=2e-4)
    assert shear_modulus_gpa(bar, 4800.0) == pytest.approx(51.8536, abs=2e-4)


# Timoshenko beam, free-free, κ = 5(1+ν)/(6+5ν), ν = 0.25: (f_EB/f)² of the first mode
@pytest.mark.parametrize(
    ("slenderness", "exact"), [(0.02, 1.002837), (0.05, 1.017669), (0.10, 1.069866)]
)
def test_correction_against_timoshenko(slenderness, exact):
    bar = Bar(100.0, 20.0, 100.0 * slenderness, 50.0)
    assert flexural_correction(bar, 0.25) == pytest.approx(exact, rel=5e-4)


# Spruce strip 300 × 30 × 4 mm, ρ = 420 kg/m³, 230 Hz: E = 10.6586 GPa, √(E/ρ) = 5037.6 m/s
def test_spruce_strip():
    bar = Bar(300.0, 30.0, 4.0, 15.12)
    young = young_modulus_gpa(bar, 230.0, None)
    assert young == pytest.approx(10.6586, abs=1e-4)
    assert np.sqrt(young * 1e9 / bar.density_kg_m3) == pytest.approx(5037.6, abs=0.1)
    assert bar_moduli(bar, 230.0).density_kg_m3 == pytest.approx(420.0)
