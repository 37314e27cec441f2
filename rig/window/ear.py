"""Ear training in a thread of its own: it plays, waits for the buttons, and keeps every answer."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import QObject, pyqtSignal
from PyQt5.QtWidgets import QFileDialog

from rig.window.words import tr

if TYPE_CHECKING:
    from rig.jobs.ear_training import Question, Training
    from rig.jobs.listening import Heard
    from rig.model.ear import Side
    from rig.window.main_window import MainWindow

JOB = "ear_training.train"
_AGAIN, _STOP = "again", "stop"


class Session(QObject):
    """One session: the thread of the job asks, the thread of the window answers."""

    asked = pyqtSignal(int)
    told = pyqtSignal(object)

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._changed = threading.Condition()
        self._said: str | None = None
        self._over = False

    def answer(self, said: str) -> None:
        """first, second, again; the sound ends at once."""
        with self._changed:
            self._said = said
            self._changed.notify_all()

    def stop(self) -> None:
        """No further question."""
        self._over = True
        self.answer(_STOP)

    def ask(self, number: int, heard: Heard) -> Side | None:
        """Called in the job's thread."""
        from rig.jobs.listening import play

        self._said = _STOP if self._over else None
        self.asked.emit(number)
        while True:
            if self._said is None:
                play(heard, stopped=lambda: self._said is not None)
            with self._changed:
                self._changed.wait_for(lambda: self._said is not None)
                said, self._said = self._said, None
            if said == _STOP or self._over:
                return None
            if said != _AGAIN:
                return "first" if said == "first" else "second"

    def tell(self, question: Question) -> None:
        """Called in the job's thread, after each answer."""
        self.told.emit(question)


class EarTraining(QObject):
    """Between the panel and the job."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self._window = window
        self._panel = window.ear_panel
        self.session: Session | None = None
        self._panel.begin_wanted.connect(self.begin)
        self._panel.answered.connect(self.answer)
        self._panel.again_wanted.connect(lambda: self.answer(_AGAIN))
        self._panel.stop_wanted.connect(self.stop)
        self._panel.sheet_wanted.connect(self.ask_sheet)
        window.desk.workers.ended.connect(self._ended)

    def begin(self, options: dict[str, Any]) -> None:
        """Ask about the scan that is shown."""
        window, desk = self._window, self._window.desk
        seen = desk.seen
        if seen is None or seen.scan is None:
            self._panel.say(tr("Open a plate with a scan first: its taps are what is asked about."))
            return
        if window.may_move:
            self._panel.say(tr("The rig is in use; train the ear when it is at rest."))
            return
        window.listening.stop()
        self.session = session = Session(self)
        trials = options["trials"]
        session.asked.connect(lambda number: self._panel.ask(number, trials))
        session.told.connect(self._panel.tell)
        self._panel.verdict.setText("")

        def done(made: Training) -> None:
            self._panel.show_training(made)
            desk.do("ear", "ear_training.ear_progress", self._panel.show_progress)

        self._panel.show_running(True)
        desk.do("ear", JOB, done, folder=desk.folder, scan=seen.scan, ask=session.ask,
                tell=session.tell, now=lambda: f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
                **options)  # fmt: skip

    def answer(self, said: str) -> None:
        """One of the two, or both again."""
        if self.session is not None and self._panel.first.isEnabled():
            if said != _AGAIN:
                self._panel.show_waiting(False)
            self.session.answer(said)

    def stop(self) -> None:
        """No further question; what was answered is kept."""
        if self.session is not None:
            self.session.stop()

    def ask_sheet(self) -> None:
        """Where the class is to be drawn."""
        dialog = QFileDialog(self._window, tr("The class on one sheet"), "ears.pdf",
                             tr("Sheets (*.pdf *.png *.svg)"))  # fmt: skip
        dialog.setAcceptMode(QFileDialog.AcceptSave)
        dialog.setOption(QFileDialog.DontUseNativeDialog)
        dialog.setDefaultSuffix("pdf")
        dialog.selectFile("ears.pdf")
        dialog.fileSelected.connect(lambda chosen: self.write_sheet(Path(chosen)))
        self._window.ask(dialog)

    def write_sheet(self, picture: Path) -> None:
        """Draw the class, and show its table."""
        self._window.desk.do("ear", "ear_training.ear_progress", self._panel.show_progress,
                             picture=picture)  # fmt: skip

    def _ended(self, name: str) -> None:
        if name == JOB and self.session is not None:
            self.session.deleteLater()
            self.session = None
            self._panel.show_running(False)
