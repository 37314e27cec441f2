"""Nonsense at the command line: one plain sentence, where, what to do, and nothing lost."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.archive.database import DATABASE_NAME
from rig.archive.plate_folder import PlateFolder
from rig.cli.main import run
from rig.model.frames import Pose
from rig.model.plan import Plan, PlannedTap
from rig.model.plate_facts import PlateFacts
from rig.model.scan_record import ScanState

RATE_HZ = 44_100
HEAD = "x_mm,y_mm,face,strength,file\n"
SQUARE = "x_mm,y_mm\n0,0\n100,0\n100,200\n0,200\n"
CROSSED = "x_mm,y_mm\n0,0\n100,200\n100,0\n0,200\n"


def write_wav(path: Path, sound: np.ndarray, rate_hz: int = RATE_HZ) -> None:
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(np.round(sound * 2**15).astype("<i2").tobytes())


def knock(seed: int, hz: float = 620.0) -> np.ndarray:
    """Half a second with one damped knock in it, as a recorder on the bench hears it."""
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    late = np.maximum(t - 0.15, 0.0)
    sound = 0.4 * np.exp(-late / 0.04) * np.sin(2 * np.pi * hz * late)
    noise = 1e-3 * np.random.default_rng(seed).standard_normal(len(t))
    return np.asarray(sound + noise)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working directory with a blank and a space in its path; names in errors stay short."""
    here = tmp_path / "Werkstatt Böden 1"
    here.mkdir()
    monkeypatch.chdir(here)
    return here


def problem(
    arguments: list[str], capsys: pytest.CaptureFixture[str], status: int = 1
) -> dict[str, str]:
    """Run a verb that must fail; both ways of telling it are looked at."""
    assert run([*arguments, "--json"]) == status
    told = capsys.readouterr()
    error: dict[str, str] = json.loads(told.out.splitlines()[-1])["error"]
    assert told.err.splitlines()[-3 if error["where"] else -2] == error["what"]
    assert "Traceback" not in told.err
    assert "inside platerig" not in error["what"]
    assert error["remedy"], "it must say what to do"
    return error


def tap_set(place: Path, rows: str, outline: str | None = SQUARE) -> Path:
    """A tap set with two good recordings and these rows."""
    directory = place / "Aufnahmen"
    directory.mkdir()
    write_wav(directory / "a.wav", knock(1))
    write_wav(directory / "unten links.wav", knock(2))
    (directory / "taps.csv").write_text(rows, encoding="utf-8")
    if outline is not None:
        (directory / "outline.csv").write_text(outline, encoding="utf-8")
    return directory


def whole(folder: Path) -> dict[str, str]:
    """What is in a folder, by checksum; the lock file may come and go."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "lock" not in path.name
    }


def kept(folder: Path) -> tuple[str, dict[str, str]]:
    """The same with the database's rows in the place of its bytes: opening leaves a trace there."""
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(folder / DATABASE_NAME)) as database:
        rows = "\n".join(database.iterdump())
    files = {name: mark for name, mark in whole(folder).items() if "audio" in name}
    return rows, files


