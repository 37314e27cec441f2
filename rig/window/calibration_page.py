"""The page of calibrations: how each stands, and one procedure at a time with all it needs."""

from __future__ import annotations

import html
from pathlib import Path
from typing import Any

from PyQt5.QtCore import Qt, QTimer, pyqtSignal
from PyQt5.QtWidgets import (
    QComboBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from rig.window.number_fields import NumberFields, in_a_row
from rig.window.procedures import Entry, Procedure, procedures
from rig.window.sketches import Sketch
from rig.window.words import decimal, tr


class CalibrationPage(QWidget):
    """Knows no rig; says what is to be run with which values."""

    run_wanted = pyqtSignal(str, object)  # kind, values by name
    more_wanted = pyqtSignal(str, object)  # name of a further button, values as far as they go
    back_wanted = pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        self.procedures = {one.kind: one for one in procedures()}
        self.kind = next(iter(self.procedures))
        self.standing: dict[str, tuple[bool, str]] = {}
        self._hint = ""
        self.list = QListWidget()
        self.list.setAccessibleName(tr("Calibrations"))
        self.list.addItems([one.title for one in self.procedures.values()])
        self.list.currentRowChanged.connect(self._chosen)
        self.back = QPushButton(tr("Back to the plate"))
        self.back.clicked.connect(lambda *_: self.back_wanted.emit())
        self.title, self.state, self.why = QLabel(), QLabel(), QLabel()
        self.title.setObjectName("big")
        self.state.setObjectName("faint")
        self.steps, self.problem, self.found = QLabel(), QLabel(), QLabel()
        self.problem.setObjectName("problem")
        for label in (self.title, self.state, self.why, self.steps, self.problem, self.found):
            label.setWordWrap(True)
            label.setTextInteractionFlags(Qt.TextSelectableByMouse)
        self.sketch = Sketch()
        self.buttons: dict[str, QPushButton] = {}
        self.fields: dict[str, QLineEdit | QComboBox] = {}
        self._files: dict[str, list[str]] = {}
        self.numbers: NumberFields | None = None
        self._kept: dict[str, str] = {}
        left = QVBoxLayout()
        left.addWidget(self.list, 1)
        left.addWidget(self.back)
        self._area = QScrollArea()
        self._area.setWidgetResizable(True)
        self._area.setFrameShape(QScrollArea.NoFrame)
        self._area.setHorizontalScrollBarPolicy(Qt.ScrollBarAlwaysOff)
        inside = QWidget()
        self._right = QVBoxLayout(inside)
        for widget in (self.title, self.state, self.why, self.sketch, self.steps):
            self._right.addWidget(widget)
        self._form = QWidget()
        self._right.addWidget(self._form)
        self._right.addWidget(self.problem)
        self._right.addWidget(self.found)
        self._right.addStretch(1)
        self._area.setWidget(inside)
        row = QHBoxLayout(self)
        row.addLayout(left, 1)
        row.addWidget(self._area, 3)
        self.list.setCurrentRow(0)

    @property
    def procedure(self) -> Procedure:
        """The one that is shown."""
        return self.procedures[self.kind]

    # --- what is shown -------------------------------------------------------------------------

    def _chosen(self, row: int) -> None:
        self._remember()
        self.kind = list(self.procedures)[max(0, row)]
        one = self.procedure
        self.title.setText(one.title)
        self.why.setText(one.why)
        lines = "".join(f"<li>{html.escape(step)}</li>" for step in one.steps)
        self.steps.setText(f"<ol style='margin-left:-16px'>{lines}</ol>")
        self.sketch.show_kind(one.kind)
        self.say("")
        self.found.setText("")
        self._show_state()
        self._build_form(one)
        self._area.verticalScrollBar().setValue(0)

    def _build_form(self, one: Procedure) -> None:
        """Fields and buttons anew, with what was typed before."""
        old, self._form = self._form, QWidget()
        form = QFormLayout(self._form)
        form.setContentsMargins(0, 0, 0, 0)
        form.setRowWrapPolicy(QFormLayout.WrapLongRows)
        self.numbers = NumberFields(form)
        self.fields, self.buttons = {}, {}
        for entry in one.entries:
            self._add(form, entry)
        for name, text in one.more:
            self._button(form, name, text)
            self.buttons[name].clicked.connect(
                lambda *_, name=name: self.more_wanted.emit(name, self.loose_values())
            )
        self._button(form, "go", one.go)
        self.buttons["go"].setProperty("main", "true")
        self.buttons["go"].clicked.connect(lambda *_: self._go())
        self._right.replaceWidget(old, self._form)
        old.hide()
        old.deleteLater()
        self._form.show()

    def _button(self, form: QFormLayout, name: str, text: str) -> None:
        self.buttons[name] = QPushButton(text)
        form.addRow(self.buttons[name])

    def _add(self, form: QFormLayout, entry: Entry) -> None:
        assert self.numbers is not None
        kept = self._kept.get(f"{self.kind}.{entry.name}", decimal(entry.default))
        if entry.kind == "choice":
            box = QComboBox()
            for text, value in entry.choices:
                box.addItem(text, value)
            box.setCurrentIndex(max(0, box.findData(kept)))
            box.setAccessibleName(entry.label)
            form.addRow(entry.label, box)
            self.fields[entry.name] = box
            return
        field = QLineEdit(kept)
        field.setAccessibleName(entry.label)
        if entry.optional:
            field.setPlaceholderText(tr("may stay empty"))
        self.fields[entry.name] = field
        row: QWidget = field
        if entry.kind in ("file", "files"):
            browse = QPushButton("…")
            browse.setAccessibleName(tr("Choose: {0}", entry.label))
            browse.clicked.connect(lambda *_: self._browse(entry, field))
            row = in_a_row(field, browse)
        form.addRow(entry.label, row)
        form.addRow(self.numbers.watch(field))

    def _browse(self, entry: Entry, field: QLineEdit) -> None:
        if entry.kind == "files":
            chosen = QFileDialog.getOpenFileNames(self, entry.label, "", entry.pattern)[0]
            if chosen:
                field.setText("; ".join(chosen))
        elif found := QFileDialog.getOpenFileName(self, entry.label, "", entry.pattern)[0]:
            field.setText(found)

    def show_standing(self, standing: dict[str, tuple[bool, str]], hint: str = "") -> None:
        """How each kind stands; hint: what is said of a kind that nothing is known of."""
        self.standing, self._hint = standing, hint
        for row, one in enumerate(self.procedures.values()):
            holds = standing.get(one.kind, (False, ""))[0]
            self.list.item(row).setText(f"{one.title}  ✓" if holds else one.title)
        self._show_state()

    def _show_state(self) -> None:
        self.state.setText(self.standing.get(self.kind, (False, self._hint))[1])

    def say(self, text: str) -> None:
        """What is wrong now, at this place."""
        self.problem.setText(text)
        self.problem.setVisible(bool(text))
        if text:
            self._show_below(self.problem)

    def show_found(self, lines: list[str]) -> None:
        """What a procedure has found."""
        self.found.setText("<br>".join(map(html.escape, lines)))
        self._show_below(self.found)

    def _show_below(self, label: QLabel) -> None:
        """Scroll to what has just been said, once it has its place."""
        self._area.widget().layout().activate()
        QTimer.singleShot(0, lambda: self._area.ensureWidgetVisible(label))

    # --- what was filled in ----------------------------------------------------------------------

    def _remember(self) -> None:
        for name, text in self.loose_values().items():
            self._kept[f"{self.kind}.{name}"] = str(text)

    def loose_values(self) -> dict[str, Any]:
        """What stands in the fields, unchecked."""
        return {
            name: field.currentData() if isinstance(field, QComboBox) else field.text().strip()
            for name, field in self.fields.items()
        }

    def _go(self) -> None:
        values = self.values()
        if values is not None:
            self.run_wanted.emit(self.kind, values)

    def values(self) -> dict[str, Any] | None:
        """The fields by name, files as paths; None where one cannot be used (it has been said)."""
        assert self.numbers is not None
        self.numbers.silence()
        values: dict[str, Any] = {}
        for entry in self.procedure.entries:
            field = self.fields[entry.name]
            if isinstance(field, QComboBox):
                values[entry.name] = field.currentData()
                continue
            text = field.text().strip()
            if entry.kind == "number":
                fine, value = self.numbers.read(
                    field, entry.low, entry.high, optional=entry.optional
                )
                if not fine:
                    return None
                values[entry.name] = value
            elif entry.kind == "text" or (entry.optional and not text):
                values[entry.name] = text or None
            else:
                found = self._paths(field, text)
                if found is None:
                    return None
                values[entry.name] = found if entry.kind == "files" else found[0]
        return values

    def _paths(self, field: QLineEdit, text: str) -> list[Path] | None:
        """The files that are named; None, said below the field, where one is not there."""
        assert self.numbers is not None
        paths = [Path(part.strip()).expanduser() for part in text.split(";") if part.strip()]
        if not paths:
            self.numbers.complain(field, tr("Choose a file: {0}.", field.accessibleName()))
            return None
        for path in paths:
            if not path.is_file():
                self.numbers.complain(field, tr("There is no file “{0}”.", path))
                return None
        return paths
