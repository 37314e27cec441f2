"""What hands do at the window."""

from __future__ import annotations

from PyQt5.QtCore import QEvent, QPoint, QPointF, Qt
from PyQt5.QtGui import QMouseEvent
from PyQt5.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from rig.window.main_window import MainWindow
from rig.window.settings import RigChoice

WORLD = "maple-graded"


def click(qtbot: QtBot, button: object) -> None:
    """Press a button as a hand would; it has to be there and enabled."""
    assert button.isVisible()  # type: ignore[attr-defined]
    assert button.isEnabled()  # type: ignore[attr-defined]
    qtbot.mouseClick(button, Qt.LeftButton)


def begin_scan(qtbot: QtBot, window: MainWindow, speed: float, spacing: str = "30") -> None:
    """On an open folder: the virtual rig, and hands are clear."""
    window.desk.use_rig(RigChoice(world=WORLD, speed=speed))
    window.stages.open_card(window.stages.plan)
    window.stages.spacing.setText(spacing)
    window.go_to(window.stages.scan)
    click(qtbot, window.stages.start_scan)
    click(qtbot, window.dialog.go)
    assert window.desk.run is not None


def press(qtbot: QtBot, window: MainWindow, key: int, modifier: int = Qt.NoModifier) -> None:
    """Press a key in the window, which has to be in front for its shortcuts to work."""
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=5000)
    qtbot.keyClick(window, key, modifier)


def plate_point(window: MainWindow, at: object) -> QPoint:
    """Where a place of the plate (x_mm, y_mm), or a tap, lies in the plate's widget."""
    x, y = at if isinstance(at, tuple) else (at.x_mm, at.y_mm)  # type: ignore[attr-defined]
    box = window.plate.getPlotItem().getViewBox()
    return window.plate.mapFromScene(box.mapViewToScene(QPointF(x, y)))


def stroke(
    qtbot: QtBot, window: MainWindow, start: tuple[float, float], end: tuple[float, float],
    modifier: int = Qt.NoModifier,
) -> None:  # fmt: skip
    """Draw with the left button from one place of the plate to another, in mm."""
    view = window.plate.viewport()
    first, last = plate_point(window, start), plate_point(window, end)

    def send(kind: QEvent.Type, at: QPoint, button: int, buttons: int) -> None:
        event = QMouseEvent(kind, QPointF(at), QPointF(view.mapToGlobal(at)), button, buttons,
                            modifier)  # fmt: skip
        QApplication.sendEvent(view, event)

    send(QEvent.MouseButtonPress, first, Qt.LeftButton, Qt.LeftButton)
    for step in range(1, 9):
        send(QEvent.MouseMove, first + (last - first) * step / 8, Qt.NoButton, Qt.LeftButton)
        qtbot.wait(15)  # the scene takes a few moves a second at most
    send(QEvent.MouseButtonRelease, last, Qt.LeftButton, Qt.NoButton)
