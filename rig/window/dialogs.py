"""The questions the window asks. None of them stops the window from running."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from rig.window.settings import FIRST_WORLD, RigChoice
from rig.window.words import number, tr

if TYPE_CHECKING:
    from collections.abc import Sequence


class Question(QDialog):
    """A dialog with a form, a place for what is wrong, and two buttons."""

    def __init__(self, parent: QWidget, title: str, go: str, back: str) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setMinimumWidth(460)
        self.form = QFormLayout()
        self.problem = QLabel()
        self.problem.setObjectName("problem")
        self.problem.setWordWrap(True)
        self.problem.hide()
        buttons = QDialogButtonBox()
        self.go = buttons.addButton(go, QDialogButtonBox.AcceptRole)
        self.back = buttons.addButton(back, QDialogButtonBox.RejectRole)
        buttons.accepted.connect(self.try_it)
        buttons.rejected.connect(self.reject)
        box = QVBoxLayout(self)
        box.addLayout(self.form)
        box.addWidget(self.problem)
        box.addWidget(buttons)

    def say(self, text: str) -> None:
        """What is wrong."""
        self.problem.setText(text)
        self.problem.show()

    def try_it(self) -> None:
        """Overridden where there is something to check."""
        self.accept()


class HandsClear(Question):
    """Before anything moves; the careful answer is the one that Return gives."""

    def __init__(self, parent: QWidget, simulated: bool) -> None:
        super().__init__(parent, tr("Before the rig moves"), tr("Hands are clear: start"),
                         tr("Not yet"))  # fmt: skip
        self.setWindowModality(Qt.WindowModal)
        text = QLabel(tr("Are all hands, hair and sleeves clear of the bed?"))
        text.setObjectName("big")
        text.setWordWrap(True)
        self.form.addRow(text)
        more = QLabel(
            tr("SIMULATED: nothing moves here, but at the rig this is the moment to look.")
            if simulated
            else tr(
                "The gantry homes first, then taps. HALT: the red button, Esc or the space bar."
            )
        )
        more.setWordWrap(True)
        self.form.addRow(more)
        self.go.setAutoDefault(False)
        self.back.setDefault(True)
        self.back.setFocus()


class NewPlate(Question):
    """Name, place and what is known of a new plate."""

    def __init__(self, parent: QWidget, directory: Path) -> None:
        super().__init__(parent, tr("New plate"), tr("Make it"), tr("Cancel"))
        self.name = QLineEdit()
        self.directory = QLineEdit(str(directory))
        browse = QPushButton("…")
        browse.setAccessibleName(tr("Choose the place"))
        browse.clicked.connect(self._browse)
        place = QHBoxLayout()
        place.addWidget(self.directory, 1)
        place.addWidget(browse)
        self.wood = QComboBox()
        for text, value in ((tr("maple"), "maple"), (tr("spruce"), "spruce"),
                            (tr("unknown or other"), None)):  # fmt: skip
            self.wood.addItem(text, value)
        self.mass = QLineEdit()
        self.arching = QLineEdit()
        for field in (self.mass, self.arching):
            field.setPlaceholderText(tr("leave empty if unknown"))
        self.form.addRow(tr("Name"), self.name)
        self.form.addRow(tr("Place"), place)
        self.form.addRow(tr("Wood"), self.wood)
        self.form.addRow(tr("Mass, g"), self.mass)
        self.form.addRow(tr("Arching, mm"), self.arching)
        self.name.setFocus()

    def _browse(self) -> None:
        chosen = QFileDialog.getExistingDirectory(self, tr("Place"), self.directory.text())
        if chosen:
            self.directory.setText(chosen)

    def try_it(self) -> None:
        """Only with a name and with numbers that are numbers."""
        if not self.name.text().strip() or "/" in self.name.text():
            self.say(tr("The plate needs a name, without a slash in it."))
            self.name.setFocus()
            return
        for field, what, high in ((self.mass, tr("mass"), 5000.0),
                                  (self.arching, tr("arching"), 100.0)):  # fmt: skip
            if field.text().strip() and number(field.text(), 0.0, high) is None:
                self.say(tr("“{0}” is no {1} from 0 to {2:g}.").format(field.text(), what, high))
                field.setFocus()
                return
        self.accept()

    def options(self) -> dict[str, Any]:
        """What `new_plate` is to be told."""
        name = self.name.text().strip()

        def known(field: QLineEdit, high: float) -> float | None:
            return number(field.text(), 0.0, high) if field.text().strip() else None

        return {
            "folder": Path(self.directory.text()).expanduser() / f"{name}.plate",
            "name": name,
            "wood": self.wood.currentData(),
            "mass_g": known(self.mass, 5000.0),
            "arching_mm": known(self.arching, 100.0),
        }


class ChooseRig(Question):
    """A virtual world or a rig file."""

    def __init__(self, parent: QWidget, worlds: Sequence[str], rig: RigChoice) -> None:
        super().__init__(parent, tr("Choose the rig"), tr("Use this rig"), tr("Cancel"))
        self.kind = QComboBox()
        self.kind.addItem(tr("Virtual rig (SIMULATED)"), "world")
        self.kind.addItem(tr("Real rig, from its rig file"), "file")
        self.world = QComboBox()
        self.world.addItems(list(worlds))
        self.world.setCurrentText(rig.world or FIRST_WORLD)
        self.speed = QLineEdit(f"{rig.speed:g}")
        self.file = QLineEdit(rig.rig_file or "")
        self.browse = QPushButton("…")
        self.browse.setAccessibleName(tr("Choose the rig file"))
        self.browse.clicked.connect(self._browse)
        row = QHBoxLayout()
        row.addWidget(self.file, 1)
        row.addWidget(self.browse)
        self.form.addRow(tr("Rig"), self.kind)
        self.form.addRow(tr("World"), self.world)
        self.form.addRow(tr("Speed (1 real time, 0 fastest)"), self.speed)
        self.form.addRow(tr("Rig file"), row)
        self.kind.currentIndexChanged.connect(self._fit)
        self.kind.setCurrentIndex(1 if rig.rig_file else 0)
        self._seed = rig.seed
        self._fit()

    def _fit(self) -> None:
        virtual = self.kind.currentData() == "world"
        for widget, shown in ((self.world, virtual), (self.speed, virtual),
                              (self.file, not virtual), (self.browse, not virtual)):  # fmt: skip
            widget.setEnabled(shown)

    def _browse(self) -> None:
        chosen, _ = QFileDialog.getOpenFileName(self, tr("Rig file"), "", tr("Rig files (*.toml)"))
        if chosen:
            self.file.setText(chosen)

    def try_it(self) -> None:
        """A speed that is one, a file that is there."""
        if self.kind.currentData() == "world":
            if number(self.speed.text(), 0, 1000) is None:
                self.say(tr("“{0}” is no speed from 0 to 1000.").format(self.speed.text()))
                return
        elif not Path(self.file.text()).is_file():
            self.say(tr("There is no file “{0}”.").format(self.file.text()))
            return
        self.accept()

    def choice(self) -> RigChoice:
        """What was chosen."""
        if self.kind.currentData() == "world":
            speed = number(self.speed.text(), 0, 1000)
            return RigChoice(world=self.world.currentText(), seed=self._seed, speed=speed or 0.0)
        return RigChoice(rig_file=self.file.text())


class Sheet(QDialog):
    """A page to read: shortcuts, devices."""

    def __init__(self, parent: QWidget, title: str, text: str) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        page = QTextBrowser()
        page.setHtml(text)
        buttons = QDialogButtonBox(QDialogButtonBox.Close)
        buttons.rejected.connect(self.reject)
        box = QVBoxLayout(self)
        box.addWidget(page)
        box.addWidget(buttons)
        self.resize(560, 560)
