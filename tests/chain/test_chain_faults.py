"""Cable, microphone and camera lost in every state of a scan: told, safe, stored, resumed."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fault_rig import TAPS, At, FaultRig, fault_rig

from rig.archive.plate_folder import PlateFolder
from rig.devices.roles import Frame
from rig.model.errors import CameraError, DeviceError, LinkError, MicrophoneError, PictureError
from rig.model.plate_facts import PlateFacts
from rig.model.scan_record import ScanState
from rig.scan import FinishReason, ScanOutcome
from rig.virtual.rig import build_rig

# state → the line at which the cable breaks, which one of them, whether the board still hears it,
# and how many taps are then stored
LINE_STATES = {
    "opening": ("HELLO", 1, False, 0),
    "greeted": ("SET", 1, False, 0),
    "homing begins": ("HOME", 1, True, 0),
    "homing": ("STATUS", 9, True, 0),
    "the first move": ("MOVE", 1, False, 0),
    "moving": ("MOVE", 3, True, 2),
    "about to strike": ("STRIKE", 4, False, 3),
    "struck, answer lost": ("STRIKE", 4, True, 3),
    "reading the gate": ("GATE", 7, True, 2),
    "recorded, moving on": ("MOVE", 5, True, 4),
    "recorded, not moved on": ("MOVE", 5, False, 4),
    "the last tap": ("STRIKE", TAPS, True, TAPS - 1),
}
PLAIN_STATES = {
    "opening": ("G21", 1, False, 0),
    "homing": ("G28", 1, True, 0),
    "moving": ("G1", 3, True, 2),
    "about to strike": ("M8", 4, False, 3),
    "struck, answer lost": ("M8", 4, True, 3),
    "recorded, moving on": ("G1", 5, True, 4),
    "the last tap": ("M8", TAPS, True, TAPS - 1),
}
CASES = [("platerig", name) for name in LINE_STATES] + [("rs274", name) for name in PLAIN_STATES]


@pytest.fixture
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[FaultRig]:
    made = fault_rig(tmp_path / "back.plate", getattr(request, "param", "platerig"))
    yield made
    made.folder.close()


def lost(rig: FaultRig, listener: Any = None) -> Exception:
    """Run until it ends; the error that the user is shown."""
    try:
        outcome = rig.run(listener)
    except DeviceError as error:
        return error
    assert outcome.state is ScanState.HALTED
    assert outcome.finish is FinishReason.DEVICE
    assert outcome.error is not None
    assert rig.folder.unfinished_scan() == rig.scan
    return outcome.error


def resumed(rig: FaultRig, before: dict[int, bytes]) -> ScanOutcome:
    """Go on to the end; what was stored before must still be there, bit by bit."""
    outcome = rig.run()
    assert outcome.state is ScanState.FINISHED
    after = rig.stored()
    assert after.items() >= before.items()
    assert sorted(after) == list(range(TAPS))
    return outcome


@pytest.mark.parametrize(("rig", "state"), CASES, indirect=["rig"])
def test_cable_pulled(rig: FaultRig, state: str) -> None:
    states = LINE_STATES if rig.link == "platerig" else PLAIN_STATES
    word, which, after, taps_stored = states[state]
    rig.cable.break_at = (word.encode(), which, after)
    error = lost(rig)
    assert isinstance(error, LinkError)
    assert "broke off" in error.what or "not known" in error.what
    assert "home" in error.remedy
    assert "resume" in error.remedy
    before = rig.stored()
    assert len(before) == taps_stored
    rig.made.clock.sleep_s(0.5)
    assert not rig.hammer_on
    if rig.link == "platerig":  # a plain board has no heartbeat: it ends its last move
        place = rig.place()
        rig.made.clock.sleep_s(2.0)
        assert rig.place() == place
    rig.cable.mend()
    struck = rig.pulses
    outcome = resumed(rig, before)
    assert rig.pulses - struck == TAPS - taps_stored + outcome.retakes
    assert struck - taps_stored <= 1  # the one whose answer was lost, and never a second time


def test_cable_pulled_while_a_poor_strike_is_made_again(rig: FaultRig) -> None:
    rig.made.bench.faults = replace(rig.made.bench.faults, strike_missed=1.0)
    rig.cable.break_at = (b"STRIKE", TAPS + 2, True)
    error = lost(rig)
    assert isinstance(error, LinkError)
    before = rig.stored()
    assert len(before) == TAPS
    rig.cable.mend()
    rig.made.bench.faults = replace(rig.made.bench.faults, strike_missed=0.0)
    outcome = rig.run()
    assert outcome.state is ScanState.FINISHED
    assert outcome.retakes == TAPS
    strikes = rig.folder.scan_record(rig.scan).strikes
    assert {s.tap for s in strikes if s.superseded} == set(range(TAPS))  # nothing is deleted


def test_cable_pulled_while_parking_costs_nothing(rig: FaultRig) -> None:
    rig.cable.break_at = (b"MOVE", TAPS + 1, False)
    outcome = rig.run()
    assert outcome.state is ScanState.FINISHED
    assert len(rig.stored()) == TAPS


@pytest.mark.parametrize("tap", [0, 3, TAPS - 1])
def test_microphone_unplugged(rig: FaultRig, tap: int) -> None:
    error = lost(rig, At("striking", tap, rig.made.microphone.stall))
    assert isinstance(error, MicrophoneError)
    assert "No sound comes any more" in error.what
    assert "resume" in error.remedy
    before = rig.stored()
    assert tap - 1 <= len(before) <= tap
    assert rig.pulses <= tap + 2  # it does not go on striking a plate that nobody hears
    rig.made.clock.sleep_s(0.5)
    assert not rig.hammer_on
    rig.made.microphone.stall(False)
    resumed(rig, before)


def test_microphone_not_there_at_the_start(rig: FaultRig, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone() -> None:
        raise MicrophoneError("There is no sound input called “x”.", remedy="Plug it in.")

    with monkeypatch.context() as patch:
        patch.setattr(rig.made.microphone, "open", gone)
        error = lost(rig)
    assert isinstance(error, MicrophoneError)
    assert rig.pulses == 0
    resumed(rig, {})


# -- the job: the camera, and going on within one call ---------------------------------------


@cache
def bed_picture() -> Frame:
    """The world's bed with its plate, taken once."""
    camera = build_rig("maple-even", 1, speed=0.0).camera
    camera.open()
    return camera.frame()


