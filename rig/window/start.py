"""Open the bench window and run it until it is closed."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any


def open_window(folder: Path | None = None) -> int:
    """Run the window, with a folder if one is given; returns the exit status.

    Raises DeviceError where there is no screen to open it on.
    """
    from PyQt5.QtCore import QCoreApplication, Qt
    from PyQt5.QtWidgets import QApplication

    from rig.window.screen import require_screen

    require_screen()
    sys.setswitchinterval(0.002)  # the window is drawn while other threads compute
    QCoreApplication.setAttribute(Qt.AA_EnableHighDpiScaling)
    application = QApplication.instance() or QApplication(["platerig"])
    application.setApplicationName("platerig")
    application.setStyle("Fusion")  # the same on every desktop
    from rig.window.main_window import MainWindow

    while True:
        window = MainWindow()
        words = _speak(application)
        window.faults.install()
        window.show()
        window.look_round()
        if folder is not None:
            window.desk.open_folder(folder)
        status = int(application.exec_())
        if not window.again:
            return status
        folder = window.desk.folder
        application.removeTranslator(words)


def _speak(application: Any) -> Any:
    """Qt's own words (Close, Cancel, folders) in the window's language."""
    from PyQt5.QtCore import QLibraryInfo, QTranslator

    from rig.window.words import language

    words = QTranslator(application)
    if words.load(f"qtbase_{language()}", QLibraryInfo.location(QLibraryInfo.TranslationsPath)):
        application.installTranslator(words)
    return words
