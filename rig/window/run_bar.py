"""The strip along the lower edge: what goes on, how long yet, the three stops."""

from __future__ import annotations

from PyQt5.QtCore import QDateTime, Qt, pyqtSignal
from PyQt5.QtWidgets import QFrame, QHBoxLayout, QLabel, QProgressBar, QPushButton, QVBoxLayout

from rig.window.words import duration, tr

_LONG = 56  # letters; longer sentences are read from nearby


class Running(QLabel):
    """What goes on: short enough, it is read from two metres."""

    def __init__(self) -> None:
        super().__init__()
        self.setMinimumWidth(80)
        self.setWordWrap(True)
        self.setObjectName("running")

    def setText(self, text: str) -> None:
        """Large where there is room for it."""
        name = "running" if len(text) <= _LONG else "problem"
        if name != self.objectName():
            self.setObjectName(name)
            self.style().unpolish(self)
            self.style().polish(self)
        super().setText(text)


class RunBar(QFrame):
    """HALT is always there, whatever else is."""

    halt_wanted = pyqtSignal()
    pause_wanted = pyqtSignal()
    stop_wanted = pyqtSignal()
    cancel_wanted = pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("bar")
        self.what = Running()
        self.bar = QProgressBar()
        self.bar.setTextVisible(False)
        self.pause = QPushButton(tr("Pause"))
        self.stop = QPushButton(tr("Stop"))
        self.cancel = QPushButton(tr("Cancel"))
        self.halt = QPushButton(tr("HALT"))
        self.halt.setObjectName("halt")
        self.halt.setToolTip(tr("Hammer off, motion off, now. Also Esc, and the space bar."))
        self.pause.setToolTip(tr("Finish this tap, then hold."))
        self.stop.setToolTip(tr("Finish this tap, park, keep everything."))
        for button, wanted in (
            (self.pause, self.pause_wanted), (self.stop, self.stop_wanted),
            (self.cancel, self.cancel_wanted), (self.halt, self.halt_wanted),
        ):  # fmt: skip
            button.clicked.connect(wanted)
        left = QVBoxLayout()
        left.addWidget(self.what)
        left.addWidget(self.bar)
        row = QHBoxLayout(self)
        row.setContentsMargins(10, 6, 10, 6)
        row.addLayout(left, 1)
        for button in (self.cancel, self.pause, self.stop, self.halt):
            row.addWidget(button, 0, Qt.AlignVCenter)
        self.idle()

    def idle(self, text: str = "") -> None:
        """Nothing runs."""
        self.what.setText(text or tr("Nothing is moving."))
        self.bar.setRange(0, 1)
        self.bar.setValue(0)
        self.cancel.hide()
        self.scanning(False)

    def scanning(self, moving: bool, paused: bool = False) -> None:
        """Whether the rig moves."""
        self.pause.setEnabled(moving)
        self.stop.setEnabled(moving)
        self.pause.setText(tr("Go on") if paused else tr("Pause"))

    def busy(self, text: str, done: int = 0, total: int = 0, *, cancel: bool = True) -> None:
        """A job runs; total 0: it cannot be told how far."""
        self.what.setText(text)
        self.bar.setRange(0, total)
        self.bar.setValue(done)
        self.cancel.setVisible(cancel)

    @staticmethod
    def remaining(seconds: float) -> str:
        """`3 min 05 s left, done at 14:32`."""
        clock = QDateTime.currentDateTime().addSecs(round(seconds)).toString("HH:mm")
        return tr("{0} left, done at {1}", duration(seconds), clock)
