"""Targets: all that the command line knows, a drawn file, and sentences where one cannot be."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

from hands import press
from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import QFileDialog
from pytestqt.qtbot import QtBot

from rig.window.main_window import MainWindow
from rig.window.targets import PROFILE, target_entries


def test_which_targets_a_scan_can_be_held_against() -> None:
    scans = [
        SimpleNamespace(scan="S0001", face="outer", taps_done=9),
        SimpleNamespace(scan="S0002", face="inner", taps_done=9),
        SimpleNamespace(scan="S0003", face="outer", taps_done=0),
        SimpleNamespace(scan="S0004", face="outer", taps_done=9),
        SimpleNamespace(scan="S0005", face="outer", taps_done=9),
    ]
    seen = SimpleNamespace(scans=scans, scan="S0004")
    names = [name for _, name in target_entries(seen, "/home/anna/arch.csv")]  # type: ignore[arg-type]  # all it looks at
    assert names == ["", "flat", "smooth graduation", "mirror side", "other face", "S0001",
                     "/home/anna/arch.csv", PROFILE]  # fmt: skip
    assert target_entries(None, None)[-1][1] == PROFILE


def test_targets_that_cannot_be_are_said_before_the_long_work(
    qtbot: QtBot, window: MainWindow, idle: object, scanned: Path, tmp_path: Path
) -> None:
    assert callable(idle)
    window.desk.open_folder(scanned)
    idle()
    box, problem = window.stages.target, window.stages.read.problem
    box.setCurrentIndex(box.findData("other face"))
    box.activated.emit(box.currentIndex())
    press(qtbot, window, Qt.Key_M, Qt.ControlModifier)
    idle()
    assert "no scan of the other face" in problem.text()

    drawn = tmp_path / "drawn.csv"
    drawn.write_text("x_mm,y_mm,target_cents\n0,100,high\n")
    box.setCurrentIndex(box.findData(PROFILE))
    box.activated.emit(box.currentIndex())
    assert isinstance(window.dialog, QFileDialog)
    assert box.currentData() == "other face"  # until a file is chosen
    window.dialog.fileSelected.emit(str(drawn))
    window.dialog.reject()
    assert box.currentText() == "drawn: drawn.csv"
    window.stages.make_map.click()
    idle()
    assert "line 2" in problem.text()
    assert window.desk.map is None

    press(qtbot, window, Qt.Key_G)
    assert "Choose a tap" in problem.text()
    window.plate.choose(3)
    idle()
    press(qtbot, window, Qt.Key_G)
    assert "Make a map first" in problem.text()
