"""The walk through a rig: what passes, what fails, and that nothing moves unasked."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.devices.link import LineController
from rig.devices.roles import Frame
from rig.devices.states import State
from rig.jobs import check_rig as module
from rig.jobs.check_rig import RigReport, check_rig
from rig.jobs.compose import Rig
from rig.model.errors import CameraError, RigFileError
from rig.model.outline import Outline
from rig.model.rig_settings import RigSettings
from rig.virtual.faults import HEALTHY, FaultSpec
from rig.virtual.rig import VirtualRig, build_rig
from rig.virtual.settings import virtual_rig_settings
from rig.virtual.worlds import world_spec

EXAMPLE = Path(__file__).parents[2] / "calibration" / "example-rig.toml"
STEPS = ("link", "homing", "limits", "hammer", "levels", "camera")


class PlainVoice:
    """A square of wood that sounds alike wherever it is struck."""

    outline = Outline.checked(np.array([(-90.0, 0.0), (90.0, 0.0), (90.0, 350.0), (-90.0, 350.0)]))
    loudness = 1.0

    def strike(self, x_mm: float, y_mm: float, speed_m_s: float, rng: Any, **_: Any) -> Any:
        t = np.arange(14_400) / 48_000.0
        ring = np.exp(-t / 0.05) * sum(np.sin(2 * np.pi * hz * t) for hz in (310.0, 470.0, 830.0))
        pulse = np.sin(np.pi * np.arange(11) / 10) ** 2

        class Sound:
            mic = 1.6 * self.loudness * speed_m_s * ring
            pickup = 12.0 * self.loudness * speed_m_s * pulse
            rebound_speed_m_s = 0.4 * speed_m_s

        return Sound()


class StillCamera:
    """Gives one picture, or none."""

    def __init__(self, pixels: np.ndarray | None) -> None:
        self.pixels = pixels
        self.closed = False

    def open(self) -> None:
        if self.pixels is None:
            raise CameraError("The camera cannot be opened.", where="0", remedy="Plug it in.")

    def frame(self) -> Frame:
        assert self.pixels is not None
        return Frame(self.pixels, "")

    def close(self) -> None:
        self.closed = True


class Trial:
    """A rig that claims to be real, on a virtual bench."""

    def __init__(self) -> None:
        self.faults: FaultSpec = HEALTHY
        self.settings: RigSettings | None = None
        self.voice = PlainVoice()
        self.pixels: np.ndarray | None = None
        self.made: VirtualRig
        self.prepare: Callable[[VirtualRig], None] = lambda _made: None

    def compose(self, *_: Any, **__: Any) -> Rig:
        spec = replace(world_spec("maple-even"), faults=self.faults)
        made = self.made = build_rig(spec, 1, speed=0.0, voice=self.voice)
        settings = self.settings or made.settings
        self.prepare(made)
        return Rig(
            LineController(made.transport, made.clock, settings),
            made.microphone,
            StillCamera(self.pixels),
            made.clock,
            settings,
            simulated=False,
        )

    def walk(self, *answers: bool) -> RigReport:
        """Answer the two questions; True from then on when no answer is left."""
        left = list(answers)
        self.asked: list[tuple[str, int, int]] = []

        def confirm(question: str) -> bool:
            counts = self.made.board.counts
            self.asked.append((question, counts["homings"], counts["strikes"]))
            return left.pop(0) if left else True

        return check_rig(world="maple-even", confirm=confirm)


def on_the_second_leg(made: VirtualRig, act: Callable[[], None]) -> None:
    """Let something happen while the gantry drives round the limits."""

    def look() -> None:
        if made.board.counts["moves"] == 2 and made.board.state is State.MOVING:
            act()
        else:
            made.clock.at(made.clock.now_s() + 0.05, look)

    made.clock.at(1.0, look)


@pytest.fixture(scope="module")
def bed_picture() -> np.ndarray:
    """The virtual bed, taken once."""
    made = build_rig(replace(world_spec("maple-even"), has_plate=False), 1, speed=0.0)
    made.camera.open()
    return made.camera.frame().pixels


@pytest.fixture
def trial(monkeypatch: pytest.MonkeyPatch, bed_picture: np.ndarray) -> Trial:
    made = Trial()
    made.pixels = bed_picture
    monkeypatch.setattr("rig.jobs.compose.compose", made.compose)
    return made


def states(report: RigReport) -> dict[str, str]:
    assert tuple(step.step for step in report.steps) == STEPS
    return {step.step: step.state for step in report.steps}


def step(report: RigReport, name: str) -> Any:
    return next(one for one in report.steps if one.step == name)


def test_a_healthy_rig_passes_every_step(trial: Trial) -> None:
    report = trial.walk()
    assert set(states(report).values()) == {"pass"}
    assert report.ready
    assert report.as_json()["problems"] == []
    assert "6 markers agree" in step(report, "camera").what
    assert trial.made.board.counts["strikes"] == 3
    questions = [(homings, strikes) for _, homings, strikes in trial.asked]
    assert questions == [(0, 0), (1, 0)]  # before homing, and before firing
    assert "hands clear" in trial.asked[0][0]
    assert trial.made.board.place_mm == (0.0, 0.0)  # parked


def test_nothing_moves_when_nobody_confirms(trial: Trial) -> None:
    report = check_rig(world="maple-even")
    assert states(report) == {
        "link": "pass", "homing": "not done", "limits": "not done", "hammer": "not done",
        "levels": "not done", "camera": "pass",
    }  # fmt: skip
    counts = trial.made.board.counts
    assert (counts["homings"], counts["moves"], counts["strikes"]) == (0, 0, 0)
    assert not report.ready
    problems = report.as_json()["problems"]
    assert [p["what"] for p in problems] == ["homing: nobody has confirmed that hands are clear"]
    assert "--hands-clear" in problems[0]["remedy"]


def test_no_strike_when_only_the_motion_was_confirmed(trial: Trial) -> None:
    report = trial.walk(True, False)
    assert states(report)["limits"] == "pass"
    assert states(report)["hammer"] == "not done"
    assert trial.made.board.counts["strikes"] == 0


def test_it_never_goes_beyond_the_limits_and_keeps_off_their_ends(trial: Trial) -> None:
    places = []
    original = LineController.start_move

    def noted(self: LineController, x_mm: float, y_mm: float) -> None:
        places.append((x_mm, y_mm))
        original(self, x_mm, y_mm)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(LineController, "start_move", noted)
        trial.walk()
    x, y = np.array(places).T
    assert x.min() >= 0.0
    assert x.max() <= 490.0
    assert y.min() >= 0.0
    assert y.max() <= 590.0


def test_limits_beyond_the_bed_fail_without_a_move(trial: Trial) -> None:
    usual = virtual_rig_settings()
    wide = replace(usual.controller, limits_mm=(0.0, 0.0, 520.0, 600.0))
    trial.settings = replace(usual, controller=wide)
    report = trial.walk(True, False)
    assert states(report)["limits"] == "fail"
    assert "beyond the bed" in step(report, "limits").what
    assert trial.made.board.counts["moves"] <= 1  # parked, no more


def test_mute_board(trial: Trial) -> None:
    trial.faults = FaultSpec(line_lost=1.0)
    report = trial.walk()
    assert states(report)["link"] == "fail"
    assert "does not answer" in step(report, "link").what
    assert step(report, "link").remedy
    assert states(report)["homing"] == "not done"
    assert states(report)["camera"] == "pass"
    assert trial.asked == []


def test_cable_pulled_on_the_way(trial: Trial) -> None:
    trial.prepare = lambda made: on_the_second_leg(made, made.transport.unplug)
    report = trial.walk()
    assert states(report)["limits"] == "fail"
    assert "broke off" in step(report, "limits").what
    assert states(report)["hammer"] == "not done"
    assert trial.made.board.counts["strikes"] == 0


def test_halt_button_pressed_on_the_way(trial: Trial) -> None:
    trial.prepare = lambda made: on_the_second_leg(made, lambda: made.board.press_halt(True))
    report = trial.walk()
    assert "halt button was pressed" in step(report, "limits").what
    assert states(report)["hammer"] == "not done"
    assert trial.made.board.state is State.HALTED


def test_first_interrupt_halts(trial: Trial) -> None:
    def interrupt() -> None:
        os.kill(os.getpid(), signal.SIGINT)
        for _ in range(200):  # real time for the thread that halts; rig time stands still
            time.sleep(0.005)

    trial.prepare = lambda made: on_the_second_leg(made, interrupt)
    before = signal.getsignal(signal.SIGINT)
    report = trial.walk()
    assert signal.getsignal(signal.SIGINT) is before
    assert states(report)["hammer"] == "not done"
    assert trial.made.board.counts["strikes"] == 0
    assert not report.ready


def test_slow_gantry(trial: Trial) -> None:
    """The board gives 400 mm/s and no more."""
    usual = virtual_rig_settings()
    fast = replace(usual.controller, speed_mm_s=900.0, acceleration_mm_s2=3000.0)
    trial.settings = replace(usual, controller=fast)
    report = trial.walk()
    assert "slower than the rig file says: 4" in step(report, "limits").what


def test_pulse_longer_than_the_board_gives(trial: Trial) -> None:
    usual = virtual_rig_settings()
    tapper = replace(usual.tapper, firm_pulse_us=15_000, max_pulse_us=20_000)
    trial.settings = replace(usual, tapper=tapper)
    assert "no pulse longer than 12000" in step(trial.walk(), "link").what


def test_hammer_that_does_not_strike(trial: Trial) -> None:
    trial.faults = FaultSpec(strike_missed=1.0)
    report = trial.walk()
    assert "3 light strikes of 3000 µs given, 0 seen by the pickup" in step(report, "hammer").what
    assert "not heard" in step(report, "levels").what


def test_gain_too_high_and_too_low(trial: Trial) -> None:
    trial.voice.loudness = 40.0
    assert "Turn its gain down" in step(trial.walk(), "levels").remedy
    trial.voice.loudness = 0.03
    assert "gain up" in step(trial.walk(), "levels").remedy


def test_dead_microphone_fails_levels_and_the_hammer_is_tried_all_the_same(trial: Trial) -> None:
    trial.prepare = lambda made: made.microphone.stall()
    report = trial.walk()
    assert states(report)["levels"] == "fail"
    assert "did not come" in step(report, "levels").what
    assert "nobody could listen" in step(report, "hammer").what


def test_camera_lost_dark_and_without_markers(trial: Trial, bed_picture: np.ndarray) -> None:
    for pixels, words in (
        (None, "cannot be opened"),
        (np.zeros((480, 640, 3), np.uint8), "it is dark"),
        (np.full((480, 640, 3), 255, np.uint8), "all white"),
        (np.full((480, 640, 3), 120, np.uint8), "bed is not seen"),
    ):
        trial.pixels = pixels
        report = trial.walk(False)
        assert words in step(report, "camera").what
        assert step(report, "camera").remedy


def test_file_with_mistakes_and_without_a_port(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("[controller]\nsped = 3\n")
    with pytest.raises(RigFileError, match="sped"):
        check_rig(path)
    path.write_text('[camera]\nsource = "0"\n')
    report = check_rig(path)
    assert report.steps[0].state == "fail"
    assert "no port" in report.steps[0].what
    assert len(report.values) > 20


def test_json_holds_values_steps_and_problems(monkeypatch: pytest.MonkeyPatch) -> None:
    class Gone:
        def __init__(self, *_: Any, **__: Any) -> None:
            raise OSError(2, "No such file or directory")

    monkeypatch.setattr("serial.Serial", Gone)
    monkeypatch.setattr("rig.devices.live_camera.PATIENCE_S", 0.5)
    told = check_rig(EXAMPLE).as_json()
    assert set(told) == {"rig", "simulated", "ready", "values", "steps", "problems"}
    assert told["steps"][0] == {
        "step": "link",
        "state": "fail",
        "what": "The port cannot be opened: no such file or directory",
        "where": "/dev/ttyACM0",
        "remedy": told["steps"][0]["remedy"],
    }
    assert any(p["what"].startswith("link: ") for p in told["problems"])


def test_command_line_refuses_to_move_without_a_terminal(
    trial: Trial, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import io
    import sys

    from rig.cli.main import run

    monkeypatch.setattr(module, "check_rig", lambda _file, **o: check_rig(**o | {"world": "x"}))
    monkeypatch.setattr(sys, "stdin", io.StringIO("y\n"))
    assert run(["check", "--rig", "rig.toml"]) == 1
    told = capsys.readouterr()
    assert "Halt button within reach" in told.err
    assert "----  homing: nobody has confirmed that hands are clear" in told.out
    assert "pass  link: platerig-virtual-1 answers" in told.out
    assert trial.made.board.counts["homings"] == 0
    assert run(["check", "--rig", "rig.toml", "--hands-clear"]) == 0
    assert "The rig is ready." in capsys.readouterr().out
    assert trial.made.board.counts["strikes"] == 3
    assert run(["check", "--rig", "rig.toml", "--virtual", "maple-even"]) == 2
