"""The questions the window asks. None of them stops the window from running."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PyQt5.QtCore import QSize, Qt
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

from rig.window.number_fields import NumberFields
from rig.window.settings import FIRST_WORLD, RigChoice
from rig.window.theme import type_scale
from rig.window.words import LANGUAGES, decimal, number, tr

if TYPE_CHECKING:
    from collections.abc import Sequence


class Question(QDialog):
    """A dialog with a form, a place for what is wrong, and two buttons."""

    def __init__(self, parent: QWidget, title: str, go: str, back: str) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setMinimumWidth(round(460 * type_scale()))
        form = QWidget()
        self.form = QFormLayout(form)
        self.form.setContentsMargins(0, 0, 0, 0)
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
        box.addWidget(self.wrap(form), 1)
        box.addWidget(self.problem)
        box.addWidget(buttons)

    def wrap(self, form: QWidget) -> QWidget:
        """What the form is put into; itself, where it is not long."""
        return form

    def say(self, text: str) -> None:
        """What is wrong."""
        self.problem.setText(text)
        self.problem.show()

    def try_it(self) -> None:
        """Overridden where there is something to check."""
        self.accept()


class HandsClear(Question):
    """Before anything moves; the careful answer is the one that Return gives."""

    def __init__(self, parent: QWidget, simulated: bool, *, jog: bool = False) -> None:
        go = tr("Hands are clear: home") if jog else tr("Hands are clear: start")
        super().__init__(parent, tr("Before the rig moves"), go, tr("Not yet"))
        self.setWindowModality(Qt.WindowModal)
        text = QLabel(tr("Are all hands, hair and sleeves clear of the bed?"))
        text.setObjectName("big")
        text.setWordWrap(True)
        self.form.addRow(text)
        halt = tr("HALT: the red button, Esc or the space bar.")
        moves = tr("The gantry homes now.") if jog else tr("The gantry homes first, then taps.")
        more = QLabel(
            tr("SIMULATED: nothing moves here, but at the rig this is the moment to look.")
            if simulated
            else f"{moves} {halt}"
        )
        more.setWordWrap(True)
        self.form.addRow(more)
        self.go.setAutoDefault(False)
        self.back.setDefault(True)
        self.back.setFocus()


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
        self.file = QLineEdit(rig.rig_file or "")
        self.browse = QPushButton("…")
        self.browse.setAccessibleName(tr("Choose the rig file"))
        self.browse.clicked.connect(self._browse)
        row = QHBoxLayout()
        row.addWidget(self.file, 1)
        row.addWidget(self.browse)
        self.form.addRow(tr("Rig"), self.kind)
        self.form.addRow(tr("World"), self.world)
        self.fields = NumberFields(self.form)
        self.speed = self.fields.add(
            tr("Speed (1 real time, 0 fastest)"), decimal(f"{rig.speed:g}")
        )
        self.form.addRow(tr("Rig file"), row)
        self.form.addRow(self.fields.watch(self.file))
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
            if not self.fields.read(self.speed, 0, 1000)[0]:
                return
        elif not Path(self.file.text()).is_file():
            self.fields.complain(self.file, tr("There is no file “{0}”.", self.file.text()))
            return
        self.accept()

    def choice(self) -> RigChoice:
        """What was chosen."""
        if self.kind.currentData() == "world":
            speed = number(self.speed.text(), 0, 1000)
            return RigChoice(world=self.world.currentText(), seed=self._seed, speed=speed or 0.0)
        return RigChoice(rig_file=self.file.text())


class ChooseLanguage(Question):
    """The system's language or another one."""

    def __init__(self, parent: QWidget, language: str | None) -> None:
        super().__init__(parent, tr("Language"), tr("Use this language"), tr("Cancel"))
        self.box = QComboBox()
        self.box.addItem(tr("As the system"), None)
        for code, name in LANGUAGES.items():
            self.box.addItem(name, code)
        self.box.setCurrentIndex(max(0, self.box.findData(language)))
        self.form.addRow(tr("Language"), self.box)
        more = QLabel(tr("The window opens anew with the plate that lies on the bench."))
        more.setWordWrap(True)
        self.form.addRow(more)


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
        size = QSize(round(600 * type_scale()), round(640 * type_scale()))
        self.resize(size.boundedTo(0.9 * parent.size()))
