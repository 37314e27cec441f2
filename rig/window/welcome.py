"""What stands in the middle while no plate is open."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import QLabel, QPushButton, QVBoxLayout, QWidget

from rig.window.plugged import in_short
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.jobs.devices import DeviceList


class Welcome(QWidget):
    """Ways to begin."""

    def __init__(self) -> None:
        super().__init__()
        self.title = title = QLabel(tr("Which plate is on the bench?"))
        title.setObjectName("title")
        title.setWordWrap(True)
        more = QLabel(
            tr(
                "Drop a plate folder or a folder of recordings here, or choose below. Without "
                "hardware the virtual rig does the whole job; all that comes of it is marked "
                "SIMULATED."
            )
        )
        more.setWordWrap(True)
        self.tour = QPushButton(tr("Tour of three minutes, on a practice plate"))
        self.try_virtual = QPushButton(tr("Try it on the virtual rig"))
        self.try_virtual.setProperty("main", "true")
        self.new = QPushButton(tr("New plate…"))
        self.open = QPushButton(tr("Open a plate folder…"))
        self.devices = QPushButton(tr("What is plugged in?"))
        self.found = QLabel()
        self.found.setObjectName("faint")
        self.problem = QLabel()
        self.problem.setObjectName("problem")
        self.problem.setWordWrap(True)
        box = QVBoxLayout(self)
        box.setContentsMargins(40, 20, 40, 20)
        box.addStretch(2)
        for widget in (title, more, self.try_virtual, self.tour, self.new, self.open, self.devices,
                       self.found, self.problem):  # fmt: skip
            box.addWidget(widget)
        box.addStretch(3)
        for label in (title, more, self.found):
            label.setAlignment(Qt.AlignLeft)
            label.setWordWrap(True)
        self.found.hide()

    def first_time(self) -> None:
        """Nobody has been here before: the tour is the first thing that is offered."""
        self.title.setText(tr("Welcome. Three minutes show the whole job."))
        for button, main in ((self.tour, "true"), (self.try_virtual, "false")):
            button.setProperty("main", main)

    def show_found(self, found: DeviceList) -> None:
        """What is plugged in, and what can be done with it."""
        self.found.setText(in_short(found))
        self.found.show()

    def say(self, text: str) -> None:
        """What went wrong on the way in."""
        self.problem.setText(text)
