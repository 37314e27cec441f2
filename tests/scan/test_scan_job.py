"""The whole job on a virtual world: camera, plan, scan, folder, resume."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scan_stand_ins import Recorder

from rig.archive.plate_folder import PlateFolder
from rig.jobs.compose import compose
from rig.jobs.devices import devices
from rig.jobs.scan import scan
from rig.model.errors import (
    FolderInUseError,
    FolderMissingError,
    PictureError,
    RigFileError,
    UnknownWorldError,
    UsageError,
)
from rig.model.frames import Pose
from rig.model.progress import ProgressEvent
from rig.model.scan_record import ScanState
from rig.scan import ScanControl, TapEvent
from rig.virtual.worlds import WORLD_NAMES, world_spec

OPTIONS = {"world": "maple-even", "spacing_mm": 45.0, "speed": 0.0}


def wait_until(true: Callable[[], bool]) -> None:
    """Wait in real time, at most five seconds."""
    for _ in range(500):
        if true():
            return
        time.sleep(0.01)


@pytest.fixture(scope="module")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, object]]:
    path = tmp_path_factory.mktemp("job") / "even.plate"
    return path, scan(path, **OPTIONS).as_json()  # type: ignore[arg-type]


def test_a_scan_finds_plans_and_taps_the_plate(scanned: tuple[Path, dict[str, object]]) -> None:
    path, contract = scanned
    assert contract["scan"] == "S0001"
    assert contract["state"] == "finished"
    assert contract["rejected"] == 0
    assert float(str(contract["wall_s"])) > 0.0
    with PlateFolder.open(path) as folder:
        assert folder.check() == []
        assert folder.outline_source == "picture"
        record = folder.scan_record("S0001")
        origin, plan = folder.origin("S0001"), folder.plan("S0001")
        facts = folder.facts
    assert contract["taps"] == contract["strikes"] == len(plan.taps) == len(record.strikes) > 10
    assert origin["world"] == "maple-even"
    assert record.simulated
    assert record.pose is not None
    truth = world_spec("maple-even").pose("outer")
    assert np.hypot(record.pose.x_mm - truth.x_mm, record.pose.y_mm - truth.y_mm) < 6.0
    assert record.microphone_xyz_mm is not None
    above_mm = world_spec("maple-even").microphone_mm[2] - world_spec("maple-even").rim_height_mm
    assert record.microphone_xyz_mm[2] == pytest.approx(above_mm, abs=1.0)
    assert any("outline was taken" in note for note in contract["warnings"])  # type: ignore[attr-defined]
    assert origin["place_notes"] == contract["warnings"]
    assert origin["rim_height_mm"] == pytest.approx(3.0, abs=1.0)
    assert facts.wood == "maple"
    assert facts.mass_g is not None
    assert 60.0 < facts.mass_g < 160.0
    for strike in record.strikes:
        assert strike.reading is not None
        assert strike.reading.quality == "good"
        assert strike.clip.rebound_ratio is not None


def test_second_scan_is_no_copy_of_the_first(
    scanned: tuple[Path, dict[str, object]], tmp_path: Path
) -> None:
    path, _ = scanned
    events: list[ProgressEvent] = []
    result = scan(path, **OPTIONS, max_taps=2, progress=events.append)  # type: ignore[arg-type]
    assert result.as_json()["state"] == "stopped"
    with PlateFolder.open(path) as folder:
        first, second = folder.scan_record("S0001"), folder.scan_record("S0002")
    a, b = first.strikes[0].clip, second.strikes[0].clip
    assert not np.array_equal(a.samples, b.samples)
    tapping = [e for e in events if e.stage == "tapping" and e.remaining_s is not None]
    assert tapping[-1].done == 2
    assert tapping[-1].total == len(first.strikes)


def test_interrupt_stops_and_resume_completes(tmp_path: Path) -> None:
    path = tmp_path / "interrupted.plate"

    def interrupt(event: TapEvent) -> None:
        if event.step == "striking" and event.tap.number == 3:
            os.kill(os.getpid(), signal.SIGINT)
            stopped.wait(5.0)

    stopped = threading.Event()

    class Control(ScanControl):
        def stop(self) -> None:
            super().stop()
            stopped.set()

    before = signal.getsignal(signal.SIGINT)
    result = scan(path, **OPTIONS, listeners=[Recorder(interrupt)], control=Control())  # type: ignore[arg-type]
    assert signal.getsignal(signal.SIGINT) is before
    assert result.outcome.state is ScanState.STOPPED
    assert result.outcome.taps == 4
    with pytest.raises(UsageError, match="begun on maple-even"):
        scan(path, world="spruce-top", resume=True, speed=0.0)
    recorder = Recorder()
    again = scan(path, resume=True, listeners=[recorder])  # as fast as it was begun
    assert again.outcome.state is ScanState.FINISHED
    assert next(e.tap.number for e in recorder.events("striking")) == 4
    with PlateFolder.open(path) as folder:
        assert [s.tap for s in folder.scan_record("S0001").strikes] == list(
            range(again.outcome.taps)
        )
    with pytest.raises(UsageError, match="no unfinished scan"):
        scan(path, resume=True, speed=0.0)


def test_plate_moved_before_resuming_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "moved.plate"

    def interrupt_twice(event: TapEvent) -> None:
        if event.step == "striking" and event.tap.number == 2:
            for wanted in ("stop_wanted", "halted"):
                os.kill(os.getpid(), signal.SIGINT)
                wait_until(lambda wanted=wanted: getattr(control, wanted))

    control = ScanControl()
    halted = scan(path, **OPTIONS, listeners=[Recorder(interrupt_twice)], control=control)  # type: ignore[arg-type]
    assert halted.as_json()["state"] == "halted"
    assert halted.outcome.taps == 2
    original = PlateFolder.origin
    moved = {"x_mm": 256.0, "y_mm": 126.0, "angle_deg": 1.0, "face": "outer"}
    monkeypatch.setattr(PlateFolder, "origin", lambda *a: original(*a) | {"laid": moved})
    with pytest.raises(PictureError, match="moved by"):
        scan(path, resume=True, speed=0.0)


def test_plate_laid_elsewhere_is_found_there(tmp_path: Path) -> None:
    laid = Pose(258.0, 130.0, -6.0, "outer")
    path = tmp_path / "elsewhere.plate"
    scan(path, **OPTIONS, max_taps=1, pose=laid)  # type: ignore[arg-type]
    with PlateFolder.open(path) as folder:
        found = folder.pose("S0001")
    assert found is not None
    assert abs(found.angle_deg - laid.angle_deg) < 1.5  # axis of an outline taken from a picture


def test_wrong_calls_make_nothing(tmp_path: Path) -> None:
    path = tmp_path / "none.plate"
    with pytest.raises(UnknownWorldError, match="maple-graded"):
        scan(path, world="maple-gradd", speed=0.0)
    with pytest.raises(UsageError):
        scan(path)
    with pytest.raises(UsageError):
        scan(path, world="maple-even", rig_file="rig.toml")
    with pytest.raises(UsageError, match="rim"):
        scan(path, world="maple-even", rim_height_mm=300.0)
    with pytest.raises(UsageError, match="face"):
        scan(path, world="maple-even", face="front")  # type: ignore[arg-type]
    assert not path.exists()
    with pytest.raises(FolderMissingError):
        scan(path, world="maple-even", resume=True)


def test_folder_in_use_is_refused(scanned: tuple[Path, dict[str, object]]) -> None:
    path, _ = scanned
    with PlateFolder.open(path, write=True), pytest.raises(FolderInUseError):
        scan(path, **OPTIONS)  # type: ignore[arg-type]


def test_empty_bed_is_said_clearly(tmp_path: Path) -> None:
    with pytest.raises(PictureError, match="not found"):
        scan(tmp_path / "empty.plate", world="empty-bed", speed=0.0)


def test_rig_file_without_port_or_camera_is_refused(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text('[controller]\nlink = "platerig"\n', encoding="utf-8")
    with pytest.raises(RigFileError, match="port"):
        compose(rig_file=rig_file)
    rig_file.write_text('[controller]\nport = "/dev/ttyACM7"\n', encoding="utf-8")
    with pytest.raises(RigFileError, match="camera"):
        compose(rig_file=rig_file)
    rig_file.write_text(
        '[controller]\nport = "/dev/ttyACM7"\n[camera]\nsource = "0"\n', encoding="utf-8"
    )
    rig = compose(rig_file=rig_file)
    assert not rig.simulated
    rig.close()


def test_device_list_names_the_worlds_and_opens_nothing() -> None:
    listed = devices().as_json()
    assert listed["worlds"] == list(WORLD_NAMES)
    assert set(listed) >= {"ports", "microphones", "cameras", "problems"}


def test_two_sessions_of_one_world_share_the_wood_but_not_the_scatter() -> None:
    from rig.virtual.rig import build_rig

    spec = replace(world_spec("maple-even"), has_plate=False)
    draws = [build_rig(spec, 1, speed=0.0, session=s).bench.rng.random() for s in (0, 0, 1)]
    assert draws[0] == draws[1] != draws[2]
