"""A frame around the part of the window that is spoken of."""

from __future__ import annotations

from typing import Any

from PyQt5.QtCore import QRect, QRectF, Qt, QTimer
from PyQt5.QtGui import QColor, QPainter, QPen
from PyQt5.QtWidgets import QWidget

from rig.window.theme import drawn_width, theme

_FOLLOW_MS = 250


class Pointer(QWidget):
    """Follows its target and lets the mouse through; hidden where the target is."""

    def __init__(self, window: QWidget) -> None:
        super().__init__(window)
        self.setAttribute(Qt.WA_TransparentForMouseEvents)
        self.setFocusPolicy(Qt.NoFocus)
        self._target: QWidget | None = None
        self._timer = QTimer(self)
        self._timer.setInterval(_FOLLOW_MS)
        self._timer.timeout.connect(self.follow)
        self.hide()

    def point_at(self, target: QWidget | None) -> None:
        """None: at nothing any more."""
        self._target = target
        if target is None:
            self._timer.stop()
            self.hide()
            return
        self._timer.start()
        self.follow()

    def follow(self) -> None:
        """Go where the target is now."""
        target, window = self._target, self.parentWidget()
        if target is None or not target.isVisible() or target.visibleRegion().isEmpty():
            self.hide()
            return
        out = round(drawn_width(5))
        place = QRect(target.mapTo(window, target.rect().topLeft()), target.size())
        self.setGeometry(place.adjusted(-out, -out, out, out) & window.rect())
        self.raise_()
        self.show()

    def paintEvent(self, _event: Any) -> None:
        """A frame, dark within light, that is seen on any ground."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.Antialiasing)
        for colour, width in ((theme().ground, drawn_width(5)), (theme().caution, drawn_width(3))):
            painter.setPen(QPen(QColor(colour), width))
            inside = drawn_width(3)
            room = QRectF(self.rect()).adjusted(inside, inside, -inside, -inside)
            painter.drawRoundedRect(room, 2 * inside, 2 * inside)
