"""What people read: units, SIMULATED, cautions, the way on."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from rig.cli import verbs
from rig.cli.answer import number
from rig.cli.main import run

Stub = Callable[[str, Any], list[Any]]


@pytest.fixture
def stub(monkeypatch: pytest.MonkeyPatch) -> Stub:
    def install(verb: str, contract: Any) -> list[Any]:
        calls: list[Any] = []

        def job(*args: Any, **options: Any) -> Any:
            calls.append((args, options))
            return SimpleNamespace(as_json=lambda: contract)

        monkeypatch.setitem(verbs.JOBS, verb, (f"stub.{verb}", "job"))
        monkeypatch.setitem(sys.modules, f"stub.{verb}", SimpleNamespace(job=job))  # type: ignore[arg-type]
        return calls

    return install


SCAN = {
    "scan": "S0001", "taps": 55, "strikes": 55, "retakes": 1, "rejected": 0, "wall_s": 5.0,
    "floor_s": 40.0, "rig_s": 41.0, "state": "finished", "reason": "", "simulated": True,
    "rejections": [],
}  # fmt: skip


def test_virtual_scan_says_that_it_is_simulated(
    stub: Stub, capsys: pytest.CaptureFixture[str]
) -> None:
    calls = stub("scan", SCAN)
    assert run(["scan", "a.plate", "--virtual", "maple-even", "--speed", "0"]) == 0
    text = capsys.readouterr().out
    assert text.startswith("SIMULATED")
    assert "55 taps, 55 strikes, 1 retake" in text
    assert calls[0][1]["speed"] == 0.0
    assert calls[0][1]["world"] == "maple-even"


@pytest.mark.parametrize(("state", "status"), [("finished", 0), ("stopped", 1), ("halted", 3)])
def test_scan_status_follows_its_end(stub: Stub, state: str, status: int) -> None:
    stub("scan", SCAN | {"state": state})
    assert run(["scan", "a.plate", "--virtual", "maple-even"]) == status


def test_real_scan_wants_hands_clear(
    stub: Stub, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    calls = stub("scan", SCAN | {"simulated": False})
    monkeypatch.setattr(sys, "stdin", io.StringIO("y\n"))  # no terminal: a yes must be an option
    assert run(["scan", "a.plate", "--rig", "rig.toml"]) == 2
    assert calls == []
    shown = capsys.readouterr()
    assert "Halt button" in shown.err
    assert "--yes" in shown.err
    assert run(["scan", "a.plate", "--rig", "rig.toml", "--yes"]) == 0
    assert "Halt button" in capsys.readouterr().err
    assert len(calls) == 1


@pytest.mark.parametrize(("typed", "called"), [("y\n", 1), ("n\n", 0), ("\n", 0)])
def test_real_scan_asks_at_a_terminal(
    stub: Stub, monkeypatch: pytest.MonkeyPatch, typed: str, called: int
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    calls = stub("scan", SCAN | {"simulated": False})
    monkeypatch.setattr(sys, "stdin", Terminal(typed))
    assert run(["scan", "a.plate", "--rig", "rig.toml"]) == (0 if called else 1)
    assert len(calls) == called


def test_resuming_a_real_scan_asks_as_well(stub: Stub, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = stub("scan", SCAN | {"simulated": False})
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    monkeypatch.setattr("rig.jobs.unfinished.resumes_on_real_rig", lambda _folder: True)
    assert run(["scan", "a.plate", "--resume"]) == 2
    monkeypatch.setattr("rig.jobs.unfinished.resumes_on_real_rig", lambda _folder: False)
    assert run(["scan", "a.plate", "--resume"]) == 0
    assert len(calls) == 1


def test_map_in_words(stub: Stub, capsys: pytest.CaptureFixture[str]) -> None:
    point = {"x_mm": 0.0, "y_mm": 0.0, "sd_cents": 9.0}
    stub(
        "map",
        {
            "reading": "local", "evenness_cents": 312.4, "repeatability_cents": None,
            "points": [point | {"tone_cents": -150.2}, point | {"tone_cents": 99.6}],
            "ring": [], "reasons": ["The grid is coarse."], "simulated": True,
        },
    )  # fmt: skip
    assert run(["map", "a.plate"]) == 0
    text = capsys.readouterr().out
    assert "from −150 to +100 cents" in text
    assert "312 cents; how well it repeats is unknown" in text
    assert "The grid is coarse." in text
    assert "SIMULATED" in text


def test_map_target_is_named_in_full(stub: Stub) -> None:
    contract = {
        "reading": "local", "evenness_cents": 1.0, "repeatability_cents": 1.0,
        "points": [{"x_mm": 0, "y_mm": 0, "tone_cents": 0, "sd_cents": 1}], "ring": [],
    }  # fmt: skip
    calls = stub("map", contract)
    for given, wanted in (("smooth", "smooth graduation"), ("flat", "flat")):
        run(["map", "a.plate", "--target", given])
        assert calls[-1][1]["target"] == wanted


def test_zones_are_a_table_in_work_order(stub: Stub, capsys: pytest.CaptureFixture[str]) -> None:
    zone = {"area_mm2": 950.0, "excess_sd_cents": 14.0, "confidence": 0.991}
    stub(
        "zones",
        {
            "starting_spot": {"x_mm": 3.0, "y_mm": 170.0}, "starting_spot_reason": "even there",
            "sentence": "Two zones stand out.",
            "zones": [
                zone | {"rank": 1, "x_mm": -40.0, "y_mm": 90.0, "excess_cents": 80.0},
                zone | {"rank": 2, "x_mm": 47.0, "y_mm": 280.0, "excess_cents": 120.0},
            ],
        },
    )  # fmt: skip
    assert run(["zones", "a.plate"]) == 0
    text = capsys.readouterr().out
    assert text.index("+80 ± 14") < text.index("+120 ± 14")
    assert "x (mm)" in text
    assert "above target (cents)" in text
    assert "9.5" in text  # cm²
    assert "Start at x 3, y 170 mm: even there" in text


def test_read_in_words(stub: Stub, capsys: pytest.CaptureFixture[str]) -> None:
    stub(
        "read",
        {
            "readings": [
                {
                    "onset_s": 0.1234, "tone_hz": 442.0, "attack_hz": 1800.0, "quality": "good",
                    "reasons": [],
                    "ring": [{"hz": 442.0, "sd_hz": 0.1, "decay_s": 0.05, "level_db": 0.0}],
                },
                {
                    "onset_s": None, "tone_hz": None, "attack_hz": None, "quality": "bad",
                    "reasons": ["silence"], "ring": [],
                },
            ]
        },
    )  # fmt: skip
    assert run(["read", "tap.wav", "--mains", "none", "--mic-channel", "1"]) == 0
    text = capsys.readouterr().out
    assert "Pitch 442.0 Hz: A4 +8 cents." in text
    assert "decay (ms)" in text
    assert "No single pitch" in text
    assert "silence" in text


def test_devices_in_words(stub: Stub, capsys: pytest.CaptureFixture[str]) -> None:
    stub(
        "devices",
        {
            "ports": [{"port": "/dev/ttyACM0", "description": "board", "hardware_id": "n/a"}],
            "microphones": [{"device": "USB mic", "channels": 2, "rate_hz": 48000}],
            "cameras": [], "worlds": ["maple-even"], "problems": [],
        },
    )  # fmt: skip
    assert run(["devices"]) == 0
    text = capsys.readouterr().out
    assert "/dev/ttyACM0 (board)" in text
    assert "USB mic (2 channels, 48000 Hz)" in text
    assert "Cameras: none found" in text


def test_numbers_have_true_signs_and_say_unknown() -> None:
    assert number(-3.26, 1, "cents", signed=True) == "−3.3 cents"
    assert number(-0.2, 0, "cents", signed=True) == "0 cents"
    assert number(None, 1, "mm") == "unknown"
    assert number(float("nan")) == "unknown"
