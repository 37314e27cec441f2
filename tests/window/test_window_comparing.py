"""Two scans together: the line between before and after, side by side, one cursor on both."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hands import click, plate_point, press, stroke
from PyQt5.QtCore import QEvent, QPointF, Qt
from PyQt5.QtGui import QMouseEvent
from PyQt5.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from rig.field import Surface
from rig.jobs.drawn import DrawnPair, coloured, drawn_pair
from rig.window.main_window import MainWindow


def _surface(slope: float) -> Surface:
    """Cents that rise from left to right, by `slope` a millimetre."""
    x, y = np.arange(-100.0, 101.0), np.arange(0.0, 351.0)
    cents = np.tile(slope * x, (len(y), 1))
    return Surface(x, y, cents, np.ones_like(cents))


@pytest.fixture
def pair() -> DrawnPair:
    surfaces = _surface(1.0), _surface(-0.5)
    fields = tuple(coloured(one, (100.0, 25.0)) for one in surfaces)
    return DrawnPair("S0001", "S0002", (fields[0], fields[1]), surfaces)


def test_both_maps_in_the_colours_of_the_wider_one(scanned: Path) -> None:
    made = drawn_pair(scanned, "S0001", "S0001", "attack")
    assert made.fields[0].reach_cents == made.fields[1].reach_cents
    before, after = made.at(0.0, 100.0)
    assert before is not None
    assert before == after
    assert made.at(500.0, 100.0) == (None, None)


def test_values_at_a_place(pair: DrawnPair) -> None:
    assert pair.at(40.2, 10.0) == (40.0, -20.0)


def test_line_and_two_plates_by_hand(
    qtbot: QtBot, window: MainWindow, idle: object, scanned: Path, pair: DrawnPair
) -> None:
    assert callable(idle)
    window.desk.open_folder(scanned)
    idle()
    press(qtbot, window, Qt.Key_D)
    assert "Show the change of two scans first" in window.stages.compare.problem.text()
    window.desk.pair_made.emit(pair)  # of a comparison that is no longer wanted
    assert window.comparing.pair is None

    window.comparing.take(pair)
    press(qtbot, window, Qt.Key_4)
    assert window.plate.layers["wipe"].shown
    assert window.comparing.line_mm == pytest.approx(0.0, abs=1.0)
    stroke(qtbot, window, (0.0, 150.0), (-40.0, 160.0))
    assert window.comparing.line_mm == pytest.approx(-40.0, abs=1.5)
    alpha = [item.image[0, :, 3] for item in window.comparing.images]
    assert np.all((alpha[0] > 0) != (alpha[1] > 0))  # each column shows one of the two
    assert np.count_nonzero(alpha[0]) == pytest.approx(60, abs=2)
    press(qtbot, window, Qt.Key_Right, Qt.ControlModifier)
    assert window.comparing.line_mm == pytest.approx(-30.0, abs=1.5)
    x_range = window.plate.getPlotItem().getViewBox().viewRange()[0]
    stroke(qtbot, window, (60.0, 150.0), (40.0, 150.0))  # beside the line: the plate moves
    assert window.comparing.line_mm == pytest.approx(-30.0, abs=1.5)
    assert window.plate.getPlotItem().getViewBox().viewRange()[0] != x_range

    press(qtbot, window, Qt.Key_D)
    assert window.second.isVisible()
    assert (window.second.name.text(), window.plate.name.text()) == ("S0001", "S0002")
    tap = window.desk.seen.taps[5]
    window.plate.choose(tap.tap)
    idle()
    assert window.second.chosen == tap.tap
    other = window.desk.seen.taps[9]
    at = plate_point(window, (0.0, 170.0))
    view = window.second.viewport()
    place = QPointF(window.second.mapFromScene(window.second.getPlotItem().getViewBox()
                    .mapViewToScene(QPointF(other.x_mm, other.y_mm))))  # fmt: skip
    qtbot.mouseClick(view, Qt.LeftButton, pos=place.toPoint())
    assert window.plate.chosen == other.tap
    move = QMouseEvent(QEvent.MouseMove, QPointF(at), Qt.NoButton, Qt.NoButton, Qt.NoModifier)
    QApplication.sendEvent(window.plate.viewport(), move)
    assert "difference" in window.legend.note
    values = [line.value() for line in window.comparing.crosses[0]]
    assert values == pytest.approx([170.0, 0.0], abs=1.5)
    window.plate.zoom(0.5)
    ranges = [p.getPlotItem().getViewBox().viewRange()[1] for p in (window.plate, window.second)]
    assert ranges[0] == pytest.approx(ranges[1], abs=2.0)
    click(qtbot, window.layer_buttons["taps"])
    press(qtbot, window, Qt.Key_D)
    assert not window.second.isVisible()