@pytest.fixture
def plate(place: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A folder with one gathered scan."""
    rows = HEAD + "30,50,outer,light,a.wav\n60,90,outer,light,unten links.wav\n"
    assert run(["gather", str(tap_set(place, rows)), "b.plate"]) == 0
    capsys.readouterr()
    return place / "b.plate"


# -- recordings ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("text.wav", "cannot be read as a sound file"),
        ("nothing.wav", "empty"),
        ("directory.wav", "directory"),
        ("gone.wav", "no such sound file"),
        ("three.wav", "3 sample"),
        ("slow.wav", "800 Hz"),
        ("nan.wav", "not numbers"),
    ],
)
def test_not_a_recording(
    place: Path, capsys: pytest.CaptureFixture[str], name: str, words: str
) -> None:
    import soundfile

    (place / "text.wav").write_text("this is a letter")
    (place / "nothing.wav").touch()
    (place / "directory.wav").mkdir()
    write_wav(place / "three.wav", np.array([0.1, 0.2, 0.1]))
    write_wav(place / "slow.wav", knock(3)[:4000], rate_hz=800)
    broken = knock(4)
    broken[100] = np.nan
    soundfile.write(place / "nan.wav", broken, RATE_HZ, subtype="FLOAT")
    error = problem(["read", name], capsys)
    assert words in error["what"]
    assert error["where"] == name


def test_silence_is_a_bad_reading_with_its_reason(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_wav(place / "silence.wav", np.zeros(RATE_HZ))
    assert run(["read", "silence.wav", "--json"]) == 1
    reading = json.loads(capsys.readouterr().out)["readings"][0]
    assert reading["quality"] == "bad"
    assert reading["tone_hz"] is None
    assert "silent" in " ".join(reading["reasons"])


# -- tap sets ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "left_out", "reason"),
    [
        ("60,90,outer,light,gone.wav", "gone.wav", "missing"),
        ("500,90,outer,light,unten links.wav", "unten links.wav", "off the wood"),
        ("60,5,90,outer,light,unten links.wav", "taps.csv line 3", "decimal comma"),
        ("30,50,outer,light,a.wav", "a.wav", "stands on line 2 already"),
        ("60,90,top,light,unten links.wav", "unten links.wav", "outer, inner"),
        ("60,oben,outer,light,unten links.wav", "unten links.wav", "not a number"),
        ("60,90,outer,light,../secret.wav", "../secret.wav", "inside the tap set"),
        ("60,90,outer,light,outline.csv", "outline.csv", "sound file"),
    ],
)
def test_one_bad_row_leaves_the_others(
    place: Path, capsys: pytest.CaptureFixture[str], row: str, left_out: str, reason: str
) -> None:
    directory = tap_set(place, HEAD + f"30,50,outer,light,a.wav\n{row}\n")
    assert run(["gather", str(directory), "b.plate", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["scan"], found["taps"], found["strikes"]) == ("S0001", 1, 1)
    assert [one["file"] for one in found["rejected"]] == [left_out]
    assert reason in found["rejected"][0]["reason"]


def test_nothing_usable_makes_no_folder(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    directory = tap_set(place, HEAD + "30,50,outer,light,gone.wav\n")
    assert run(["gather", str(directory), "b.plate"]) == 1
    text = capsys.readouterr().out
    assert "None" not in text
    assert "nothing was stored" in text
    assert "gone.wav: the file is missing" in text
    assert not (place / "b.plate").exists()


@pytest.mark.parametrize(
    ("rows", "outline", "words"),
    [
        ("", SQUARE, "empty"),
        (HEAD, SQUARE, "no taps"),
        ("x,y,datei\n1,2,a.wav\n", SQUARE, "lacks the columns"),
        (HEAD + "30,50,outer,light,a.wav\n", CROSSED, "crosses itself"),
        (HEAD + "30,50,outer,light,a.wav\n", None, "too few taps"),
    ],
)
def test_no_tap_set(
    place: Path, capsys: pytest.CaptureFixture[str], rows: str, outline: str | None, words: str
) -> None:
    error = problem(["gather", str(tap_set(place, rows, outline)), "b.plate"], capsys)
    assert words in error["what"]
    assert not (place / "b.plate").exists()


@pytest.mark.parametrize(("name", "words"), [("gone", "no such"), ("file", "is a file")])
def test_no_directory(
    place: Path, capsys: pytest.CaptureFixture[str], name: str, words: str
) -> None:
    (place / "file").write_text("x")
    assert words in problem(["gather", name, "b.plate"], capsys)["what"]


# -- outlines, rig files, pictures, worlds, calls --------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [(CROSSED, "crosses itself"), ("hello\n", "lacks the columns"), ("x_mm,y_mm\n1,2\n", "")],
)
def test_no_outline(place: Path, capsys: pytest.CaptureFixture[str], text: str, words: str) -> None:
    (place / "outline.csv").write_text(text)
    assert words in problem(["new", "b.plate", "--outline", "outline.csv"], capsys)["what"]
    assert not (place / "b.plate").exists()


@pytest.mark.parametrize("verb", ["check", "locate", "scan"])
def test_rig_file_with_a_typo(
    place: Path, plate: Path, capsys: pytest.CaptureFixture[str], verb: str
) -> None:
    (place / "rig.toml").write_text("[controller]\nsped_mm_s = 100\n")
    write_picture(place / "bed.png")
    before = kept(plate)
    arguments = {
        "check": ["check", "--rig", "rig.toml"],
        "locate": ["locate", "bed.png", "--rig", "rig.toml"],
        "scan": ["scan", "b.plate", "--rig", "rig.toml", "--yes"],
    }
    error = problem(arguments[verb], capsys, status=2)
    assert "sped_mm_s" in error["what"]
    assert "speed_mm_s" in error["what"]
    assert kept(plate) == before


def test_port_that_is_not_there(
    place: Path, plate: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "rig.toml").write_text(
        '[controller]\nport = "/dev/no-such-port"\n[camera]\nsource = "0"\n'
    )
    error = problem(["scan", "b.plate", "--rig", "rig.toml", "--yes"], capsys, status=3)
    assert error["what"] == "The port cannot be opened: no such file or directory."
    assert error["where"] == "/dev/no-such-port"


def write_picture(path: Path) -> None:
    import cv2

    cv2.imwrite(str(path), np.full((300, 400, 3), 90, dtype=np.uint8))


def test_picture_without_markers(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    markers = "".join(
        f"[[bed.marker]]\nid = {n}\nx_mm = {40 + 400 * (n % 2)}\ny_mm = {40 + 500 * (n // 2)}\n"
        "size_mm = 40\n"
        for n in range(4)
    )
    (place / "rig.toml").write_text(markers)
    write_picture(place / "bed.png")
    assert run(["locate", "bed.png", "--rig", "rig.toml", "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["found"] is False
    assert "marker" in answer["reason"]
    (place / "text.png").write_text("no picture")
    assert "no picture" in problem(["locate", "text.png", "--rig", "rig.toml"], capsys)["what"]
    assert problem(["locate", "gone.png", "--rig", "rig.toml"], capsys)["where"] == "gone.png"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["scan", "a.plate", "--virtual", "maple-graed"], "maple-graed"),
        (["scan", "a.plate", "--virtual", "maple-even", "--spacing", "1000"], "--spacing"),
        (["scan", "a.plate", "--virtual", "maple-even", "--speed", "-3"], "--speed"),
        (["scan", "a.plate", "--virtual", "maple-even", "--rig", "rig.toml"], "not both"),
        (["scan", "a.plate", "--virtual", "maple-even", "--face", "left"], "--face"),
        (["scan", "a.plate"], "where to scan"),
        (["new", ""], "name of its own"),
        (["new", "a.plate", "--mass", "-3"], "--mass"),
        (["check", "taps.txt"], "neither"),
        (["check", "--rig", "."], "is a directory"),
        (["report", "b.plate", "--before", "S0001"], "both"),
        (["report", "b.plate", "--out", "r.doc"], "PDF"),
        (["map", "b.plate", "--picture", "map.jpg"], "map.jpg"),
        (["compare", "b.plate", "--before", "S0001", "--after", "S0001"], "same scan"),
        (["scan", "b.plate", "--resume"], "no unfinished scan"),
    ],
)
def test_wrong_call(
    place: Path, plate: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    (place / "taps.txt").write_text("x")
    before = kept(plate)
    assert words in problem(arguments, capsys, status=2)["what"]
    assert not (place / "a.plate").exists()
    assert kept(plate) == before


# -- folders -------------------------------------------------------------------------------------

ON_A_FOLDER = ("map", "zones", "report", "plan", "check")


@pytest.mark.parametrize("verb", ON_A_FOLDER)
def test_no_plate_folder(place: Path, capsys: pytest.CaptureFixture[str], verb: str) -> None:
    assert "no plate folder" in problem([verb, "gone.plate"], capsys)["what"]
    (place / "empty").mkdir()
    assert "no plate folder" in problem([verb, "empty"], capsys)["what"]
    (place / "file.plate").write_text("x")
    assert problem([verb, "file.plate"], capsys, 2 if verb == "check" else 1)["what"]


def test_folder_by_a_newer_version(plate: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(plate / DATABASE_NAME)) as database:
        database.execute("PRAGMA user_version = 99")
    before = whole(plate)
    calls = [[verb, "b.plate"] for verb in ON_A_FOLDER]
    calls += [["scan", "b.plate", "--resume"], ["gather", "Aufnahmen", "b.plate"]]
    for arguments in calls:
        assert "newer" in problem(arguments, capsys)["what"]
    assert whole(plate) == before


def test_folder_in_use(plate: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with PlateFolder.open(plate, write=True):
        for arguments in (
            ["scan", "b.plate", "--virtual", "maple-even"],
            ["gather", "Aufnahmen", "b.plate", "--again"],
        ):
            error = problem(arguments, capsys)
            assert "process" in error["what"]
        assert run(["check", "b.plate", "--json"]) == 0  # reading is possible meanwhile
    capsys.readouterr()
    assert run(["check", "b.plate"]) == 0


def test_scan_that_is_not_there(plate: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for verb in ("map", "zones", "report"):
        error = problem([verb, "b.plate", "--scan", "S0009"], capsys)
        assert "S0009" in error["what"]
        assert "S0001" in error["remedy"]


def test_scan_without_a_strike(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["new", "c.plate"]) == 0
    capsys.readouterr()
    assert "no scan" in problem(["map", "c.plate"], capsys)["what"]
    begin_scan(place / "c.plate")
    assert "No strike" in problem(["map", "c.plate"], capsys)["what"]


def begin_scan(path: Path, **origin: Any) -> None:
    """A scan that was planned and not begun."""
    from rig.model.outline import Outline

    square = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 200.0], [0.0, 200.0]])
    plan = Plan("outer", "light", 30.0, 5.0, 1, (PlannedTap(0, 50.0, 80.0),))
    pose = Pose(100.0, 100.0, 0.0, "outer")
    with PlateFolder.open(path, write=True) as folder:
        folder.set_outline(Outline.checked(square))
        scan = folder.new_scan(plan, pose=pose, origin={"simulated": True, **origin})
        folder.set_state(scan, ScanState.STOPPED)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--virtual", "maple-graded"], "begun on maple-even"),
        (["--face", "inner"], "face outer, not inner"),
        (["--spacing", "9"], "spacing 30"),
        (["--seed", "5"], "seed 4, not 5"),
    ],
)
def test_resume_with_something_else(
    place: Path, capsys: pytest.CaptureFixture[str], more: list[str], words: str
) -> None:
    with PlateFolder.create(place / "c.plate", PlateFacts(name="c")):
        pass
    begin_scan(place / "c.plate", world="maple-even", seed=4)
    error = problem(["scan", "c.plate", "--resume", *more], capsys, status=2)
    assert words in error["what"]


def test_full_disk_loses_nothing_stored(plate: Path) -> None:
    """The system refuses to write files of more than 20 kB, as a full disk does."""
    before = whole(plate)
    program = (
        "import resource, signal, sys\n"
        "from rig.cli.main import run\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))\n"
        "sys.exit(run(['gather', 'Aufnahmen', 'b.plate']))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "What to do: " in done.stderr
    sounds = {name: mark for name, mark in before.items() if name.endswith(".flac")}
    assert sounds.items() <= whole(plate).items()
    assert run(["check", "b.plate"]) == 0
