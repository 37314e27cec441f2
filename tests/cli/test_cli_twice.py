"""Nothing comes into being unasked: no second scan of the same recordings, no empty folder."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from rig.archive.plate_folder import PlateFolder
from rig.cli.main import run

RATE_HZ = 44_100
SQUARE = "x_mm,y_mm\n0,0\n100,0\n100,200\n0,200\n"


@pytest.fixture
def recordings(tmp_path: Path) -> Path:
    directory = tmp_path / "knocks"
    directory.mkdir()
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ - 0.1
    lines = ["x_mm,y_mm,face,strength,file"]
    for number in range(3):
        ring = 0.4 * np.exp(-time_s / 0.05) * np.sin(2 * np.pi * (500 + 40 * number) * time_s)
        noise = 1e-4 * np.random.default_rng(number).standard_normal(len(time_s))
        sound = np.where(time_s > 0, ring, 0.0) + noise
        soundfile.write(directory / f"{number}.wav", sound, RATE_HZ)
        lines.append(f"{20 + 30 * number},{60 + 40 * number},outer,light,{number}.wav")
    (directory / "taps.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (directory / "outline.csv").write_text(SQUARE, encoding="utf-8")
    return directory


def scans(folder: Path) -> list[str]:
    with PlateFolder.open(folder) as opened:
        return [scan.scan for scan in opened.scans()]


def test_the_same_recordings_are_not_taken_in_twice_unasked(
    recordings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = recordings.parent / "back.plate"
    gather = ["gather", str(recordings), str(folder)]
    assert run(gather) == 0
    capsys.readouterr()
    assert run([*gather, "--json"]) == 1
    error = json.loads(capsys.readouterr().out)["error"]
    assert "S0001" in error["what"]
    assert "--again" in error["remedy"]
    assert scans(folder) == ["S0001"]
    # other names for the same sounds and places are still the same recordings
    (recordings / "0.wav").rename(recordings / "first.wav")
    table = recordings / "taps.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("0.wav", "first.wav"), "utf-8")
    assert run(gather) == 1
    assert run([*gather, "--again"]) == 0
    assert scans(folder) == ["S0001", "S0002"]


def test_another_place_or_sound_is_a_new_scan(recordings: Path) -> None:
    folder = recordings.parent / "back.plate"
    gather = ["gather", str(recordings), str(folder)]
    assert run(gather) == 0
    table = recordings / "taps.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("20,60", "22,60"), "utf-8")
    assert run(gather) == 0
    sound, _ = soundfile.read(recordings / "1.wav")
    soundfile.write(recordings / "1.wav", 0.9 * sound, RATE_HZ)
    assert run(gather) == 0
    assert scans(folder) == ["S0001", "S0002", "S0003"]


def test_no_folder_is_left_where_no_plate_was_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scan = ["scan", str(tmp_path / "e.plate"), "--virtual", "empty-bed", "--speed", "0"]
    assert run(scan) == 1
    assert "not found" in capsys.readouterr().err
    assert not (tmp_path / "e.plate").exists()
    assert run(["new", str(tmp_path / "e.plate")]) == 0
    assert run(scan) == 1
    assert (tmp_path / "e.plate" / "plate.sqlite").exists()  # it was there before
