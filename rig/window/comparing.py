"""Two scans looked at together: a line between before and after, or side by side, one cursor."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from PyQt5.QtCore import QObject, QPointF, QRectF, Qt

from rig.window import layers
from rig.window.theme import axis_font, drawn_width
from rig.window.words import mm, signed, tr

if TYPE_CHECKING:
    from rig.jobs.drawn import DrawnPair
    from rig.window.main_window import MainWindow
    from rig.window.plate_view import PlateView

_NEAR_PX = 14
_STEP_MM = 10.0


class Comparing(QObject):
    """Fills the layer “Before | after” and the second plate; takes the line in hand."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self._window = window
        self.pair: DrawnPair | None = None
        self.line_mm = 0.0
        self.beside = False
        self._items: list[Any] = []
        self._syncing = False
        plates = (window.plate, window.second)
        window.plate.getPlotItem().getViewBox().hands.append(self)
        self.crosses = [self._cross(plate) for plate in plates]
        for plate, other in (plates, plates[::-1]):
            plate.scene().sigMouseMoved.connect(lambda at, p=plate: self._hover(p, at))
            plate.getPlotItem().getViewBox().sigRangeChanged.connect(
                lambda *_, p=plate, o=other: self._follow_range(p, o)
            )
        window.plate.tap_chosen.connect(self._chosen)
        window.second.tap_chosen.connect(window.plate.choose)

    @staticmethod
    def _cross(plate: PlateView) -> list[Any]:
        lines = [pg.InfiniteLine(angle=angle, movable=False) for angle in (0, 90)]
        for line in lines:
            line.setZValue(180)
            line.hide()
            plate.getPlotItem().addItem(line, ignoreBounds=True)
        return lines

    # --- filling -------------------------------------------------------------------------------

    def forget(self) -> None:
        """Another plate, or other scans."""
        self.pair = None
        self.show_beside(False)
        self._window.put_away("wipe")

    def take(self, pair: DrawnPair) -> None:
        """Both maps are there."""
        self.pair = pair
        low, _, width, _ = pair.fields[1].box_mm
        self.line_mm = low + 0.5 * width
        self._fill()
        self._window.offer("wipe", show=False)

    def _fill(self) -> None:
        """The layer with the line, or the later map alone where the earlier one stands beside."""
        if self.pair is None:
            return
        layer = self._window.plate.layers["wipe"]
        self._items = []
        if self.beside:
            layers.fill_field(layer, self.pair.fields[1])
            layers.fill_field(self._window.second.layers["wipe"], self.pair.fields[0])
            self._window.second.show_layer("wipe", True)
            return
        layer.clear()
        for field in self.pair.fields:
            image = pg.ImageItem(axisOrder="row-major")
            layer.add(image)
            self._items.append(image)
            image.setImage(field.rgba)
            image.setRect(QRectF(*field.box_mm))
        for width, colour, above in ((7, "#ffffff", 0.1), (3, layers.DARK_INK, 0.2)):
            line = pg.InfiniteLine(angle=90, movable=False, pen=layers.drawn_pen(colour, width))
            layer.add(line, above)
            self._items.append(line)
        note = pg.TextItem(
            tr("{0}  ◀ ▶  {1}", self.pair.before, self.pair.after),
            color=layers.DARK_INK, anchor=(0.5, 0.5), fill=pg.mkBrush("#ffffff"),
            border=layers.drawn_pen(layers.DARK_INK),
        )  # fmt: skip
        note.setFont(axis_font())
        layer.add(note, 0.3)
        self._items.append(note)
        self.put_line(self.line_mm)

    def put_line(self, x_mm: float) -> None:
        """Before to the left of x_mm, after to the right."""
        if self.pair is None or self.beside:
            return
        low, bottom, width, height = self.pair.fields[1].box_mm
        self.line_mm = min(max(x_mm, low), low + width)
        for n, (image, field) in enumerate(zip(self.images, self.pair.fields, strict=True)):
            left, _, across, _ = field.box_mm
            columns = field.rgba.shape[1]
            x = left + (np.arange(columns) + 0.5) * across / columns
            shown = x < self.line_mm if n == 0 else x >= self.line_mm
            rgba = field.rgba.copy()
            rgba[:, ~shown, 3] = 0
            image.setImage(rgba, autoLevels=False)
        for line in self._items[2:4]:
            line.setValue(self.line_mm)
        self._items[4].setPos(self.line_mm, bottom + 0.03 * height)

    def nudge_line(self, way: int) -> None:
        """By keyboard."""
        if self._window.plate.layers["wipe"].shown:
            self.put_line(self.line_mm + way * _STEP_MM)

    # --- the line in hand ------------------------------------------------------------------------

    def begin(self, x_mm: float, y_mm: float, modifiers: Any) -> bool:
        """A drag that begins on the line moves the line; with Shift it is listened to."""
        plate = self._window.plate
        held = bool(modifiers & Qt.ShiftModifier)
        if held or self.pair is None or self.beside or not plate.layers["wipe"].shown:
            return False
        box = plate.getPlotItem().getViewBox()
        off = box.mapViewToScene(QPointF(self.line_mm, y_mm)) - box.mapViewToScene(
            QPointF(x_mm, y_mm)
        )
        return bool(abs(off.x()) <= drawn_width(_NEAR_PX))

    def move(self, x_mm: float, _y_mm: float) -> None:
        """Follow the hand."""
        self.put_line(x_mm)

    def end(self, x_mm: float, _y_mm: float) -> None:
        """Leave it there."""
        self.put_line(x_mm)

    # --- side by side ----------------------------------------------------------------------------

    def show_beside(self, on: bool) -> None:
        """Two plates, the earlier scan on the left; or one."""
        window = self._window
        on = on and self.pair is not None
        self.beside = on
        window.stages.side_by_side.setChecked(on)
        window.second.setVisible(on)
        for plate, text in ((window.second, 0), (window.plate, 1)):
            named = "" if self.pair is None or not on else (self.pair.before, self.pair.after)[text]
            plate.set_title(named)
        for cross in self.crosses:
            for line in cross:
                line.hide()
        window.legend.set_note("")
        if self.pair is None:
            return
        self._fill()
        if on:
            window.second.set_outline(window.plate.outline)
            window.second.set_places(window.plate.places)
            window.second.mark(window.plate.chosen)
            window.show_layer("wipe", True)
        window.plate.fit()
        window.second.fit()

    def toggle_beside(self) -> None:
        """By keyboard and button."""
        if self.pair is None:
            self._window.say("compare", tr("Show the change of two scans first."))
            self._window.stages.side_by_side.setChecked(False)
            return
        self.show_beside(not self.beside)

    def _follow_range(self, plate: PlateView, other: PlateView) -> None:
        if self._syncing or not self.beside:
            return
        self._syncing = True
        x, y = plate.getPlotItem().getViewBox().viewRange()
        other.getPlotItem().getViewBox().setRange(xRange=x, yRange=y, padding=0)
        self._syncing = False

    # --- one cursor ------------------------------------------------------------------------------

    @property
    def images(self) -> list[Any]:
        """Before and after, as they are drawn on either side of the line."""
        return self._items[:2]

    @property
    def _looking(self) -> bool:
        return self.pair is not None and self._window.plate.layers["wipe"].shown

    def _hover(self, plate: PlateView, at: QPointF) -> None:
        place = plate.getPlotItem().getViewBox().mapSceneToView(at)
        if self._looking:
            self.show_at(place.x(), place.y())
        elif plate is self._window.plate:
            self._window.legend.set_note(self._value_words(place.x(), place.y()))

    def _value_words(self, x_mm: float, y_mm: float) -> str:
        """What the one field that is shown says of a place; empty where it says nothing."""
        from rig.jobs.drawn import value_on

        desk, shown = self._window.desk, self._window.plate.layers
        surface = None
        if desk.map is not None and (shown["tone"].shown or shown["above"].shown):
            made = desk.map.made
            surface = made.surface if shown["tone"].shown else made.excess_surface
        elif desk.change is not None and shown["change"].shown:
            surface = desk.change.made.surface
        value = None if surface is None else value_on(surface, x_mm, y_mm)
        if value is None:
            return ""
        return tr("x {0}, y {1} mm:  {2} cents", mm(x_mm), mm(y_mm), signed(value))

    def show_at(self, x_mm: float, y_mm: float) -> None:
        """Mark this spot on both plates and say both values."""
        assert self.pair is not None
        before, after = self.pair.at(x_mm, y_mm)
        pen = layers.drawn_pen(layers.DARK_INK, 1, style=Qt.DashLine)
        for lines in self.crosses if self.beside else ():
            for line, value in zip(lines, (y_mm, x_mm), strict=True):
                line.setPen(pen)
                line.setValue(value)
                line.show()
        if before is None or after is None:
            self._window.legend.set_note("")
            return
        self._window.legend.set_note(
            tr(
                "x {0}, y {1} mm:  {2} {3},  {4} {5},  difference {6} cents",
                mm(x_mm),
                mm(y_mm),
                self.pair.before,
                signed(before),
                self.pair.after,
                signed(after),
                signed(after - before),
            )
        )

    def _chosen(self, tap: int) -> None:
        self._window.second.mark(tap)
        if self._looking:
            self.show_at(*self._window.plate.places[tap])
