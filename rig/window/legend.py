"""The key to the colours of the field that is shown."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from PyQt5.QtCore import QRectF, Qt
from PyQt5.QtGui import QColor, QImage, QPainter
from PyQt5.QtWidgets import QSizePolicy, QWidget

from rig.window.layers import live_colours
from rig.window.theme import theme
from rig.window.words import signed, tr


def _cents(value: float) -> str:
    return signed(value) + (tr(" cents") if value == 0 else "")


class Legend(QWidget):
    """A strip of colour with its cents; empty where no field is shown."""

    def __init__(self) -> None:
        super().__init__()
        self._reach: float | None = None
        self._ends: tuple[str, ...] = ("", "")
        self.title = ""
        self.note = ""  # in place of the title
        self.more = ""  # beside it
        self._tick: Callable[[float], str] = _cents
        self._strip = QImage()
        self.setSizePolicy(QSizePolicy.Expanding, QSizePolicy.Fixed)
        self._fit()

    def set_field(
        self,
        title: str,
        reach: float | None,
        ends: tuple[str, str],
        tick: Callable[[float], str] = _cents,
    ) -> None:
        """reach: value of the last colours, in cents; None: no field, only the title.

        tick: how a value is written on the scale, where it is not in cents.
        """
        self.title, self._reach, self._ends, self._tick = title, reach, ends, tick
        if reach is not None and self._strip.isNull():
            table = live_colours()
            self._strip = QImage(len(table), 1, QImage.Format_RGB32)
            for x, colour in enumerate(table):
                self._strip.setPixelColor(x, 0, QColor(*map(int, colour[:3])))
        self.note = ""
        self._fit()
        self.update()

    def set_note(self, text: str) -> None:
        """Values at the cursor, in place of the title; empty: the title again."""
        self.note = text
        self.update()

    def changeEvent(self, event: Any) -> None:
        """Other type, other height."""
        super().changeEvent(event)
        self._fit()

    def _fit(self) -> None:
        self.setFixedHeight(int(3.6 * self.fontMetrics().height()))

    def _side(self, ends: tuple[str, ...]) -> float:
        """Room for the words at either end."""
        metrics = self.fontMetrics()
        lines = [line for end in ends for line in end.split("\n")]
        return max(map(metrics.horizontalAdvance, lines)) + metrics.height()

    def paintEvent(self, _event: Any) -> None:
        """Draw."""
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(theme().ground))
        painter.setPen(QColor(theme().ink))
        high, width = self.fontMetrics().height(), self.width()
        if self._reach is None:
            painter.setPen(QColor(theme().faint))
            nothing = tr("No map shown yet. Choose a layer on the left, or make a map.")
            text = self.title or nothing
            painter.drawText(self.rect(), Qt.AlignCenter | Qt.TextWordWrap, text)
            return
        texts = [self._tick((2 * share - 1) * self._reach) for share in (0.0, 0.25, 0.5)]
        widest = max(map(self.fontMetrics().horizontalAdvance, texts))
        ends = self._ends
        side = self._side(ends)
        if width - 2 * side < 4.4 * widest:  # long words: in two lines
            ends = tuple(end.replace(": ", ":\n") for end in ends)
            side = self._side(ends)
        box = QRectF(side, 1.3 * high, width - 2 * side, 0.9 * high)
        painter.drawText(
            QRectF(0, 0, width, 1.2 * high), Qt.AlignCenter, self.note or f"{self.title}{self.more}"
        )
        painter.drawImage(box, self._strip)
        painter.drawRect(box)
        deep = 2.2 * high if "\n" in ends[0] + ends[1] else box.height()
        painter.drawText(QRectF(0, box.y(), side - 0.4 * high, deep),
                         Qt.AlignRight | Qt.AlignVCenter, ends[0])  # fmt: skip
        painter.drawText(QRectF(width - side + 0.4 * high, box.y(), side, deep),
                         Qt.AlignLeft | Qt.AlignVCenter, ends[1])  # fmt: skip
        shares = (0.0, 0.25, 0.5, 0.75, 1.0) if box.width() > 4.4 * widest else (0.0, 0.5, 1.0)
        for share in shares:
            text = self._tick((2 * share - 1) * self._reach)
            at = box.x() + share * box.width()
            place, room = Qt.AlignCenter, QRectF(at - 4 * high, box.bottom() + 1, 8 * high, high)
            if "\n" in ends[0] + ends[1] and share in (0.0, 1.0):  # the words stand beside it
                place = Qt.AlignLeft if share == 0.0 else Qt.AlignRight
                room.moveLeft(at if share == 0.0 else at - 8 * high)
            painter.drawText(room, place, text)