@pytest.fixture
def world(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> dict[str, Any]:
    """A world that says it is a real rig; what the camera does can be set."""
    example = Path(__file__).parents[2] / "calibration" / "example-rig.toml"
    rig_file = shutil.copy(example, tmp_path / "rig.toml")
    from rig.jobs import compose as module

    original = module.compose
    made: dict[str, Any] = {"camera": "well", "rigs": []}

    def real(world: str | None = None, _file: Any = None, **options: Any) -> Any:
        options |= {"speed": 0.0}
        rig = original("maple-even", None, **options)
        transport = rig.controller._transport
        first = rig.controller

        def new_controller() -> Any:
            from rig.devices.link import LineController

            return LineController(
                transport, rig.clock, rig.settings, session=len(made["rigs"]) + 77
            )

        class Camera:
            def open(self) -> None:
                if made["camera"] == "gone":
                    raise CameraError("The camera cannot be opened.", remedy="Plug it in.")
                rig.camera.open()

            def frame(self) -> Any:
                if made["camera"] == "lost":
                    raise CameraError("The camera gave no picture.", remedy="Check its cable.")
                return bed_picture()

            def close(self) -> None:
                rig.camera.close()

        made["rigs"].append(rig)
        made["cable"] = transport
        made["origin"] = {"simulated": False, "rig_file": str(rig_file)}
        return replace(
            rig, controller=first, camera=Camera(), simulated=False, origin=made["origin"],
            new_controller=new_controller,
        )  # fmt: skip

    monkeypatch.setattr(module, "compose", real)
    return made


@pytest.mark.parametrize("how", ["gone", "lost"])
def test_camera_lost_at_the_start_of_a_scan(
    world: dict[str, Any], tmp_path: Path, how: str
) -> None:
    from rig.jobs.scan import scan

    path = tmp_path / "back.plate"
    with PlateFolder.create(path, PlateFacts(name="back")):
        pass
    world["camera"] = how
    with pytest.raises(CameraError) as told:
        scan(path, world="maple-even", max_taps=2)
    assert told.value.remedy
    with PlateFolder.open(path) as folder:
        assert folder.scans() == []
    world["camera"] = "well"
    assert scan(path, world="maple-even", max_taps=2).outcome.taps == 2


def test_camera_lost_later_is_told_at_resuming_only(world: dict[str, Any], tmp_path: Path) -> None:
    from rig.jobs.scan import scan

    path = tmp_path / "back.plate"
    lose = At("stored", 0, lambda: world.update(camera="lost"))
    result = scan(path, world="maple-even", max_taps=3, listeners=[lose])  # type: ignore[list-item]
    assert result.outcome.taps == 3
    with pytest.raises(CameraError):
        scan(path, resume=True, max_taps=4)
    world["camera"] = "well"
    again = scan(path, resume=True, max_taps=4)
    assert again.outcome.taps == 4
    with PlateFolder.open(path) as folder:
        assert folder.done("S0001") == {(tap, 0) for tap in range(4)}


def test_scan_goes_on_by_itself_once_the_cable_is_back(
    world: dict[str, Any], tmp_path: Path
) -> None:
    from rig.jobs.scan import scan

    asked: list[DeviceError] = []

    def plugged_in(error: DeviceError) -> bool:
        asked.append(error)
        if len(asked) > 1:  # the first time it is not in yet
            world["cable"].plug_in()
        return True

    pull = At("striking", 2, lambda: world["cable"].unplug())
    result = scan(
        tmp_path / "back.plate", world="maple-even", max_taps=4, listeners=[pull],  # type: ignore[list-item]
        plugged_in=plugged_in,
    )  # fmt: skip
    assert result.outcome.state is ScanState.STOPPED
    assert result.outcome.taps == 4
    assert len(asked) == 2
    assert all(isinstance(error, LinkError) for error in asked)
    assert world["rigs"][0].controller is not None
    with PlateFolder.open(tmp_path / "back.plate") as folder:
        assert folder.done("S0001") == {(tap, 0) for tap in range(4)}


def test_who_says_no_ends_the_scan_and_nothing_homes(world: dict[str, Any], tmp_path: Path) -> None:
    from rig.jobs.scan import scan

    pull = At("striking", 1, lambda: world["cable"].unplug())
    with pytest.raises(LinkError, match="broke off"):
        scan(
            tmp_path / "back.plate", world="maple-even", max_taps=3, listeners=[pull],  # type: ignore[list-item]
            plugged_in=lambda _error: False,
        )  # fmt: skip
    with PlateFolder.open(tmp_path / "back.plate") as folder:
        assert len(folder.scan_record("S0001").strikes) == 1


def test_plate_not_found_strikes_nothing(world: dict[str, Any], tmp_path: Path) -> None:
    from rig.jobs.scan import scan

    world["camera"] = "well"
    with pytest.MonkeyPatch.context() as patch:
        blank = Frame(np.full((1080, 1920, 3), 128, np.uint8), "")
        patch.setattr(sys.modules[__name__], "bed_picture", lambda: blank)
        with pytest.raises(PictureError, match="not found"):
            scan(tmp_path / "back.plate", world="maple-even")
