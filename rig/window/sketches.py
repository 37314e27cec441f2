"""Small drawings of what to do at the bench, one for each procedure of calibration."""

from __future__ import annotations

from typing import Any

from PyQt5.QtCore import QPointF, QRectF, Qt
from PyQt5.QtGui import QColor, QPainter, QPainterPath, QPen, QPixmap, QPolygonF
from PyQt5.QtWidgets import QWidget

from rig.window.theme import theme, type_scale

_WIDE, _HIGH = 420.0, 110.0


class Sketch(QWidget):
    """Draws by the name of the procedure, or shows a picture in its place."""

    def __init__(self) -> None:
        super().__init__()
        self._kind = ""
        self._picture: QPixmap | None = None
        self.setFixedHeight(round(_HIGH * type_scale()))

    def show_kind(self, kind: str) -> None:
        """Draw this one."""
        self._kind, self._picture = kind, None
        self.setFixedHeight(round(_HIGH * type_scale()))
        self.update()

    def show_picture(self, picture: QPixmap) -> None:
        """Show a picture from a job."""
        self._picture = picture
        self.update()

    def paintEvent(self, _event: Any) -> None:
        """Draw."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.Antialiasing)
        if self._picture is not None:
            shown = self._picture.scaled(self.size(), Qt.KeepAspectRatio, Qt.SmoothTransformation)
            painter.drawPixmap(0, 0, shown)
            return
        scale = min(self.height() / _HIGH, self.width() / _WIDE)
        painter.scale(scale, scale)
        painter.setPen(QPen(QColor(theme().ink), 1.6, Qt.SolidLine, Qt.RoundCap, Qt.RoundJoin))
        draw = _DRAWN.get(self._kind)
        if draw is not None:
            draw(painter)


def _arrow(p: QPainter, start: tuple[float, float], end: tuple[float, float]) -> None:
    """With an accent, so that what moves is told from what stands."""
    p.save()
    p.setPen(QPen(QColor(theme().accent), 2.4, Qt.SolidLine, Qt.RoundCap))
    a, b = QPointF(*start), QPointF(*end)
    p.drawLine(a, b)
    way = b - a
    length = max(1e-6, (way.x() ** 2 + way.y() ** 2) ** 0.5)
    along = way * (7.0 / length)
    across = QPointF(-along.y(), along.x()) * 0.6
    p.drawLine(b, b - along + across)
    p.drawLine(b, b - along - across)
    p.restore()


def _filled(p: QPainter, points: list[tuple[float, float]], colour: str) -> None:
    p.save()
    p.setBrush(QColor(colour))
    p.drawPolygon(QPolygonF([QPointF(x, y) for x, y in points]))
    p.restore()


def _hammer(p: QPainter, x: float, y: float) -> None:
    """Its head at (x, y), its stem upwards."""
    p.drawLine(QPointF(x, y - 12.0), QPointF(x, y - 46.0))
    _filled(p, [(x - 7, y - 12), (x + 7, y - 12), (x + 5, y), (x - 5, y)], theme().wood)


def _microphone(p: QPainter, x: float, y: float) -> None:
    p.drawEllipse(QPointF(x, y), 9.0, 9.0)
    p.drawRoundedRect(QRectF(x - 5.0, y + 9.0, 10.0, 34.0), 3.0, 3.0)


def _lens(p: QPainter) -> None:
    p.drawRect(QRectF(12, 30, 34, 26))
    _filled(p, [(46, 36), (58, 32), (58, 54), (46, 50)], theme().raised)
    for n, (left, lean) in enumerate(((100.0, 0.0), (205.0, 14.0), (310.0, -14.0))):
        corners = [(left, 22 + lean), (left + 74, 22 - lean), (left + 74, 84 + lean),
                   (left, 84 - lean)]  # fmt: skip
        _filled(p, corners, theme().raised)
        for row in range(3):
            for column in range(4):
                if (row + column) % 2:
                    continue
                _filled(p, [_inside(corners, (column + u) / 4, (row + v) / 3)
                            for u, v in ((0, 0), (1, 0), (1, 1), (0, 1))], theme().ink)  # fmt: skip
        if n:
            _arrow(p, (left + 10, 100), (left + 64, 100) if n == 1 else (left + 10, 90))


def _inside(corners: list[tuple[float, float]], u: float, v: float) -> tuple[float, float]:
    """The place (u, v) of 0…1 within four corners."""
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    return (
        (1 - v) * ((1 - u) * ax + u * bx) + v * ((1 - u) * dx + u * cx),
        (1 - v) * ((1 - u) * ay + u * by) + v * ((1 - u) * dy + u * cy),
    )


def _gantry(p: QPainter) -> None:
    _filled(p, [(40, 12), (230, 12), (230, 100), (40, 100)], theme().raised)
    for x in (46, 208):
        for y in (18, 78):
            p.fillRect(QRectF(x, y, 16, 16), QColor(theme().ink))
    for x in (90, 120, 150, 180):
        for y in (35, 56, 77):
            p.drawEllipse(QPointF(x, y), 2.5, 2.5)
    p.drawLine(QPointF(120, 6), QPointF(120, 106))
    for start in ((106, 56), (134, 56), (120, 42), (120, 70)):
        _arrow(p, start, (120 + (start[0] - 120) * 0.35, 56 + (start[1] - 56) * 0.35))
    p.drawRect(QRectF(300, 12, 40, 24))
    p.drawLine(QPointF(312, 36), QPointF(280, 100))
    p.drawLine(QPointF(328, 36), QPointF(360, 100))
    p.drawLine(QPointF(270, 100), QPointF(370, 100))


def _tapper(p: QPainter) -> None:
    for n, wide in enumerate((8.0, 16.0, 24.0, 32.0)):
        left = 20.0 + 100.0 * n
        p.drawPolyline(QPolygonF([QPointF(x, y) for x, y in (
            (left, 30), (left + 10, 30), (left + 10, 14), (left + 10 + wide, 14),
            (left + 10 + wide, 30), (left + 60, 30))]))  # fmt: skip
        gap = max(0.0, 14.0 - 7.0 * n)
        _hammer(p, left + 32, 90 - gap)
        _filled(p, [(left, 92), (left + 70, 92), (left + 70, 100), (left, 100)], theme().wood)
        if n == 3:
            _arrow(p, (left + 50, 86), (left + 50, 62))


def _sound(p: QPainter) -> None:
    _microphone(p, 60, 30)
    path = QPainterPath(QPointF(100, 45))
    for n in range(30):
        path.lineTo(104.0 + 4 * n, 45.0 + (1.5 if n % 2 else -1.5))
    p.drawPath(path)
    _microphone(p, 270, 30)
    p.drawLine(QPointF(310, 10), QPointF(310, 56))
    p.drawLine(QPointF(326, 10), QPointF(326, 56))
    p.drawArc(QRectF(310, 46, 16, 20), 180 * 16, 180 * 16)
    p.drawLine(QPointF(318, 66), QPointF(318, 96))
    for n in range(3):
        p.drawArc(QRectF(332 + 10 * n, 16, 20, 34), -60 * 16, 120 * 16)


def _bar(p: QPainter) -> None:
    _filled(p, [(50, 62), (350, 62), (350, 74), (50, 74)], theme().wood)
    for x in (117, 283):
        _filled(p, [(x - 12, 100), (x + 12, 100), (x, 74)], theme().raised)
    _hammer(p, 200, 58)
    _arrow(p, (222, 20), (222, 48))
    _microphone(p, 300, 16)


def _repeatability(p: QPainter) -> None:
    for n, turn in enumerate((-4.0, 3.0, -1.0, 5.0)):
        p.save()
        p.translate(55.0 + 100.0 * n, 55.0)
        p.rotate(turn)
        path = QPainterPath()
        path.addEllipse(QPointF(0, -20), 20.0, 25.0)
        lower = QPainterPath()
        lower.addEllipse(QPointF(0, 20), 26.0, 26.0)
        p.setBrush(QColor(theme().wood))
        p.drawPath(path.united(lower))
        p.restore()
        if n:
            _arrow(p, (-12 + 100.0 * n, 55), (12 + 100.0 * n, 55))


_DRAWN = {"lens": _lens, "gantry": _gantry, "tapper": _tapper, "sound": _sound, "bar": _bar,
          "repeatability": _repeatability}  # fmt: skip
