"""A device is gone, at each stage: a sentence where it happened, and nothing recorded is lost."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hands import begin_scan, click
from PyQt5.QtCore import Qt
from pytestqt.qtbot import QtBot

from rig.jobs.overview import overview
from rig.model.errors import CameraError, LinkError, MicrophoneGoneError
from rig.virtual.camera import VirtualCamera
from rig.virtual.controller import VirtualController
from rig.virtual.microphone import VirtualMicrophone
from rig.window.main_window import MainWindow
from rig.window.scan_run import ScanRun
from rig.window.settings import RigChoice

Idle = Callable[[], None]


def _open(window: MainWindow, idle: Idle, folder: Path, scanned: Path) -> None:
    shutil.copytree(scanned, folder)
    window.desk.use_rig(RigChoice(world="maple-graded", speed=0.0))
    window.desk.open_folder(folder)
    idle()


def _gone_after(calls: int, real: Any, error: Exception) -> Any:
    """A method that works so many times."""
    left = [calls]

    def method(self: Any, *values: Any) -> Any:
        left[0] -= 1
        if left[0] < 0:
            raise error
        return real(self, *values)

    return method


def test_the_camera_is_gone(
    qtbot: QtBot, window: MainWindow, idle: Idle, tmp_path: Path, scanned: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    folder = tmp_path / "a.plate"
    _open(window, idle, folder, scanned)
    gone = CameraError("The camera gives no picture.", remedy="Look at its cable.")
    monkeypatch.setattr(VirtualCamera, "frame", _gone_after(0, VirtualCamera.frame, gone))
    window.go_to(window.stages.lay)
    click(qtbot, window.stages.take_picture)
    idle()
    assert "camera gives no picture" in window.stages.lay.problem.text()
    assert window.stages.take_picture.isEnabled()
    before = overview(folder).scans
    begin_scan(qtbot, window, 0.0)
    idle()
    assert "camera gives no picture" in window.stages.scan.problem.text()
    assert window.desk.run is None
    assert overview(folder).scans[: len(before)] == before
    assert "broken off" in window.run_bar.what.text()


@pytest.mark.parametrize("device", ["microphone", "controller"])
def test_a_device_is_gone_in_the_middle_of_a_scan(
    qtbot: QtBot, window: MainWindow, idle: Idle, tmp_path: Path, scanned: Path,
    monkeypatch: pytest.MonkeyPatch, device: str,
) -> None:  # fmt: skip
    folder = tmp_path / "a.plate"
    _open(window, idle, folder, scanned)
    with monkeypatch.context() as unplugged:
        if device == "microphone":
            error: Exception = MicrophoneGoneError("The microphone is gone.", remedy="Its cable?")
            take = _gone_after(5, VirtualMicrophone.take, error)
            unplugged.setattr(VirtualMicrophone, "take", take)
        else:
            error = LinkError("The line to the controller is gone.", remedy="Its cable?")
            strike = _gone_after(5, VirtualController._strike, error)
            unplugged.setattr(VirtualController, "_strike", strike)
        begin_scan(qtbot, window, 0.0, "50")
        idle()
    said = window.findings.toPlainText() + window.stages.scan.problem.text()
    assert "is gone" in said
    seen = overview(folder)
    assert seen.scans[0].state == "finished"  # the earlier one is as it was
    assert 0 < seen.scans[1].strikes < seen.scans[1].taps_planned
    assert window.desk.run is None
    assert seen.unfinished == seen.scans[1].scan
    assert window.stages.resume_scan.isEnabled()


def test_esc_halts_while_it_is_asked_for_a_lost_device(qtbot: QtBot, window: MainWindow) -> None:
    run = ScanRun(window.desk, simulated=True)
    window.desk.run = run
    window.ask_plugged_in("The microphone is gone.")
    box = window.dialog
    assert "all hands clear" in box.informativeText()
    assert box.defaultButton().text() == "End the scan"
    qtbot.keyClick(box, Qt.Key_Escape)
    assert run.halted
    assert run.plugged_in(MicrophoneGoneError("gone")) is False
    window.desk.run = None
    box.reject()
