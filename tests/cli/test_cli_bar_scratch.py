"""`read --bar` grades a bar of wood or metal; `scratch` follows a rub over the plate."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from rig.cli.main import run

RATE_HZ = 48_000
SPRUCE = "300,30.0,4.00,15.12"


def blows(path: Path, partials: list[tuple[float, float, float]], strikes: int = 2) -> Path:
    """A recording of some blows: partials as (Hz, decay s, level), a little noise."""
    time_s = np.arange(int(0.6 * RATE_HZ)) / RATE_HZ - 0.05
    one = sum(
        level * np.exp(-time_s / decay) * np.sin(2.0 * np.pi * hz * time_s + 0.3)
        for hz, decay, level in partials
    )
    x = np.tile(np.where(time_s >= 0, one, 0.0), strikes)
    x += 1e-4 * np.random.default_rng(5).standard_normal(len(x))
    soundfile.write(path, x, RATE_HZ, subtype="PCM_24")
    return path


@pytest.fixture
def bend(tmp_path: Path) -> Path:
    return blows(tmp_path / "bend.wav", [(230.0, 0.25, 0.4), (634.0, 0.1, 0.1), (1240.0, 0.1, 0.2)])


@pytest.fixture
def twist(tmp_path: Path) -> Path:
    """The corner tap wakes the bending tones as well, one of them louder than the wanted one."""
    return blows(
        tmp_path / "twist.wav", [(230.0, 0.25, 0.3), (520.0, 0.12, 0.25), (634.0, 0.1, 0.1)]
    )


def told(arguments: list[str], capsys: pytest.CaptureFixture[str], status: int = 0) -> Any:
    assert run([*arguments, "--json"]) == status
    return json.loads(capsys.readouterr().out)


# Spruce strip 300 × 30 × 4 mm, 15.12 g, 230 Hz: E = 10.66 GPa by ASTM E1876, √(E/ρ) = 5038 m/s
def test_a_spruce_strip_is_graded(
    bend: Path, twist: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bar = told(["read", str(bend), "--bar", SPRUCE, "--twist", str(twist)], capsys)["bar"]
    assert bar["young_gpa"] == pytest.approx(10.66, rel=2e-3)
    assert bar["speed_m_s"] == pytest.approx(5038.0, rel=1e-3)
    assert bar["torsional_hz"] == pytest.approx(520.0, abs=0.1)
    assert bar["shear_gpa"] == pytest.approx(0.636, rel=5e-3)
    # by hand: E ∝ m f² L³ / (b t³), half of the last digit, uniform: 3 · 0.0029 / 4.00 and less
    shares = (3 * 0.2887 / 300, 0.02887 / 30, 3 * 0.002887 / 4, 0.002887 / 15.12)
    expected = bar["young_gpa"] * float(np.hypot.reduce(shares))
    assert bar["young_gpa_sd"] == pytest.approx(expected, rel=0.1)
    assert run(["read", str(bend), "--bar", SPRUCE, "--twist", str(twist)]) == 0
    text = capsys.readouterr().out
    told_pa = re.search(r"Young's modulus (\S+) ± (\S+) GPa", text)
    assert told_pa is not None
    assert float(told_pa[1]) == pytest.approx(bar["young_gpa"], abs=0.01)
    assert float(told_pa[2]) == pytest.approx(bar["young_gpa_sd"], abs=0.001)
    assert re.search(r"Shear modulus 0\.63\d* ± 0\.00\d+ GPa", text)


def test_coarse_sizes_are_doubted(bend: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bar = told(["read", str(bend), "--bar", "300,30,4,15"], capsys)["bar"]
    assert bar["young_gpa_sd"] / bar["young_gpa"] == pytest.approx(3 * 0.2887 / 4, rel=0.1)
    assert bar["chief_doubt"] == "thickness"
    assert any("thickness" in note for note in bar["notes"])


def test_an_upper_bending_tone_is_not_taken_for_the_lowest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    loud = [(230.0, 0.2, 0.04), (634.0, 0.2, 0.5), (1240.0, 0.1, 0.1)]  # tapped near a node of 230
    path = blows(tmp_path / "wrong.wav", loud)
    bar = told(["read", str(path), "--bar", SPRUCE], capsys)["bar"]
    assert bar["flexural_hz"] == pytest.approx(230.0, abs=0.2)


@pytest.mark.parametrize(
    ("bar", "words"),
    [
        ("300,30,4", "four numbers, not 3"),
        ("300,30,4,5,15", "four numbers, not 5"),
        ("30,300,4,15", "length, width, thickness"),
        ("300,30,thin,15", "thickness"),
        ("300,30,-4,15", "above 0"),
        ("300,30,inf,15", "above 0"),
        ("300,30,4,1512", "kg/m³"),
        ("0.3,0.03,0.004,0.015", "kg/m³"),
        ("", "four numbers"),
    ],
)
def test_wrong_sizes_are_refused(
    bend: Path, bar: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    error = told(["read", str(bend), "--bar", bar], capsys, status=2)["error"]
    assert words in error["what"]
    assert "300,30.0,4.05,15.12" in error["remedy"]


def test_a_bar_without_a_tone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    silence = tmp_path / "silence.wav"
    soundfile.write(silence, np.zeros(RATE_HZ), RATE_HZ)
    assert "silent" in told(["read", str(silence)], capsys, status=1)["readings"][0]["reasons"][0]
    error = told(["read", str(silence), "--bar", SPRUCE], capsys, status=1)["error"]
    assert "22 %" in error["remedy"]
    bending = blows(tmp_path / "bend.wav", [(230.0, 0.25, 0.4)])
    same = ["read", str(bending), "--bar", SPRUCE, "--twist", str(bending)]
    assert "twisting" in told(same, capsys, status=1)["error"]["what"]
    assert (
        "--bar"
        in told(["read", str(bending), "--twist", "b.wav"], capsys, status=2)["error"]["what"]
    )


def rub(centre_hz: float, seconds: float, seed: int) -> np.ndarray:
    count = round(seconds * RATE_HZ)
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(size=count))
    away = (np.fft.rfftfreq(count, 1 / RATE_HZ) - centre_hz) / 400.0
    x = np.fft.irfft(spectrum / (1.0 + away**2), count)
    return np.asarray(0.05 * x / np.std(x))


def test_two_rubs_are_told_apart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rest = np.zeros(RATE_HZ // 2)
    x = np.concatenate([rest, rub(2000.0, 1.0, 1), rest, 0.2 * rub(2500.0, 1.0, 2), rest])
    path = tmp_path / "rub.wav"
    noise = 1e-4 * np.random.default_rng(3).normal(size=len(x))
    soundfile.write(path, x + noise, RATE_HZ, subtype="PCM_24")
    table, picture = tmp_path / "rub.csv", tmp_path / "rub.png"
    found = told(["scratch", str(path), "--table", str(table), "--picture", str(picture)], capsys)
    low, high = found["runs"]
    assert low["peak_hz"] == pytest.approx(2000.0, rel=0.03)
    assert high["peak_hz"] == pytest.approx(2500.0, rel=0.03)
    assert 1200 * np.log2(high["centroid_hz"] / low["centroid_hz"]) > 10 * high["sd_cents"]
    assert high["from_s"] == pytest.approx(2.0, abs=0.05)
    with table.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(found["points"])
    assert rows[0]["centroid_hz"] == ""  # a break, not a pitch of 0
    assert picture.stat().st_size > 10_000
    assert run(["scratch", str(path)]) == 0
    assert "2 stretches of scratching" in capsys.readouterr().out


@pytest.mark.parametrize("kind", ["blows", "whistle", "silence"])
def test_what_is_no_scratching_is_refused(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, picture = tmp_path / "other.wav", tmp_path / "other.png"
    if kind == "blows":
        blows(path, [(420.0, 0.1, 0.4), (1130.0, 0.08, 0.3), (2290.0, 0.05, 0.3)])
    else:
        tone = 0.3 * np.sin(2 * np.pi * 900.0 * np.arange(2 * RATE_HZ) / RATE_HZ)
        soundfile.write(path, tone * (kind == "whistle"), RATE_HZ, subtype="PCM_24")
    found = told(["scratch", str(path), "--picture", str(picture)], capsys, status=1)
    assert found["reason"]
    assert found["runs"] == []
    assert not picture.exists()
