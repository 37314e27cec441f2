"""The whole job by mouse and keyboard, from a new plate to the report.

Run by `test_window_job.py` at an X server of its own, where every click, stroke and key comes from
the server. The steps of the tour are held against it. Pictures of the screen are left in
PLATERIG_ARTEFACTS.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hands import begin_scan, click, click_plate, plate_point, press, real, stroke, write
from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import QApplication, QLineEdit
from pytestqt.qtbot import QtBot

from rig.jobs.overview import overview
from rig.window.main_window import MainWindow


def shot(window: MainWindow, name: str) -> None:
    """Leave a picture of the whole screen."""
    QApplication.processEvents()
    picture = QApplication.primaryScreen().grabWindow(0)
    assert picture.save(str(Path(os.environ["PLATERIG_ARTEFACTS"]) / f"{name}.png"))
    assert window.isVisible()


def test_from_a_new_plate_to_the_report(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path
) -> None:
    assert callable(idle)
    assert QApplication.platformName() == "xcb"
    stages, tour = window.stages, window.tour.steps
    click(qtbot, window.welcome.new)
    dialog = window.dialog
    write(qtbot, dialog.name, "ash tree")
    dialog.directory.setText(str(tmp_path))
    write(qtbot, dialog.mass, "98,5")
    shot(window, "1-new-plate")
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
    write(qtbot, window.dialog.speed, "0")
    click(qtbot, window.dialog.go)
    assert window.banner.isVisible()

    click(qtbot, stages.lay.head)
    click(qtbot, stages.take_picture)
    idle()
    assert "Found" in stages.lay.state.text()
    assert window.plate.layers["picture"].shown
    assert stages.plan.body.isVisible()
    assert tour[1].done()
    shot(window, "2-found")
    write(qtbot, stages.spacing, "29,5")
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
    assert tour[2].done()
    shot(window, "3-scanned")

    press(qtbot, window, Qt.Key_M, Qt.ControlModifier)
    idle()
    assert window.desk.map is not None
    assert window.layer_buttons["zones"].isChecked()
    assert "Work order" in window.findings.toPlainText()
    assert tour[3].done()
    shot(window, "4-map-and-zones")

    tones = window.desk.map.made.tone_map
    middle = tones.places[len(tones.places) // 2]
    hands = real()
    assert hands is not None
    hands.move(window.plate.viewport().mapToGlobal(plate_point(window, tuple(middle))))
    qtbot.waitUntil(lambda: "cents" in window.legend.note, timeout=5000)

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
    click_plate(qtbot, window, tap)
    qtbot.waitUntil(lambda: window.plate.chosen == tap.tap, timeout=5000)
    idle()
    assert tour[4].done()
    assert "Attack" in window.spot.readings.toPlainText()
    shot(window, "5-spot")
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

    begin_scan(qtbot, window, speed=0.0, spacing="29,5")
    idle()
    assert [one.state for one in overview(folder).scans] == ["finished", "finished"]
    assert tour[6].done()
    click(qtbot, stages.compare.head)
    click(qtbot, stages.make_change)
    idle()
    assert window.desk.change is not None
    found = window.desk.change.made.comparison
    assert (found.before, found.after) == ("S0001", "S0002")
    assert window.layer_buttons["change"].isChecked()
    assert tour[7].done()
    shot(window, "6-change")
    press(qtbot, window, Qt.Key_4)
    assert window.layer_buttons["wipe"].isChecked()
    low, _, wide, _ = window.comparing.pair.fields[1].box_mm
    line = window.comparing.line_mm
    stroke(qtbot, window, (line, 60.0), (low + 0.8 * wide, 60.0))
    assert window.comparing.line_mm > line + 10.0
    shot(window, "7-before-and-after")

    press(qtbot, window, Qt.Key_P, Qt.ControlModifier)
    name = window.dialog.findChild(QLineEdit)
    name.setText(str(tmp_path / "out.pdf"))
    window.dialog.accept()
    idle()
    assert (tmp_path / "out.pdf").read_bytes().startswith(b"%PDF")
    assert "Written" in stages.record.state.text()
    assert all(tour[n].done() for n in (0, 1, 2, 3, 6, 7, 8))
    shot(window, "8-report")
