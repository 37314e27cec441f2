"""Fields of a form, each with a place right below it for what is wrong with what was typed."""

from __future__ import annotations

from PyQt5.QtWidgets import QFormLayout, QLabel, QLineEdit, QSizePolicy, QWidget

from rig.window.words import number, tr


class NumberFields:
    """Adds fields to a form and reads them; a complaint goes when somebody types."""

    def __init__(self, form: QFormLayout) -> None:
        self._form = form
        self._below: dict[QLineEdit, QLabel] = {}

    def add(self, name: str, text: str = "", *, row: object = None) -> QLineEdit:
        """A line for a number; row: a widget or layout that stands in the form in its place."""
        field = QLineEdit(text)
        field.setAccessibleName(name)
        self._form.addRow(name, field if row is None else row)
        self._form.addRow(self.watch(field))
        return field

    def watch(self, *fields: QLineEdit) -> QLabel:
        """The hidden line for complaints about these fields, to be put below them."""
        label = QLabel()
        label.setObjectName("problem")
        label.setWordWrap(True)
        label.setSizePolicy(QSizePolicy.Ignored, QSizePolicy.Minimum)
        label.hide()
        for field in fields:
            self._below[field] = label
            field.textEdited.connect(lambda _text: label.hide())
        return label

    def complaint(self, field: QLineEdit) -> str:
        """What is said below a field; empty where nothing is wrong."""
        label = self._below[field]
        return "" if label.isHidden() else str(label.text())

    def complain(self, field: QLineEdit, text: str) -> None:
        """Say below the field what is wrong, and put the keyboard there."""
        label = self._below[field]
        label.setText(text)
        label.show()
        field.setFocus()
        field.selectAll()

    def silence(self) -> None:
        """Take all complaints back."""
        for label in self._below.values():
            label.hide()

    def read(
        self, field: QLineEdit, low: float, high: float, *, optional: bool = False
    ) -> tuple[bool, float | None]:
        """Whether what was typed can be used, and the number; None where an optional one is empty.

        What cannot be used is said below the field.
        """
        if optional and not field.text().strip():
            return True, None
        value = number(field.text(), low, high)
        if value is None:
            self.complain(
                field,
                tr(
                    "“{0}” is no number from {1:g} to {2:g}: {3}.",
                    field.text(),
                    low,
                    high,
                    field.accessibleName(),
                ),
            )
            return False, None
        return True, value


def in_a_row(*widgets: QWidget, stretch: int = 0) -> QWidget:
    """Widgets side by side, the one at `stretch` takes what is left."""
    from PyQt5.QtWidgets import QHBoxLayout

    holder = QWidget()
    row = QHBoxLayout(holder)
    row.setContentsMargins(0, 0, 0, 0)
    row.setSpacing(4)
    for place, widget in enumerate(widgets):
        row.addWidget(widget, 1 if place == stretch else 0)
    return holder
