"""`platerig hand`: answers in, kept, compared with a scan; nonsense told in sentences."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from rig.archive.outline_files import write_outline
from rig.archive.plate_folder import PlateFolder
from rig.cli.main import run
from rig.model.outline import Outline
from rig.model.plan import Plan, PlannedTap
from rig.model.plate_facts import PlateFacts

RATE_HZ = 44_100
ANGLE = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
RIM = np.column_stack([100.0 * np.cos(ANGLE), 177.0 + 177.0 * np.sin(ANGLE)])


def brightness(x_mm: float, y_mm: float) -> float:
    return float(np.sin(x_mm / 45.0) + np.cos(y_mm / 60.0))


def knock(x_mm: float, y_mm: float, rng: np.random.Generator) -> np.ndarray:
    """A knock whose upper partials are the louder, the brighter the place."""
    time_s = np.arange(int(0.25 * RATE_HZ)) / RATE_HZ
    sound = np.zeros(len(time_s))
    for order, hz in enumerate((335.0, 690.0, 1240.0, 2380.0, 4050.0)):
        level = 10.0 ** (0.2 * order * (0.5 * brightness(x_mm, y_mm) - 0.5))
        sound += level * np.exp(-time_s / 0.035) * np.sin(2.0 * np.pi * hz * time_s)
    whole = np.concatenate([np.zeros(5000), 0.5 * sound / np.abs(sound).max()])
    whole += 1e-4 * rng.standard_normal(len(whole))
    return np.round(whole * 2**15).astype(np.int16)


def places(step_mm: float) -> list[tuple[float, float]]:
    x, y = np.meshgrid(np.arange(-78.0, 79.0, step_mm), np.arange(16.0, 345.0, step_mm))
    return [
        (float(px), float(py))
        for px, py in zip(x.ravel(), y.ravel(), strict=True)
        if (px / 92.0) ** 2 + ((py - 177.0) / 168.0) ** 2 < 1.0
    ]


@pytest.fixture(scope="module")
def plate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plate folder gathered from knocks by hand."""
    directory = tmp_path_factory.mktemp("hand") / "knocks"
    directory.mkdir()
    rng = np.random.default_rng(11)
    lines = ["file,x_mm,y_mm,face,strength"]
    for number, (x, y) in enumerate(places(32.0)):
        soundfile.write(directory / f"{number}.wav", knock(x, y, rng), RATE_HZ, subtype="PCM_16")
        lines.append(f"{number}.wav,{x:.0f},{y:.0f},outer,light")
    (directory / "taps.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    write_outline(directory / "outline.csv", Outline.checked(RIM))
    path = directory.parent / "Boden 2.plate"
    assert run(["gather", str(directory), str(path)]) == 0
    return path


@pytest.fixture(scope="module")
def judged(plate: Path) -> Path:
    rng = np.random.default_rng(5)
    lines = ["x_mm,y_mm,judgement"]
    for x, y in places(30.0):
        heard = brightness(x, y) + 0.25 * rng.standard_normal()
        lines.append(f"{x},{y},{'higher' if heard > 0.4 else 'lower' if heard < -0.4 else 'same'}")
    path = plate.parent / "judged.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def pairs(plate: Path) -> Path:
    rng = np.random.default_rng(6)
    spots = places(60.0)
    lines = ["x1_mm,y1_mm,x2_mm,y2_mm,answer"]
    for _ in range(60):
        a, b = (spots[k] for k in rng.choice(len(spots), 2, replace=False))
        higher = brightness(*a) + 0.3 * rng.standard_normal() > brightness(*b)
        lines.append(f"{a[0]},{a[1]},{b[0]},{b[1]},{'higher' if higher else 'lower'}")
    path = plate.parent / "pairs.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def answer(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    capsys.readouterr()
    assert run([*arguments, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_judged_pairs_list_and_compare(plate, judged, pairs, capsys, tmp_path):
    one = answer(["hand", "judge", str(judged), "--plate", str(plate)], capsys)
    assert one["record"] == "H0001"
    assert one["kind"] == "judged"
    assert not one["simulated"]
    two = answer(["hand", "pairs", str(pairs), "--plate", str(plate)], capsys)
    assert two["record"] == "H0002"
    assert two["answers"] == 60
    assert len(two["next_pair"]) == 2
    listed = answer(["hand", "list", str(plate)], capsys)["records"]
    assert [(r["record"], r["kind"], r["source"]) for r in listed] == [
        ("H0001", "judged", "judged.csv"), ("H0002", "pairs", "pairs.csv"),
    ]  # fmt: skip
    assert (plate / "hand" / "H0001" / "judged.csv").read_bytes() == judged.read_bytes()

    picture = tmp_path / "hand.png"
    found = answer(["hand", "compare", str(plate), "--hand", "H0001", "--picture", str(picture)],
                   capsys)  # fmt: skip
    assert found["scan"] == "S0001"
    assert found["reading"] == "attack"
    assert found["rank_correlation"]["value"] > 0.6
    assert found["rank_correlation"]["low"] > 0.0
    assert found["kappa"]["value"] > 0.4
    assert found["best_reading"] == "attack"
    assert len(found["points"]) == len(one["places"])
    assert any("local" in note for note in found["notes"])
    assert picture.read_bytes()[:4] == b"\x89PNG"

    assert run(["hand", "compare", str(plate)]) == 0  # the latest record
    text = capsys.readouterr().out
    assert "H0002 (pairs) against S0001, reading attack" in text
    assert "rank correlation" in text
    assert run(["check", str(plate)]) == 0


def test_words_for_people(plate, judged, pairs, capsys):
    assert run(["hand", "judge", str(judged)]) == 0
    text = capsys.readouterr().out
    assert "places judged" in text
    assert "Nothing was kept" in text
    assert run(["hand", "pairs", str(pairs)]) == 0
    text = capsys.readouterr().out
    assert "60 answers on" in text
    assert "Ask next: is x" in text
    assert run(["hand", "list", str(plate)]) == 0
    assert "H0001" in capsys.readouterr().out


def problem(arguments: list[str], capsys: pytest.CaptureFixture[str], status: int = 1) -> str:
    capsys.readouterr()
    assert run([*arguments, "--json"]) == status
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err
    error = json.loads(shown.out)["error"]
    return f"{error['what']} {error['where']} {error['remedy']}"


def test_nonsense_is_answered_in_sentences(plate, judged, tmp_path, capsys):
    bad = tmp_path / "bad.csv"
    bad.write_text("x_mm,y_mm,judgement\n1,2,louder\n", encoding="utf-8")
    assert "line 2" in problem(["hand", "judge", str(bad)], capsys)
    assert "x1_mm" in problem(["hand", "pairs", str(judged)], capsys)
    assert "no such file" in problem(["hand", "judge", str(tmp_path / "none.csv")], capsys)
    bad.write_text("x_mm,y_mm,judgement\n900,2,higher\n-900,5,lower\n", encoding="utf-8")
    said = problem(["hand", "judge", str(bad), "--plate", str(plate)], capsys)
    assert "beside the wood" in said
    said = problem(["hand", "compare", str(plate), "--hand", "H0999"], capsys)
    assert "There are: H0001" in said
    assert "plate folder" in problem(["hand", "list", str(tmp_path / "no.plate")], capsys)
    assert problem(["hand", "compare", str(plate), "--picture", "a.gif"], capsys, 2)
    assert "contact" in problem(["hand", "compare", str(plate), "--reading", "contact"], capsys)


def test_nothing_kept_yet(tmp_path, capsys):
    path = tmp_path / "new.plate"
    assert run(["new", str(path)]) == 0
    assert answer(["hand", "list", str(path)], capsys)["records"] == []
    assert "Nothing of the hand" in problem(["hand", "compare", str(path)], capsys)
    assert run(["hand", "list", str(path)]) == 0
    assert "Nothing of the hand" in capsys.readouterr().out


def test_a_virtual_plate_has_a_virtual_hand_and_a_busy_folder_waits(tmp_path, judged, capsys):
    plan = Plan(
        face="outer", strength="light", spacing_mm=9.0, margin_mm=6.0, repeats=1,
        taps=(PlannedTap(0, 0.0, 100.0),),
    )  # fmt: skip
    with PlateFolder.create(tmp_path / "v.plate", PlateFacts("v")) as folder:
        path = folder.path
        folder.new_scan(plan, origin={"simulated": True, "world": "maple-even", "seed": 1})
        judge = ["hand", "judge", str(judged), "--plate", str(path)]
        assert "Another scan or window" in problem(judge, capsys)
    assert not (path / "hand").exists()
    assert answer(judge, capsys)["simulated"]
    assert run(["hand", "list", str(path)]) == 0
    assert "judged (simulated)" in capsys.readouterr().out


def test_pictures_and_films_that_are_none(tmp_path, capsys):
    rig = tmp_path / "rig.toml"
    rig.write_text('name = "r"\n[bed]\nwidth_mm = 500\ndepth_mm = 600\n', encoding="utf-8")
    bed = ["--rig", str(rig)]
    text = tmp_path / "notes.png"
    text.write_text("no picture", encoding="utf-8")
    assert "no picture" in problem(["hand", "marks", str(text), *bed], capsys)
    marks = ["hand", "marks", str(text), *bed]
    assert "no colour" in problem([*marks, "--higher", "mauvish"], capsys, 2)
    assert "cannot be meant" in problem([*marks, "--least", "30"], capsys, 2)
    assert "rim" in problem([*marks, "--rim-height", "-4"], capsys, 2)
    assert problem(["hand", "marks", str(text)], capsys, 2)

    wav = tmp_path / "quiet.wav"
    soundfile.write(wav, np.zeros(RATE_HZ, dtype=np.int16), RATE_HZ)
    track = ["hand", "track", "--sound", str(wav), *bed, "--tap", "0,50", "--tap", "0,300"]
    film = tmp_path / "film"
    film.mkdir()
    assert "no film" in problem([*track, "--film", str(tmp_path / "none.mp4")], capsys)
    assert "times.csv" in problem([*track, "--film", str(film)], capsys)
    for table, said in (
        ("file,time_s\na.png,0\nb.png,1\n", "2 pictures named"),
        ("file,time_s\n../notes.png,0\n", "not in the folder"),
        ("file,time_s\na.png,zero\n", "line 2"),
        ("file,time_s\nnotes.png,1\nnotes.png,1\n", "do not grow"),
        ("file,time_s\nnotes.png,1\n", "only 1 pictures"),
    ):
        (film / "notes.png").write_bytes(b"x")
        (film / "times.csv").write_text(table, encoding="utf-8")
        assert said in problem([*track, "--film", str(film)], capsys)
    # a file that is no film is found out after the sound was listened to
    assert "No scratching" in problem([*track, "--film", str(text)], capsys)
    assert "is not a place" in problem(
        [*track[:6], "--tap", "zero", "--film", str(film)], capsys, 2
    )
    assert problem([*track[:8], "--film", str(film)], capsys, 2)
    assert "cannot be meant" in problem(
        [*track, "--film", str(film), "--tool-height", "900"], capsys, 2
    )
