"""What hands do at the window."""

from __future__ import annotations

from PyQt5.QtCore import Qt
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
