"""What stands in the middle while no plate is open."""

from __future__ import annotations

from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import QLabel, QPushButton, QVBoxLayout, QWidget

from rig.window.words import tr


class Welcome(QWidget):
    """Three ways to begin."""

    def __init__(self) -> None:
        super().__init__()
        title = QLabel(tr("Which plate is on the bench?"))
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
        self.try_virtual = QPushButton(tr("Try it on the virtual rig"))
        self.try_virtual.setProperty("main", "true")
        self.new = QPushButton(tr("New plate…"))
        self.open = QPushButton(tr("Open a plate folder…"))
        self.devices = QPushButton(tr("What is plugged in?"))
        self.problem = QLabel()
        self.problem.setObjectName("problem")
        self.problem.setWordWrap(True)
        box = QVBoxLayout(self)
        box.setContentsMargins(40, 20, 40, 20)
        box.addStretch(2)
        for widget in (title, more, self.try_virtual, self.new, self.open, self.devices,
                       self.problem):  # fmt: skip
            box.addWidget(widget)
        box.addStretch(3)
        for label in (title, more):
            label.setAlignment(Qt.AlignLeft)

    def say(self, text: str) -> None:
        """What went wrong on the way in."""
        self.problem.setText(text)
