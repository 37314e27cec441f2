"""`calibrate repeat` from recordings to the stored record."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from rig.cli.main import run

RATE_HZ = 44_100
PLACES = [(x, y) for x in (-40, 0, 40) for y in (40, 90, 140, 190)]


def tap_set(path: Path, seed: int) -> Path:
    """Twelve taps whose pitch differs from place to place, and by a few cents from set to set."""
    path.mkdir()
    rng = np.random.default_rng(seed)
    t = np.arange(RATE_HZ // 2) / RATE_HZ - 0.1
    rows = ["x_mm,y_mm,face,strength,file"]
    for i, (x, y) in enumerate(PLACES):
        hz = (400.0 + x + 0.5 * y) * 2.0 ** (5.0 * rng.standard_normal() / 1200.0)
        sound = np.where(t >= 0, 0.5 * np.exp(-t / 0.04) * np.sin(2 * np.pi * hz * t), 0.0)
        sound += 2e-4 * rng.standard_normal(len(t))
        soundfile.write(path / f"{i}.wav", sound, RATE_HZ, subtype="PCM_16")
        rows.append(f"{x},{y},outer,light,{i}.wav")
    (path / "taps.csv").write_text("\n".join(rows) + "\n")
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = tmp_path_factory.mktemp("repeat")
    for seed in range(4):
        assert run(["gather", str(tap_set(base / f"set{seed}", seed)), str(base / "b.plate")]) == 0
    return base / "b.plate"


def test_study_of_four_scans_is_stored_and_listed(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "who.csv").write_text(
        "scan,label\nS0001,Ada\nS0002,Ada\nS0003,Bea\nS0004,Bea\n", "utf-8"
    )
    call = ["calibrate", "repeat", str(folder), "--reading", "attack"]
    call += ["--labels", str(tmp_path / "who.csv"), "--records", str(tmp_path / "kept")]
    assert run([*call, "--json"]) == 0
    (study,) = (contract := json.loads(capsys.readouterr().out))["studies"]
    assert study["labels"] == ["Ada", "Ada", "Bea", "Bea"]
    assert study["places"] == 12
    assert study["sd_cents"]["gauge"] == pytest.approx(5.0, rel=0.4)  # what the sets were given
    assert study["sd_cents"]["place"] > 100.0
    kept = json.loads(Path(contract["path"]).read_text("utf-8"))
    assert kept["kind"] == "repeatability"
    assert kept["used"] == [f"b.plate S000{i}" for i in (1, 2, 3, 4)]
    assert any("temperature" in note for note in kept["notes"])
    assert run(call) == 0
    assert "means something" in capsys.readouterr().out.replace("\n", " ")
    assert run(["calibrate", "list", "--records", str(tmp_path / "kept"), "--json"]) == 1
    listed = json.loads(capsys.readouterr().out)
    assert listed["records"] == 2


def test_what_the_study_found_counts_in_map_zones_and_comparison(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = ["--records", str(tmp_path / "kept")]
    call = ["--reading", "attack"]
    assert run(["calibrate", "repeat", str(folder), *call, *kept, "--json"]) == 0
    (study,) = json.loads(capsys.readouterr().out)["studies"]
    both = ["--before", "S0001", "--after", "S0002"]
    assert run(["compare", str(folder), *both, *call, *kept, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["smallest_change_cents"] == study["smallest_change_cents"]
    assert "that this rig can tell apart" in found["sentence"]
    assert run(["compare", str(folder), *both, *call, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["smallest_change_cents"] is None
    assert "No repeatability study is known" in found["smallest_change"]
    for verb in ("map", "zones"):
        assert run([verb, str(folder), *call, *kept]) == 0
        text = " ".join(capsys.readouterr().out.split())
        assert text.count("No calibration known: the recordings were gathered") == 1
        assert f"{study['smallest_change_cents']:.0f} cents at a place" in text
        assert run([verb, str(folder), *call, *kept, "--json"]) == 0
        contract = json.loads(capsys.readouterr().out)
        assert contract["smallest_change_cents"] == pytest.approx(
            study["smallest_change_cents"], abs=0.06
        )
        assert contract["calibration"]["cautions"] == []


@pytest.mark.parametrize(
    ("more", "status", "word"),
    [
        (["--scan", "S0001"], 1, "No reading"),
        (["--scan", "S0001", "--scan", "S0001"], 2, "twice"),
        (["--scan", "S0001", "--scan", "S0099"], 1, "S0099"),
        (["--label", "S0077=Ada"], 2, "S0077"),
        (["--label", "Ada"], 2, "S0001=WHO"),
        (["--labels", "nowhere.csv"], 2, "labels"),
    ],
)
def test_nonsense_is_answered_in_words_and_stores_nothing(
    folder: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    more: list[str],
    status: int,
    word: str,
) -> None:
    call = ["calibrate", "repeat", str(folder), "--reading", "attack", "--records", str(tmp_path)]
    found = run([*call, *more])
    assert word in capsys.readouterr().err
    assert found in (status, 2)
    assert not list(tmp_path.iterdir())
