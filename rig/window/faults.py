"""What happens when something unforeseen happens: the rig is made safe, a bundle is kept."""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

from PyQt5.QtCore import QObject, pyqtSignal
from PyQt5.QtWidgets import QMessageBox, QWidget

from rig.window.words import tr

log = logging.getLogger(__name__)


class Faults(QObject):
    """Catches what nobody else has caught, in any thread; PyQt would end the process otherwise."""

    caught = pyqtSignal(object)

    def __init__(
        self, parent: QWidget, stop_safely: Callable[[], None], rig_file: Callable[[], Path | None]
    ) -> None:
        super().__init__(parent)
        self._window = parent
        self._stop_safely = stop_safely
        self._rig_file = rig_file
        self.bundle: Path | None = None
        self.box: QMessageBox | None = None
        self.caught.connect(self.handle)

    def install(self) -> None:
        """Take over the hooks for exceptions."""
        sys.excepthook = self._hook
        threading.excepthook = lambda args: self._thread_hook(args)

    def _hook(
        self, kind: type[BaseException], problem: BaseException, trace: TracebackType | None
    ) -> None:
        del kind, trace
        self.caught.emit(problem)

    def _thread_hook(self, args: Any) -> None:
        if args.exc_value is not None:
            self.caught.emit(args.exc_value)

    def handle(self, problem: BaseException) -> None:
        """Stop the scan at the next tap, keep a bundle, say so. In the window's thread."""
        from rig.jobs.fault_bundle import fault_bundle

        self._stop_safely()
        log.error("unforeseen", exc_info=problem)
        self.bundle = fault_bundle(problem, self._rig_file())
        if self.box is not None and self.box.isVisible():
            return  # one at a time: a fault in a redraw comes again and again
        kept = (
            tr("The details were written to {0}.", self.bundle)
            if self.bundle
            else tr("The details could not be written to a file.")
        )
        box = QMessageBox(self._window)
        box.setIcon(QMessageBox.Warning)
        box.setWindowTitle(tr("Something went wrong"))
        box.setText(
            tr(
                "Something went wrong inside platerig. What was stored before is kept; "
                "a running scan finishes its tap and parks."
            )
        )
        box.setInformativeText(
            f"{type(problem).__name__}: {problem}\n\n{kept} "
            + tr("Please send them to the makers of platerig.")
        )
        box.setStandardButtons(QMessageBox.Close)
        self.box = box
        box.open()
