"""The whole job by mouse and keyboard: new plate, locate, scan, map, zones, spot, report."""

from __future__ import annotations

from pathlib import Path

import pytest
from hands import begin_scan, click, plate_point, press, stroke
from PyQt5.QtCore import QEvent, QPointF, Qt
from PyQt5.QtGui import QMouseEvent
from PyQt5.QtWidgets import QApplication, QLineEdit
from pytestqt.qtbot import QtBot

from rig.jobs.overview import overview
from rig.window.main_window import MainWindow


@pytest.mark.slow
def test_from_a_new_plate_to_the_report(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path
) -> None:
    assert callable(idle)
    stages = window.stages
    click(qtbot, window.welcome.new)
    dialog = window.dialog
    qtbot.keyClicks(dialog.name, "ash tree")
    dialog.directory.setText(str(tmp_path))
    qtbot.keyClicks(dialog.mass, "98,5")
    click(qtbot, dialog.go)
    idle()
    folder = tmp_path / "ash tree.plate"
    assert window.desk.folder == folder
    assert overview(folder).facts.mass_g == 98.5
    assert "No rig" in stages.rig.state.text()
    assert not stages.start_scan.isEnabled()

    click(qtbot, stages.rig.head)
    click(qtbot, stages.choose_rig)
    idle()
    window.dialog.speed.setText("0")
    click(qtbot, window.dialog.go)
    assert window.banner.isVisible()

    click(qtbot, stages.lay.head)
    click(qtbot, stages.take_picture)
    idle()
    assert "Found" in stages.lay.state.text()
    assert window.plate.layers["picture"].shown
    assert stages.plan.body.isVisible()
    stages.spacing.setText("29,5")
    click(qtbot, stages.show_plan)
    idle()
    assert stages.plan.state.text() == f"{len(window.desk.planned.plan.taps)} taps."

    begin_scan(qtbot, window, speed=0.0, spacing="29,5")
    idle()
    seen = overview(folder)
    assert seen.scans[0].spacing_mm == 29.5
    assert seen.scans[0].state == "finished"
    assert window.layer_buttons["live"].isChecked()
    assert "finished" in window.run_bar.what.text()

    press(qtbot, window, Qt.Key_M, Qt.ControlModifier)
    idle()
    assert window.desk.map is not None
    assert window.layer_buttons["zones"].isChecked()
    assert "Work order" in window.findings.toPlainText()
    window.grab().save(str(tmp_path / "map.png"))

    tones = window.desk.map.made.tone_map
    middle = tones.places[len(tones.places) // 2]
    move = QMouseEvent(QEvent.MouseMove, QPointF(plate_point(window, tuple(middle))), Qt.NoButton,
                       Qt.NoButton, Qt.NoModifier)  # fmt: skip
    QApplication.sendEvent(window.plate.viewport(), move)
    assert "cents" in window.legend.note

    spot = window.desk.map.made.work_order.starting_spot_mm
    assert spot is not None
    stroke(qtbot, window, spot, (spot[0] - 30.0, spot[1] + 40.0))
    idle()
    put = window.desk.map.made.start_mm
    assert put is not None
    assert put == pytest.approx((spot[0] - 30.0, spot[1] + 40.0), abs=1.5)
    assert "Put here by hand" in window.findings.toPlainText()
    press(qtbot, window, Qt.Key_Z, Qt.ControlModifier)
    idle()
    assert window.desk.map.made.start_mm is None
    stroke(qtbot, window, spot, (spot[0] - 400.0, spot[1]))
    idle()
    assert "not on the wood" in stages.read.problem.text()
    assert window.desk.map.made.work_order.starting_spot_mm == spot

    tap = seen.taps[7]
    box = window.plate.getPlotItem().getViewBox()
    at = window.plate.mapFromScene(box.mapViewToScene(QPointF(tap.x_mm, tap.y_mm)))
    qtbot.mouseClick(window.plate.viewport(), Qt.LeftButton, pos=at)
    idle()
    assert window.plate.chosen == tap.tap
    assert "Attack" in window.spot.readings.toPlainText()
    number = window.spot.number.text()
    assert number
    press(qtbot, window, Qt.Key_F9)
    assert not window.stages.isVisible()
    assert window.plate.number.text() == number
    press(qtbot, window, Qt.Key_F9)
    assert window.spot.isVisible()
    assert not window.plate.number.isVisible()

    click(qtbot, window.spot.out)
    idle()
    assert overview(folder).taps[tap.tap].state == "bad"
    assert "Left out by hand" in window.spot.readings.toPlainText()
    press(qtbot, window, Qt.Key_Z, Qt.ControlModifier)
    idle()
    assert overview(folder).taps[tap.tap].state == tap.state
    click(qtbot, window.spot.again)
    idle()
    assert overview(folder).unfinished == "S0001"
    click(qtbot, window.spot.again)
    idle()
    assert overview(folder).unfinished is None

    press(qtbot, window, Qt.Key_P, Qt.ControlModifier)
    name = window.dialog.findChild(QLineEdit)
    name.setText(str(tmp_path / "out.pdf"))
    window.dialog.accept()
    idle()
    assert (tmp_path / "out.pdf").read_bytes().startswith(b"%PDF")
    assert "Written" in stages.record.state.text()
