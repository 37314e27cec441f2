"""A maker without a rig: knocks recorded by hand, from taps.csv to the report."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from rig.archive.plate_folder import PlateFolder
from rig.cli.main import run

RATE_HZ = 44_100
STEP_MM = 36.0


def knock(x_mm: float, y_mm: float, rng: np.random.Generator) -> np.ndarray:
    """A knock somewhere in its recording, brighter towards the middle of the plate; 16 bit."""
    start, length = int(rng.integers(4000, 20_000)), int(0.35 * RATE_HZ)
    time_s = np.arange(length) / RATE_HZ
    middle = np.exp(-((x_mm / 60.0) ** 2) - ((y_mm - 170.0) / 90.0) ** 2)
    sound = np.zeros(length)
    for order, hz in enumerate((335.0, 690.0, 1240.0, 2380.0, 4050.0)):
        level = 10.0 ** (0.25 * order * (middle - 0.5))
        sound += level * np.exp(-time_s / 0.035) * np.sin(2.0 * np.pi * hz * time_s)
    whole = np.concatenate([np.zeros(start), 0.5 * sound / np.abs(sound).max()])
    whole += 1e-4 * rng.standard_normal(len(whole))
    return np.round(whole * 2**15).astype(np.int16)


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """As a person would name and note them: whole millimetres, a stray column, both faces."""
    directory = tmp_path_factory.mktemp("hand") / "Klopftöne Februar"
    directory.mkdir()
    rng = np.random.default_rng(11)
    x, y = np.meshgrid(np.arange(-72.0, 73.0, STEP_MM), np.arange(20.0, 340.0, STEP_MM))
    angle = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    rim = np.column_stack([100.0 * np.cos(angle), 177.0 + 177.0 * np.sin(angle)])
    lines = ["file,x_mm,y_mm,face,strength,remark"]
    places = [(px, py) for px, py in zip(x.ravel(), y.ravel(), strict=True)
              if (px / 96.0) ** 2 + ((py - 177.0) / 172.0) ** 2 < 1.0]  # fmt: skip
    for number, (px, py) in enumerate(places):
        face = "inner" if number == 0 else "outer"
        name = f"{number + 1:02d} {'innen' if number == 0 else 'außen'}.wav"
        soundfile.write(directory / name, knock(px, py, rng), RATE_HZ, subtype="PCM_16")
        lines.append(f"{name},{px:.0f},{py:.0f},{face},light,")
    (directory / "taps.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    outline = "\n".join(f"{px:.1f},{py:.1f}" for px, py in rim)
    (directory / "outline.csv").write_text(f"x_mm,y_mm\n{outline}\n", encoding="utf-8")
    (directory / "plate.toml").write_text('wood = "maple"\nmass_g = 104.5\n', encoding="utf-8")
    return directory


@pytest.fixture(scope="module")
def plate(recordings: Path) -> Path:
    path = recordings.parent / "Rücken 3.plate"
    assert run(["gather", str(recordings), str(path)]) == 0
    return path


def answer(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert run([*arguments, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_every_sample_is_kept_as_it_was_recorded(recordings: Path, plate: Path) -> None:
    with PlateFolder.open(plate) as folder:
        assert folder.check() == []
        assert [s.face for s in folder.scans()] == ["inner", "outer"]
        assert folder.facts.mass_g == 104.5
        record = folder.scan_record("S0002")
    assert not record.simulated
    assert len(record.strikes) > 30
    for strike in record.strikes[:5]:
        whole, rate_hz = soundfile.read(
            recordings / f"{strike.tap + 2:02d} außen.wav", dtype="int16", always_2d=True
        )
        assert (strike.clip.sample_rate_hz, strike.clip.full_scale) == (rate_hz, 2**15)
        np.testing.assert_array_equal(strike.clip.samples, whole)
        assert strike.clip.strike_sample is None


def test_map_says_which_reading_and_why(plate: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(["map", str(plate), "--scan", "S0002"], capsys)
    assert found["reading"] == "attack"
    assert "local tone" in " ".join(found["reasons"])
    assert not found["simulated"]
    tones = {(p["x_mm"], p["y_mm"]): p["tone_cents"] for p in found["points"]}
    assert tones[0.0, 164.0] > tones[0.0, 20.0] + 100.0
    assert len(found["ring"]) >= 4
    near = [min(abs(1200 * np.log2(p["hz"] / hz)) for p in found["ring"]) for hz in (335, 690)]
    assert max(near) < 5.0


def test_zones_and_report(plate: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(["zones", str(plate), "--scan", "S0002"], capsys)
    assert found["reading"] == "attack"
    out = plate.parent / "Bericht Rücken 3.pdf"
    made = answer(["report", str(plate), "--out", str(out)], capsys)
    assert Path(made["pdf"]) == out
    assert out.read_bytes().startswith(b"%PDF")
    assert not made["simulated"]
    assert made["cautions"] == []
    assert {Path(path).stem[-11:] for path in made["pictures"]} == {"S0002-above"}


def test_gather_in_words_names_every_scan_and_the_next_step(
    recordings: Path, plate: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["gather", str(recordings), str(plate.parent / "noch einmal.plate")]) == 0
    text = capsys.readouterr().out
    assert "Scans S0001, S0002: " in text
    assert "noch einmal.plate' --scan S0001 --picture map.png" in text  # can be pasted as it is
