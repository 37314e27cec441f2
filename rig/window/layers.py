"""What can be drawn on the plate, each as one layer that is switched by itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from PyQt5.QtCore import QRectF, Qt

from rig.window.theme import BAD, DONE, DOUBTFUL, PLANNED, axis_font, theme, type_scale
from rig.window.words import signed

if TYPE_CHECKING:
    from rig.jobs.drawn import DrawnChange, DrawnMap, DrawnModes, Field
    from rig.jobs.overview import TapState

HALO = "#e8eef2"  # round dark dots, to be seen on dark wood too
TAP_LOOK = {  # shape as well as colour says what a tap is
    "planned": ("o", PLANNED, None), "done": ("o", HALO, DONE),
    "doubtful": ("t", DOUBTFUL, DOUBTFUL), "bad": ("x", BAD, BAD),
}  # fmt: skip
_ROOM_MM = (38.0, 20.0)  # beside and above a label, nothing else is written
DARK_INK = "#22262b"  # on the maps, which are light in every theme


def drawn_pen(colour: str, width: float = 1.0, **options: Any) -> Any:
    """A pen that grows with the type."""
    return pg.mkPen(colour, width=width * type_scale(), **options)


class Layer:
    """A group of items on one plot, shown or hidden together."""

    def __init__(self, plot: Any, depth: float) -> None:
        self._plot = plot
        self._depth = depth
        self._items: list[Any] = []
        self._dots: dict[str, Any] = {}
        self.shown = False

    @property
    def filled(self) -> bool:
        """Whether there is anything to show."""
        return bool(self._items)

    def clear(self) -> None:
        """Take everything off."""
        for item in self._items:
            self._plot.removeItem(item)
        self._items, self._dots = [], {}

    def dots(self, key: str, places: Sequence[tuple[float, float]], **look: Any) -> None:
        """Marks of one kind; made once and then moved, for they change ten times a second."""
        if key not in self._dots:
            if not places:
                return
            self._dots[key] = pg.ScatterPlotItem()
            self.add(self._dots[key])
        xy = np.array(places, dtype=np.float64).reshape(-1, 2)
        self._dots[key].setData(xy[:, 0], xy[:, 1], **(look if len(xy) else {}))

    def show(self, shown: bool) -> None:
        """Show or hide."""
        self.shown = shown
        for item in self._items:
            item.setVisible(shown)

    def add(self, item: Any, above: float = 0.0) -> None:
        """Put an item on this layer."""
        item.setZValue(self._depth + above)
        item.setVisible(self.shown)
        self._items.append(item)
        self._plot.addItem(item, ignoreBounds=True)


def lines_item(lines: list[Any], pen: Any) -> Any:
    """Many separate lines as one item, which is quick to draw."""
    if not lines:
        return pg.PlotCurveItem([], [], pen=pen)
    joined = np.vstack(lines)
    connect = np.ones(len(joined), dtype=np.int32)
    connect[np.cumsum([len(line) for line in lines]) - 1] = 0
    return pg.PlotCurveItem(joined[:, 0], joined[:, 1], connect=connect, pen=pen)


def fill_field(layer: Layer, field: Field, written: Sequence[tuple[float, float]] = ()) -> None:
    """A coloured field with its contours; the bold line is 0, dashed ones lie below it.

    written: places that have labels of their own.
    """
    layer.clear()
    image = pg.ImageItem(field.rgba, axisOrder="row-major")
    image.setRect(QRectF(*field.box_mm))
    layer.add(image)
    styles = (
        (lambda level: level < 0, drawn_pen(DARK_INK, width=1, style=Qt.DashLine)),
        (lambda level: level > 0, drawn_pen(DARK_INK, width=1)),
        (lambda level: level == 0, drawn_pen(DARK_INK, width=2.4)),
    )
    for wanted, pen in styles:
        lines = [line for level, of in field.contours.items() if wanted(level) for line in of]
        layer.add(lines_item(lines, pen), 0.1)
    taken = [np.array(place) for place in written]
    for level, lines in field.contours.items():
        if lines and level != 0:
            longest = max(lines, key=len)
            if len(longest) > 25:
                label_on_line(layer, taken, longest, signed(level))


def label_on_line(layer: Layer, taken: list[Any], line: Any, text: str) -> None:
    """Write on a line (k, 2) where nothing else is written; not at all where there is no room."""
    for share in (0.5, 0.35, 0.65, 0.2, 0.8, 0.05, 0.95):
        place = line[int(share * (len(line) - 1))]
        if not any(np.all(np.abs(place - other) < _ROOM_MM) for other in taken):
            break
    else:
        return
    taken.append(place)
    item = pg.TextItem(text, color=DARK_INK, anchor=(0.5, 0.5), fill=pg.mkBrush(255, 255, 255, 150))
    item.setFont(axis_font())
    item.setPos(float(place[0]), float(place[1]))
    layer.add(item, 0.2)


def fill_taps(layer: Layer, taps: tuple[TapState, ...]) -> None:
    """Each state with a shape of its own."""
    for state, (symbol, edge, face) in TAP_LOOK.items():
        pen = drawn_pen(edge, width=1.2 if edge == HALO else 1.6)
        layer.dots(
            state, [(tap.x_mm, tap.y_mm) for tap in taps if tap.state == state],
            size=8 * type_scale(), symbol=symbol, pen=pen,
            brush=pg.mkBrush(face) if face else pg.mkBrush(None),
        )  # fmt: skip


def fill_zones(layer: Layer, drawn: DrawnMap) -> None:
    """Borders, ranks in work order, excess and doubt; a cross where to start."""
    layer.clear()
    order = drawn.made.work_order
    lines = [line for of_zone in drawn.zone_lines for line in of_zone]
    layer.add(lines_item(lines, drawn_pen("#ffffff", width=5)))
    layer.add(lines_item(lines, drawn_pen(DARK_INK, width=2.5)), 0.1)
    for zone in order.zones:
        text = f"<b>{zone.rank}</b> {signed(zone.excess_cents)} ± {zone.excess_sd_cents:.0f}"
        item = pg.TextItem(
            html=f'<span style="color:{DARK_INK}">{text}</span>', anchor=(0.5, 0.5),
            fill=pg.mkBrush(255, 255, 255, 225), border=drawn_pen(DARK_INK, width=1),
        )  # fmt: skip
        item.setFont(axis_font())
        item.setPos(zone.x_mm, zone.y_mm)
        layer.add(item, 0.3)
    if order.starting_spot_mm is not None:
        x, y = order.starting_spot_mm
        for size, colour, width in ((20, "#ffffff", 5), (18, DARK_INK, 2)):
            cross = pg.ScatterPlotItem(
                [x], [y], size=size * type_scale(), symbol="+",
                pen=drawn_pen(colour, width=width), brush=pg.mkBrush(colour),
            )  # fmt: skip
            layer.add(cross, 0.35)


def fill_change(layer: Layer, drawn: DrawnChange) -> None:
    """After minus before, with a border round what chance does not explain."""
    fill_field(layer, drawn.change)
    layer.add(lines_item(drawn.sure_lines, drawn_pen("#ffffff", width=5)), 0.3)
    layer.add(lines_item(drawn.sure_lines, drawn_pen(DARK_INK, width=2.5)), 0.4)


def fill_nodal(layer: Layer, drawn: DrawnModes, mode: int) -> None:
    """The lines of one partial that stay at rest."""
    layer.clear()
    if not 0 <= mode < len(drawn.hz):
        return
    layer.add(lines_item(drawn.lines[mode], drawn_pen("#ffffff", width=5)))
    layer.add(lines_item(drawn.lines[mode], drawn_pen("#5b3a8e", width=2.6)), 0.1)


def fill_live(
    layer: Layer, places: list[tuple[float, float]], cents: Any, reach: float, size_mm: float
) -> None:
    """What the scan has heard so far: a disc at each tap in the colours of the map."""
    table = pg.colormap.ColorMap(np.linspace(0.0, 1.0, 257), live_colours())
    colours = table.map(np.clip((np.asarray(cents) / reach + 1.0) / 2.0, 0.0, 1.0))
    layer.dots(
        "heard", places, size=size_mm, pxMode=False, pen=pg.mkPen(theme().line, width=0.5),
        brush=[pg.mkBrush(*map(int, colour)) for colour in colours],
    )  # fmt: skip


def live_colours() -> Any:
    """(257, 4) uint8, the colours of the maps from low to high."""
    from rig.jobs.drawn import map_colours

    return map_colours()
