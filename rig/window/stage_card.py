"""One stage of the job: its number, its name, what is missing, and its controls when opened."""

from __future__ import annotations

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtWidgets import (
    QComboBox,
    QFormLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from rig.window.number_fields import NumberFields


class StageCard(QWidget):
    """A head that opens the body; below it one sentence on how this stage stands."""

    opened = pyqtSignal(object)

    def __init__(self, place: int, name: str) -> None:
        super().__init__()
        self._label = f"{place}  {name}"
        self.head = QPushButton(self._label)
        self.head.setObjectName("stage")
        self.head.setCheckable(True)
        self.head.clicked.connect(lambda: self.opened.emit(self))
        self.state = _sentence("faint")
        self.problem = _sentence("problem")
        self.problem.hide()
        self.body = QWidget()
        self.form = QFormLayout(self.body)
        self.form.setContentsMargins(10, 2, 6, 4)
        self.form.setVerticalSpacing(4)
        self.form.setRowWrapPolicy(QFormLayout.WrapLongRows)
        self.form.setFieldGrowthPolicy(QFormLayout.AllNonFixedFieldsGrow)
        self.fields = NumberFields(self.form)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(1)
        for widget in (self.head, self.state, self.problem, self.body):
            box.addWidget(widget)
        self.body.hide()

    def open(self, opened: bool) -> None:
        """Show or hide the controls."""
        self.head.setChecked(opened)
        self.body.setVisible(opened)

    def set_state(self, text: str, done: bool = False) -> None:
        """How it stands; a tick when the stage is done."""
        self.state.setText(text)
        self.head.setText(f"{self._label}  ✓" if done else self._label)

    def say(self, text: str) -> None:
        """What is wrong, at this place; empty: nothing."""
        self.problem.setText(text)
        self.problem.setVisible(bool(text))
        if not text:
            self.fields.silence()

    def button(self, text: str, main: bool = False) -> QPushButton:
        """Add a button over the whole width; the main one stands out."""
        made = QPushButton(text)
        if main:
            made.setProperty("main", "true")
        self.form.addRow(made)
        return made

    def choice(self, name: str, entries: list[tuple[str, str]]) -> QComboBox:
        """Add a choice of (text, value)."""
        made = QComboBox()
        made.setSizeAdjustPolicy(QComboBox.AdjustToMinimumContentsLengthWithIcon)
        made.setMinimumContentsLength(8)
        for text, value in entries:
            made.addItem(text, value)
        self.form.addRow(name, made)
        return made

    def field(self, name: str, text: str) -> QLineEdit:
        """Add a line for a number."""
        return self.fields.add(name, text)

    def read_number(self, field: QLineEdit, low: float, high: float) -> float | None:
        """The number in a field; None, with a sentence below it, where there is none."""
        return self.fields.read(field, low, high)[1]


def _sentence(kind: str) -> QLabel:
    made = QLabel()
    made.setObjectName(kind)
    made.setWordWrap(True)
    made.setTextInteractionFlags(Qt.TextSelectableByMouse)
    made.setContentsMargins(10, 0, 6, 2)
    made.setSizePolicy(QSizePolicy.Preferred, QSizePolicy.Minimum)
    return made
