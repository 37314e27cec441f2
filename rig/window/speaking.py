"""The choice of the language; the window opens anew in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PyQt5.QtCore import QTimer

from rig.window import dialogs
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.window.main_window import MainWindow


def ask_language(window: MainWindow) -> None:
    """Which language to speak."""
    if window.may_move:
        window.say("window", tr("The rig may move; choose the language when it is at rest."))
        return
    dialog = dialogs.ChooseLanguage(window, window.memory.language())
    dialog.accepted.connect(lambda: speak(window, dialog.box.currentData()))
    window.ask(dialog)


def speak(window: MainWindow, language: str | None) -> None:
    """Open anew in this language; None: the system's."""
    window.memory.keep_language(language)
    window.again = True
    QTimer.singleShot(0, window.close)
