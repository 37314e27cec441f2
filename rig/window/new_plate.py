"""The question for a new plate: name, place, and whatever is known of wood, arch and bars."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from PyQt5.QtCore import QSize, pyqtSignal
from PyQt5.QtWidgets import (
    QComboBox,
    QFileDialog,
    QLineEdit,
    QListWidget,
    QPushButton,
    QScrollArea,
    QWidget,
)

from rig.window.dialogs import Question
from rig.window.number_fields import NumberFields, in_a_row
from rig.window.theme import type_scale
from rig.window.words import number, tr

_BAR = (("x1", -500.0, 500.0), ("y1", -100.0, 1500.0), ("x2", -500.0, 500.0),
        ("y2", -100.0, 1500.0), ("height", 0.0, 60.0), ("width", 0.0, 60.0))  # fmt: skip


class NewPlate(Question):
    """Stays open until the folder has been made, so that nothing typed is lost."""

    wanted = pyqtSignal(object)  # options for the job `new_plate`

    def __init__(self, parent: QWidget, directory: Path) -> None:
        super().__init__(parent, tr("New plate"), tr("Make it"), tr("Cancel"))
        self.fields = NumberFields(self.form)
        self.name = self.fields.add(tr("Name"))
        self.directory = QLineEdit(str(directory))
        self.form.addRow(tr("Place"), self._with_browse(self.directory, tr("Place"), folder=True))
        self.instrument, self.wood = QComboBox(), QComboBox()
        for text, value in ((tr("violin"), "violin"), (tr("viola"), "viola"),
                            (tr("cello"), "cello"), (tr("guitar"), "guitar"),
                            (tr("unknown or other"), None)):  # fmt: skip
            self.instrument.addItem(text, value)
        for text, value in ((tr("maple"), "maple"), (tr("spruce"), "spruce"),
                            (tr("unknown or other"), None)):  # fmt: skip
            self.wood.addItem(text, value)
        self.form.addRow(tr("Instrument"), self.instrument)
        self.form.addRow(tr("Wood"), self.wood)
        self.mass = self.fields.add(tr("Mass, g"))
        self.arching = self.fields.add(tr("Arching, mm"))
        self.thickness = self.fields.add(tr("Mean thickness, mm"))
        for field in (self.mass, self.arching, self.thickness):
            field.setPlaceholderText(tr("leave empty if unknown"))
        self.outline = self._file(tr("Outline"), "x_mm,y_mm")
        self.heights = self._file(tr("Heights of the arch"), "x_mm,y_mm,height_mm")
        self._build_bars()
        self.resize(self.sizeHint())
        self.name.setFocus()

    # --- parts ---------------------------------------------------------------------------------

    def wrap(self, form: QWidget) -> QWidget:
        """The form scrolls where the screen is low or the type large."""
        area = QScrollArea()
        area.setFrameShape(QScrollArea.NoFrame)
        area.setWidgetResizable(True)
        area.setWidget(form)
        return area

    def sizeHint(self) -> QSize:
        """As high as the form, within the screen."""
        size = QSize(round(560 * type_scale()), round(680 * type_scale()))
        return size.boundedTo(0.9 * self.parentWidget().size())

    def _with_browse(self, field: QLineEdit, title: str, *, folder: bool = False) -> QWidget:
        browse = QPushButton("…")
        browse.setAccessibleName(tr("Choose: {0}", title))

        def ask() -> None:
            chosen = (
                QFileDialog.getExistingDirectory(self, title, field.text())
                if folder
                else QFileDialog.getOpenFileName(self, title, "", tr("Tables (*.csv)"))[0]
            )
            if chosen:
                field.setText(chosen)
                field.textEdited.emit(chosen)

        browse.clicked.connect(lambda *_: ask())
        return in_a_row(field, browse)

    def _file(self, title: str, columns: str) -> QLineEdit:
        field = QLineEdit()
        field.setAccessibleName(title)
        field.setPlaceholderText(tr("CSV file: {0}", columns))
        self.form.addRow(title, self._with_browse(field, title))
        self.form.addRow(self.fields.watch(field))
        return field

    def _build_bars(self) -> None:
        words = {"x1": tr("from x"), "y1": tr("from y"), "x2": tr("to x"), "y2": tr("to y"),
                 "height": tr("height"), "width": tr("width")}  # fmt: skip
        self.bar: dict[str, QLineEdit] = {}
        for name, _, _ in _BAR:
            field = QLineEdit()
            field.setPlaceholderText(words[name])
            field.setAccessibleName(tr("Bar, {0} in mm", words[name]))
            field.setToolTip(tr("mm; heights along the bar as 3/11/3") if name == "height"
                             else field.accessibleName())  # fmt: skip
            self.bar[name] = field
        fields = list(self.bar.values())
        self.form.addRow(tr("Glued bar, from"), in_a_row(*fields[:2]))
        self.form.addRow(tr("to"), in_a_row(*fields[2:4]))
        self.form.addRow(tr("height, width"), in_a_row(*fields[4:]))
        self.form.addRow(self.fields.watch(*fields))
        self.add_bar, self.drop_bar = QPushButton(tr("Add this bar")), QPushButton(tr("Take off"))
        self.bars = QListWidget()
        self.bars.setAccessibleName(tr("Bars of this plate"))
        self.bars.setFixedHeight(3 * self.fontMetrics().height())
        self.form.addRow(tr("Bars"), self.bars)
        self.form.addRow(in_a_row(self.add_bar, self.drop_bar))
        self.add_bar.clicked.connect(lambda *_: self._add_bar())
        self.drop_bar.clicked.connect(lambda *_: self.bars.takeItem(self.bars.currentRow()))
        for button in (self.add_bar, self.drop_bar):
            button.setAutoDefault(False)

    # --- reading -------------------------------------------------------------------------------

    def _bar_text(self) -> str | None:
        """The bar as `new_plate` reads it; None where a number is none (it has been said)."""
        parts = []
        for name, low, high in _BAR:
            field = self.bar[name]
            if name == "height" and "/" in field.text():
                heights = [number(part, low, high) for part in field.text().split("/")]
                if None in heights:
                    self.fields.complain(
                        field,
                        tr(
                            "“{0}” are no heights from {1:g} to {2:g}, parted by strokes.",
                            field.text(),
                            low,
                            high,
                        ),
                    )
                    return None
                parts.append("/".join(f"{height:g}" for height in heights))
                continue
            fine, value = self.fields.read(field, low, high)
            if not fine:
                return None
            parts.append(f"{value:g}")
        return ",".join(parts)

    def _add_bar(self) -> bool:
        text = self._bar_text()
        if text is None:
            return False
        self.bars.addItem(text)
        for field in self.bar.values():
            field.clear()
        return True

    def try_it(self) -> None:
        """Only with a name and with numbers that are numbers."""
        self.problem.hide()
        self.fields.silence()
        if not self.name.text().strip() or "/" in self.name.text():
            self.fields.complain(self.name, tr("The plate needs a name, without a slash in it."))
            return
        known: dict[str, float | None] = {}
        for name, field, high in (
            ("mass_g", self.mass, 5000.0), ("arching_mm", self.arching, 100.0),
            ("mean_thickness_mm", self.thickness, 50.0),
        ):  # fmt: skip
            fine, known[name] = self.fields.read(field, 0.0, high, optional=True)
            if not fine:
                return
        for field in (self.outline, self.heights):
            if field.text().strip() and not Path(field.text()).expanduser().is_file():
                self.fields.complain(field, tr("There is no file “{0}”.", field.text()))
                return
        if any(field.text().strip() for field in self.bar.values()) and not self._add_bar():
            return  # a bar that was typed and not added yet is meant
        self.go.setEnabled(False)
        self.wanted.emit(self._options(known))

    def refused(self, text: str) -> None:
        """The folder could not be made; everything typed is still there."""
        self.go.setEnabled(True)
        self.say(text)

    def _options(self, known: dict[str, float | None]) -> dict[str, Any]:
        """What `new_plate` is to be told."""
        name = self.name.text().strip()
        files = {
            option: str(Path(field.text()).expanduser())
            for option, field in (("outline_file", self.outline), ("heights_file", self.heights))
            if field.text().strip()
        }
        return {
            "folder": Path(self.directory.text()).expanduser() / f"{name}.plate",
            "name": name,
            "instrument": self.instrument.currentData(),
            "wood": self.wood.currentData(),
            "bars": [self.bars.item(row).text() for row in range(self.bars.count())],
            **known,
            **files,
        }
