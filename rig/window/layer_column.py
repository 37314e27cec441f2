"""The layers of the plate as a column beside it: one field in colour, and what lies over it."""

from __future__ import annotations

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtWidgets import QLabel, QPushButton, QScrollArea, QVBoxLayout, QWidget

from rig.window.words import tr


def layer_words() -> tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...]:
    """Heading, then name, key and text of each layer below it."""
    return (
        (tr("In colour"), (
            ("tone", "1", tr("Tone")), ("above", "2", tr("Above target")),
            ("change", "3", tr("Change")), ("wipe", "4", tr("Before | after")),
            ("live", "5", tr("Heard so far")), ("thickness", "6", tr("Thickness")),
            ("picture", "7", tr("Camera")),
        )),
        (tr("Over it"), (
            ("taps", "8", tr("Taps")), ("zones", "9", tr("Zones")),
            ("nodal", "0", tr("Nodal lines")), ("hand", "H", tr("By hand")),
        )),
    )  # fmt: skip


class LayerColumn(QScrollArea):
    """A button for each layer, dim while there is nothing to show."""

    wanted = pyqtSignal(str, bool)

    def __init__(self) -> None:
        super().__init__()
        self.setWidgetResizable(True)
        self.setFrameShape(QScrollArea.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.NoFocus)
        self.buttons: dict[str, QPushButton] = {}
        self.keys: dict[str, tuple[str, str]] = {}
        inside = QWidget()
        self.box = QVBoxLayout(inside)
        self.box.setContentsMargins(4, 4, 4, 4)
        self.box.setSpacing(3)
        for heading, layers in layer_words():
            label = QLabel(heading)
            label.setObjectName("faint")
            self.box.addWidget(label)
            for name, key, text in layers:
                self._add(name, key, text)
        self.box.addStretch(1)
        self.setWidget(inside)

    def _add(self, name: str, key: str, text: str) -> None:
        button = QPushButton(f"{key}  {text}")
        button.setObjectName("layer")
        button.setCheckable(True)
        button.setEnabled(False)
        button.clicked.connect(lambda on: self.wanted.emit(name, on))
        self.buttons[name], self.keys[name] = button, (key, text)
        self.box.addWidget(button)

    def fit(self) -> None:
        """As wide as its widest text."""
        widest = max(button.sizeHint().width() for button in self.buttons.values())
        self.setFixedWidth(widest + 10 + self.verticalScrollBar().sizeHint().width())
