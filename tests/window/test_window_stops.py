"""Stops: pause, HALT by Esc, closing the window, a fault in the middle of a scan."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

from hands import begin_scan, click
from PyQt5.QtCore import Qt
from pytestqt.qtbot import QtBot

from rig.jobs.listening import Place
from rig.jobs.overview import overview
from rig.window.main_window import MainWindow

SPEED = 40.0


def _tapping(qtbot: QtBot, window: MainWindow, folder: Path, scanned: Path) -> None:
    """Open a copy of a plate, begin a scan and wait until some taps are done."""
    shutil.copytree(scanned, folder)
    window.desk.open_folder(folder)
    qtbot.waitUntil(lambda: window.desk.folder is not None, timeout=20_000)
    begin_scan(qtbot, window, SPEED, "15")
    qtbot.waitUntil(lambda: window.desk.run is not None and window.desk.run.done > 2,
                    timeout=60_000)  # fmt: skip


def test_pause_then_esc_halts(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path, scanned: Path
) -> None:
    assert callable(idle)
    _tapping(qtbot, window, tmp_path / "a.plate", scanned)
    run = window.desk.run
    assert run is not None
    assert "left, done at" in window.run_bar.what.text()
    window.listening.play([Place("S0001", 3)])
    assert "microphone would hear" in window.listen.problem.text()
    assert not window.desk.workers.running("listening.listen")
    click(qtbot, window.run_bar.pause)
    qtbot.waitUntil(lambda: "paused" in window.run_bar.what.text(), timeout=20_000)
    assert run.state == "paused"
    click(qtbot, window.run_bar.pause)
    qtbot.waitUntil(lambda: run.state == "running", timeout=20_000)
    qtbot.keyClick(window.findings, Qt.Key_Escape)
    assert run.halted
    idle()
    seen = overview(tmp_path / "a.plate")
    assert seen.scans[-1].state == "halted"
    assert seen.scans[-1].strikes >= 3
    assert "unfinished" in window.stages.scan.state.text()


def test_closing_stops_the_scan_first(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path, scanned: Path
) -> None:
    assert callable(idle)
    _tapping(qtbot, window, tmp_path / "a.plate", scanned)
    window.close()
    assert window.isVisible()
    idle()
    qtbot.waitUntil(lambda: not window.isVisible(), timeout=10_000)
    assert overview(tmp_path / "a.plate").scans[-1].state == "stopped"


def test_a_fault_stops_the_scan_and_keeps_a_bundle(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path, scanned: Path
) -> None:
    assert callable(idle)
    _tapping(qtbot, window, tmp_path / "a.plate", scanned)
    window.faults.caught.emit(ZeroDivisionError(f"at {Path.home()}/notes"))
    assert window.faults.box is not None
    assert window.faults.box.isVisible()
    idle()
    assert overview(tmp_path / "a.plate").scans[-1].state == "stopped"
    assert window.faults.bundle is not None
    with zipfile.ZipFile(window.faults.bundle) as bundle:
        text = bundle.read("fault.txt").decode()
        assert "PyQt5" in bundle.read("versions.txt").decode()
    assert "ZeroDivisionError" in text
    assert str(Path.home()) not in text
    window.faults.box.close()


def test_stop_ends_a_pause(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path, scanned: Path
) -> None:
    assert callable(idle)
    _tapping(qtbot, window, tmp_path / "a.plate", scanned)
    click(qtbot, window.run_bar.pause)
    qtbot.waitUntil(lambda: "paused" in window.run_bar.what.text(), timeout=20_000)
    click(qtbot, window.run_bar.stop)
    idle()
    assert overview(tmp_path / "a.plate").scans[-1].state == "stopped"
    assert window.stages.resume_scan.isEnabled()
    assert window.findings.toPlainText().startswith("stopped by the user")
