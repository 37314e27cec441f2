"""What hands do at the window."""

from __future__ import annotations

from functools import cache

from PyQt5.QtCore import QEvent, QPoint, QPointF, Qt
from PyQt5.QtGui import QMouseEvent
from PyQt5.QtWidgets import QApplication, QLineEdit, QWidget
from pytestqt.qtbot import QtBot
from real_hands import RealHands

from rig.window.main_window import MainWindow
from rig.window.settings import RigChoice

WORLD = "maple-graded"


@cache
def real() -> RealHands | None:
    """Hands at a real X server; None on a platform without one."""
    return RealHands() if QApplication.platformName() == "xcb" else None


def click(qtbot: QtBot, button: QWidget) -> None:
    """Press a button as a hand would; it has to be there and enabled."""
    assert button.isVisible()
    assert button.isEnabled()
    hands = real()
    if hands is None:
        qtbot.mouseClick(button, Qt.LeftButton)
        return
    qtbot.wait(60)  # what was opened just now comes to lie where it stays
    at = button.visibleRegion().boundingRect().center()
    assert not button.visibleRegion().isEmpty()
    pressed: list[bool] = []
    button.clicked.connect(lambda *_: pressed.append(True))  # type: ignore[attr-defined]
    hands.click(button.mapToGlobal(at))
    qtbot.waitUntil(lambda: bool(pressed), timeout=5000)


def click_plate(qtbot: QtBot, window: MainWindow, at: object) -> None:
    """Click on a place of the plate, or on a tap."""
    place = plate_point(window, at)
    hands = real()
    if hands is None:
        qtbot.mouseClick(window.plate.viewport(), Qt.LeftButton, pos=place)
    else:
        hands.click(window.plate.viewport().mapToGlobal(place))
        qtbot.wait(50)


def write(qtbot: QtBot, field: QLineEdit, text: str) -> None:
    """Put the keyboard into a field and type over what stands there."""
    hands = real()
    if hands is None:
        field.setFocus()
        field.selectAll()
        qtbot.keyClicks(field, text)
        return
    field.window().activateWindow()
    qtbot.waitUntil(field.window().isActiveWindow, timeout=5000)
    hands.click(field.mapToGlobal(field.visibleRegion().boundingRect().center()))
    qtbot.waitUntil(field.hasFocus, timeout=5000)
    hands.press(Qt.Key_A, Qt.ControlModifier)
    hands.write(text)
    qtbot.waitUntil(lambda: field.text() == text, timeout=5000)


def begin_scan(qtbot: QtBot, window: MainWindow, speed: float, spacing: str = "30") -> None:
    """On an open folder: the virtual rig, and hands are clear."""
    window.desk.use_rig(RigChoice(world=WORLD, speed=speed))
    window.stages.open_card(window.stages.plan)
    write(qtbot, window.stages.spacing, spacing)
    window.go_to(window.stages.scan)
    click(qtbot, window.stages.start_scan)
    click(qtbot, window.dialog.go)
    assert window.desk.run is not None


def press(qtbot: QtBot, window: MainWindow, key: int, modifier: int = Qt.NoModifier) -> None:
    """Press a key in the window, which has to be in front for its shortcuts to work."""
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=5000)
    hands = real()
    if hands is None:
        qtbot.keyClick(window, key, modifier)
    else:
        hands.press(key, modifier)
        qtbot.wait(100)


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

    hands = real()
    if hands is not None:
        assert modifier == Qt.NoModifier
        hands.move(view.mapToGlobal(first))
        hands.button(True)
        for step in range(1, 9):
            hands.move(view.mapToGlobal(first + (last - first) * step / 8))
            qtbot.wait(15)
        hands.button(False)
        qtbot.wait(50)
        return

    def send(kind: QEvent.Type, at: QPoint, button: int, buttons: int) -> None:
        event = QMouseEvent(kind, QPointF(at), QPointF(view.mapToGlobal(at)), button, buttons,
                            modifier)  # fmt: skip
        QApplication.sendEvent(view, event)

    send(QEvent.MouseButtonPress, first, Qt.LeftButton, Qt.LeftButton)
    for step in range(1, 9):
        send(QEvent.MouseMove, first + (last - first) * step / 8, Qt.NoButton, Qt.LeftButton)
        qtbot.wait(15)  # the scene takes a few moves a second at most
    send(QEvent.MouseButtonRelease, last, Qt.LeftButton, Qt.NoButton)
