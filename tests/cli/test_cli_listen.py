"""listen train, listen progress: asked, answered, kept, told with its uncertainty."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest

from rig.archive.ear_book import COLUMNS, read_book
from rig.cli.main import run
from rig.jobs.ear_training import train
from rig.jobs.listening import Heard
from rig.jobs.scan import scan
from rig.model.ear import Side
from rig.model.errors import DeviceError


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("plates") / "pear.plate"
    scan(path, world="maple-graded", seed=1, spacing_mm=34.0, speed=0.0)
    return path


@pytest.fixture
def played(monkeypatch: pytest.MonkeyPatch) -> list[Heard]:
    """What was played, without a loudspeaker."""
    heard: list[Heard] = []
    monkeypatch.setattr("rig.jobs.listening.play", heard.append)
    return heard


def attack_of(heard: Heard) -> float:
    first, second = heard.places
    assert first.attack_hz
    assert second.attack_hz
    return 1200.0 * float(np.log2(second.attack_hz / first.attack_hz))


def test_answers_are_kept_at_once_and_repeated_on_request(
    folder: Path, tmp_path: Path, played: list[Heard], monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    book = tmp_path / "class.csv"
    monkeypatch.setattr("sys.stdin", io.StringIO("1\nr\nwhat?\n2\nq\n"))
    command = ["listen", "train", str(folder), "--name", "Ida", "--book", str(book), "--seed", "4"]
    assert run([*command, "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    assert (made["questions"], made["threshold"], made["simulated"]) == (2, None, True)
    assert "2 questions tell nothing of an ear yet" in made["sentence"]
    assert len(played) == 4  # the second twice, the third before it was left
    answers, faults = read_book(book)
    assert not faults
    assert [one.answer for one in answers] == ["first", "second"]
    for one, heard in zip(answers, (played[0], played[1]), strict=True):
        assert one.delta_cents == pytest.approx(attack_of(heard), abs=0.01)
        assert (one.listener, one.simulated) == ("Ida", True)
    # the end of the input stops like q; nothing that was kept is lost
    monkeypatch.setattr("sys.stdin", io.StringIO("2\n"))
    assert run(command) == 0
    said = capsys.readouterr()
    assert "Right: by its attack the second is" in said.err or "Not so: by its" in said.err
    assert "SIMULATED" in said.out
    assert len(read_book(book)[0]) == 3


@pytest.mark.parametrize("way", ["taps", "easy", "moved"])
def test_a_sharp_ear_and_a_deaf_one(folder: Path, tmp_path: Path, way: str) -> None:
    rng = np.random.default_rng(2)

    def delta(heard: Heard) -> float:
        if way == "moved":
            cents = float(heard.said.split("made ")[1].split(" cents")[0])
            return cents if "higher" in heard.said else -cents
        return attack_of(heard) * (3.0 if way == "easy" else 1.0)

    def sharp(_number: int, heard: Heard) -> Side:
        return "second" if delta(heard) + 5.0 * rng.standard_normal() > 0 else "first"

    def deaf(_number: int, _heard: Heard) -> Side:
        return "second" if rng.random() < 0.5 else "first"

    found = [
        train(folder, listener="Jonas", ask=ear, now=lambda: "2026-05-04T10:00:00Z", way=way,
              trials=25, book=tmp_path / "b.csv", seed=3)  # type: ignore[arg-type]  # parametrized
        for ear in (sharp, deaf)
    ]  # fmt: skip
    first, last = (one.threshold for one in found)
    assert first is not None
    assert last is not None
    assert first.high_cents < last.cents
    asked = [abs(one.delta_cents) for one in found[0].answers]
    assert asked[0] == pytest.approx(300.0, rel=0.35)  # then smaller and smaller
    assert min(asked) < 30.0
    if way == "moved":
        assert {one.sd_cents for one in found[0].answers} == {0.0}


def test_the_class_on_one_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book, picture = tmp_path / "class.csv", tmp_path / "class.svg"
    lines = [",".join(COLUMNS)]
    for name, right_of in (("Ida", 9), ("Ugo", 5)):
        for number in range(20):
            answer = "second" if number % 10 < right_of else "first"
            lines.append(f"2026-05-04T10:00:00Z,{name},Pear,S0001,taps,3,4,60.0,8.0,{answer},no")
    lines += ["2026-05-04T10:00:00Z,Ida,Pear,S0001,guess,3,4,60,8,first,no", "x,y"]
    book.write_text("\n".join(lines) + "\n", encoding="utf-8")
    command = ["listen", "progress", "--book", str(book)]
    assert run([*command, "--picture", str(picture), "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    ida, ugo = made["days"]
    assert (ida["listener"], ida["day"], ida["questions"], ida["right"]) == (
        "Ida", "2026-05-04", 20, 18)  # fmt: skip
    assert ida["threshold"]["high_cents"] < ugo["threshold"]["cents"]
    assert any("way is “guess”" in fault for fault in made["faults"])
    assert len(made["faults"]) == 2
    drawn = picture.read_text(encoding="utf-8")
    assert "Ida" in drawn
    assert "SIMULATED" not in drawn
    assert run([*command, "--name", "Nobody"]) == 2
    assert "There are: Ida, Ugo" in capsys.readouterr().err
    assert run(["listen", "progress", "--book", str(tmp_path / "none.csv")]) == 1
    assert "there is no such file" in capsys.readouterr().err


def test_nonsense_and_no_loudspeaker(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    command = ["listen", "train", str(folder), "--book", str(tmp_path / "b.csv"), "--name"]
    assert run([*command, "  "]) == 2
    assert "Whose ear is it?" in capsys.readouterr().err
    assert run([*command, "Ida", "--scan", "S0077"]) == 1

    def mute(_heard: Heard) -> None:
        raise DeviceError("This computer has no sound output.")

    monkeypatch.setattr("rig.jobs.listening.play", mute)
    assert run([*command, "Ida"]) == 3
    assert "no sound output" in capsys.readouterr().err
    assert not (tmp_path / "b.csv").exists()
