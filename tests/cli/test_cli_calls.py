"""Exit statuses, errors in words and in JSON, and what loads at start."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import pytest

from rig.cli import verbs
from rig.cli.main import VERB_ORDER, platerig, run
from rig.model.errors import FolderError, LinkError

HEAVY = (
    "numpy", "scipy", "cv2", "matplotlib", "rich", "fpdf", "PyQt5", "pydantic", "sounddevice",
    "soundfile", "serial", "shapely", "skfem",
)  # fmt: skip


@pytest.fixture
def stub(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Put a function in the place of a verb's job; collects the calls."""
    calls: dict[str, Any] = {}

    def install(verb: str, result: Any) -> None:
        def job(*args: Any, **options: Any) -> Any:
            calls[verb] = (args, options)
            if isinstance(result, BaseException):
                raise result
            return SimpleNamespace(as_json=lambda: result)

        module = SimpleNamespace(job=job)
        monkeypatch.setitem(verbs.JOBS, verb, (f"stub.{verb}", "job"))
        monkeypatch.setitem(sys.modules, f"stub.{verb}", module)  # type: ignore[arg-type]

    calls["install"] = install
    return calls


@pytest.mark.parametrize("arguments", [["--help"], ["scan", "--help"], ["report", "--help"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    program = (
        "import sys; from rig.cli.main import run\n"
        f"status = run({arguments!r})\n"
        f"loaded = [m for m in {HEAVY!r} if m in sys.modules]\n"
        "print('LOADED', loaded, status)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.splitlines()[-1] == "LOADED [] 0"


def test_what_the_system_refuses_is_no_fault_of_ours(
    stub: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    stub["install"]("check", PermissionError(13, "Permission denied", "a.plate/audio"))
    assert run(["check", "a.plate"]) == 1
    told = capsys.readouterr().err
    assert told.startswith("The system refused: Permission denied.\n  Where: a.plate/audio\n")
    assert "What to do: " in told


def whole_verbs() -> list[str]:
    """All verbs with a job; of one that has parts (`calibrate`) its parts."""
    names = []
    for verb in VERB_ORDER:
        if verb == "window":  # opens a screen: it answers nothing
            continue
        command = platerig.commands[verb]
        parts = command.commands if isinstance(command, click.Group) else None
        names += [verb] if parts is None else [f"{verb} {part}" for part in parts]
    return names


def test_every_verb_has_a_job_help_example_and_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert set(VERB_ORDER) == set(platerig.commands)
    assert set(whole_verbs()) == set(verbs.JOBS)
    for verb in whole_verbs():
        assert run([*verb.split(), "--help"]) == 0
        text = capsys.readouterr().out
        assert "--json" in text
        assert f"platerig {verb}" in text.split("Example:")[1]


def test_all_jobs_exist() -> None:
    for verb in whole_verbs():
        assert callable(verbs.job(verb))


def test_unknown_verb_names_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["zone"]) == 2
    assert "Did you mean 'zones'" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        ["map"],
        ["map", "a.plate", "--reading", "loudness"],
        ["scan", "a.plate"],
        ["scan", "a.plate", "--virtual", "maple-even", "--rig", "rig.toml"],
        ["scan", "a.plate", "--virtual", "maple-even", "--spacing", "-3"],
        ["report", "a.plate", "--before", "S0001"],
        ["map", "a.plate", "--picture", "map.doc"],
        ["check"],
        ["compare", "a.plate", "--before", "S0001"],
    ],
)
def test_wrong_usage_is_status_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*arguments, "--json"]) == 2
    shown = capsys.readouterr()
    error = json.loads(shown.out)["error"]
    assert error["what"]
    assert error["what"] in shown.err
    assert "Traceback" not in shown.err


def test_unknown_world_is_status_2_and_names_the_nearest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["scan", str(tmp_path / "a.plate"), "--virtual", "maple-evem", "--json"]) == 2
    error = json.loads(capsys.readouterr().out)["error"]
    assert "maple-even" in error["remedy"]


def test_problem_is_said_in_words_and_json(
    stub: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    problem = FolderError("It is locked.", where="a.plate", remedy="Wait.")
    stub["install"]("zones", problem)
    assert run(["zones", "a.plate"]) == 1
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err == "It is locked.\n  Where: a.plate\n  What to do: Wait.\n"
    assert run(["zones", "a.plate", "--json"]) == 1
    assert json.loads(capsys.readouterr().out) == {
        "error": {"what": "It is locked.", "where": "a.plate", "remedy": "Wait."}
    }


def test_device_failure_is_status_3(stub: dict[str, Any]) -> None:
    stub["install"]("devices", LinkError("No answer."))
    assert run(["devices"]) == 3


def test_surprise_is_calm_and_kept_in_a_log(
    stub: dict[str, Any],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    stub["install"]("devices", ZeroDivisionError("by nought"))
    assert run(["devices"]) == 1
    shown = capsys.readouterr().err
    assert "Traceback" not in shown
    assert "by nought" in shown
    logs = list(tmp_path.rglob("*.log"))
    assert len(logs) == 1
    assert str(logs[0]) in shown
    assert "ZeroDivisionError" in logs[0].read_text(encoding="utf-8")
    with pytest.raises(ZeroDivisionError):
        run(["devices", "--debug"])


def test_missing_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["zones", str(tmp_path / "none.plate"), "--json"]) == 1
    assert str(tmp_path) in capsys.readouterr().out


def test_json_is_the_only_thing_on_stdout_and_strict(
    stub: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    import numpy as np

    stub["install"](
        "check",
        {"scans": [], "problems": [], "x": float("nan"), "y": np.float64(1.5), "z": np.arange(2)},
    )
    assert run(["check", "a.plate", "--json"]) == 0
    shown = capsys.readouterr()
    assert shown.err == ""
    assert json.loads(shown.out) == {
        "scans": [], "problems": [], "x": None, "y": 1.5, "z": [0, 1]
    }  # fmt: skip
    assert shown.out.count("\n") == 1


def test_found_problems_are_status_1(stub: dict[str, Any]) -> None:
    problem = {"what": "A file is missing.", "where": "000001-r0.flac", "remedy": "Scan again."}
    stub["install"]("check", {"scans": [], "problems": [problem]})
    assert run(["check", "a.plate"]) == 1
    stub["install"]("locate", {"found": False, "reason": "no markers", "warnings": []})
    assert run(["locate", "bed.png", "--rig", "rig.toml"]) == 1


def test_interrupt_is_calm(stub: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    stub["install"]("zones", KeyboardInterrupt())
    assert run(["zones", "a.plate"]) == 1
    assert "--resume" in capsys.readouterr().err


def test_console_script_ends_with_the_status() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "rig.cli.main", "nonsense"], capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""


def test_a_terminal_without_the_signs_does_not_stop_the_answer() -> None:
    program = "from rig.cli.main import main; import sys; main(['plan', 'nowhere.plate'])"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, timeout=60, check=False,
        env={"PYTHONIOENCODING": "ascii", "PATH": ""},
    )  # fmt: skip
    assert done.returncode == 1
    assert b"Traceback" not in done.stderr


def test_a_reader_that_leaves_gets_no_complaint() -> None:
    program = (
        "import os, sys\n"
        "from rig.cli.main import main\n"
        "read, write = os.pipe()\n"
        "os.close(read)\n"
        "os.dup2(write, 1)\n"
        "main(['map', '--help'])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.stderr == ""
