"""The plate, true to scale in its own frame, with its layers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from PyQt5.QtCore import QPointF, Qt, pyqtSignal
from PyQt5.QtGui import QPainterPath
from PyQt5.QtWidgets import QGraphicsPathItem, QLabel

from rig.window.axes import axes
from rig.window.layers import DARK_INK, Layer
from rig.window.plate_hands import PlateBox
from rig.window.theme import axis_font, drawn_width, theme
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.model.outline import Outline

# each field would hide the others
FIELDS = ("picture", "tone", "above", "change", "wipe", "thickness", "live")
LAYERS = (*FIELDS, "nodal", "hand", "taps", "zones")


class PlateView(pg.PlotWidget):
    """x to the right of the centre line, y up from the lower end, in mm; one scale for both."""

    tap_chosen = pyqtSignal(int)

    def __init__(self) -> None:
        super().__init__(viewBox=PlateBox(), axisItems=axes())
        self.setObjectName("plate")
        self.setFocusPolicy(Qt.StrongFocus)
        self.setAccessibleName(tr("The plate"))
        plot = self.getPlotItem()
        plot.setAspectLocked(True)
        plot.hideButtons()
        plot.setMenuEnabled(False)
        plot.getViewBox().disableAutoRange()
        self.layers = {name: Layer(plot, 8.0 * (n + 1)) for n, name in enumerate(LAYERS)}
        self.outline: Outline | None = None
        self._wood: list[QGraphicsPathItem] = []  # the wood, a ground below its rim, the rim
        self.places: dict[int, tuple[float, float]] = {}
        self.chosen: int | None = None
        # dark within light, to be seen on maps as well as on the ground of any theme
        self._rings = [pg.ScatterPlotItem(size=20, brush=None) for _ in range(2)]
        for above, ring in enumerate(self._rings):
            ring.setZValue(200 + above)
            plot.addItem(ring, ignoreBounds=True)
        self.empty = QLabel(tr("No outline yet. Lay the plate on the bed and have it found."), self)
        self.empty.setObjectName("faint")
        self.empty.setAlignment(Qt.AlignCenter)
        self.empty.setWordWrap(True)
        self.empty.setAttribute(Qt.WA_TransparentForMouseEvents)
        self.number, self.name = QLabel(self), QLabel(self)
        for label, kind in ((self.number, "afar"), (self.name, "over")):
            label.setObjectName(kind)
            label.setAttribute(Qt.WA_TransparentForMouseEvents)
            label.hide()
        self.scene().sigMouseClicked.connect(self._clicked)
        self.paint_theme()

    def paint_theme(self) -> None:
        """Take the colours of the theme."""
        colours = theme()
        self.setBackground(colours.ground)
        for side, text in (("bottom", tr("x, mm from the centre line")),
                           ("left", tr("y, mm from the lower end"))):  # fmt: skip
            axis = self.getPlotItem().getAxis(side)
            axis.setPen(pg.mkPen(colours.line))
            axis.setTextPen(pg.mkPen(colours.faint))
            axis.setTickFont(axis_font())
            axis.setLabel(
                text, color=colours.faint, **{"font-size": f"{axis_font().pointSizeF()}pt"}
            )
        for ring, colour, width in zip(self._rings, ("#ffffff", DARK_INK), (6, 2.5), strict=True):
            ring.setSize(drawn_width(20))
            ring.setPen(pg.mkPen(colour, width=drawn_width(width)))
        if self.outline is not None:
            self.set_outline(self.outline)

    def set_outline(self, outline: Outline | None) -> None:
        """Draw the wood and its rim."""
        for item in self._wood:
            self.getPlotItem().removeItem(item)
        self._wood = []
        new = outline is not None and outline is not self.outline
        self.outline = outline
        self.empty.setVisible(outline is None)
        if outline is None:
            return
        path = QPainterPath()
        path.setFillRule(Qt.OddEvenFill)
        for ring in (outline.rim, *outline.holes):
            path.moveTo(QPointF(*map(float, ring[0])))
            for x, y in ring[1:]:
                path.lineTo(QPointF(float(x), float(y)))
            path.closeSubpath()
        self._wood = [QGraphicsPathItem(path) for _ in range(3)]
        wood, ground, rim = self._wood
        wood.setBrush(pg.mkBrush(theme().wood))
        wood.setPen(pg.mkPen(None))
        ground.setPen(pg.mkPen(theme().ground, width=drawn_width(5)))  # on the camera's picture
        rim.setPen(pg.mkPen(theme().ink, width=drawn_width(2.2)))
        for item, depth in zip(self._wood, (1, 94, 95), strict=True):
            item.setZValue(depth)
            self.getPlotItem().addItem(item, ignoreBounds=True)
        if new:
            self.fit()

    def set_title(self, text: str) -> None:
        """What this plate shows, where there are two; empty: nothing is said."""
        self.name.setText(text)
        self.name.setVisible(bool(text))
        self.name.adjustSize()
        self.name.move(self.width() - self.name.width() - 6, 4)

    def set_number(self, text: str) -> None:
        """The number of the chosen tap, to be read from afar; empty: none."""
        self.number.setText(text)
        self.number.setVisible(bool(text))
        self.number.adjustSize()
        self.number.move(int(self.getPlotItem().getAxis("left").width()) + 12, 8)

    def resizeEvent(self, event: Any) -> None:
        """The sentence on the empty plate stays in the middle."""
        super().resizeEvent(event)
        if hasattr(self, "name"):
            self.set_title(self.name.text())
            self.empty.setGeometry(self.width() // 6, 0, 2 * self.width() // 3, self.height())

    def fit(self) -> None:
        """Show the whole plate."""
        if self.outline is None:
            return
        low, high = self.outline.rim.min(axis=0), self.outline.rim.max(axis=0)
        self.getPlotItem().getViewBox().setRange(
            xRange=(low[0], high[0]), yRange=(low[1], high[1]), padding=0.03
        )

    def zoom(self, factor: float) -> None:
        """Nearer (below 1) or farther."""
        self.getPlotItem().getViewBox().scaleBy((factor, factor))

    def set_places(self, places: dict[int, tuple[float, float]]) -> None:
        """Which taps can be chosen, by number."""
        self.places = places
        if self.chosen not in places:
            self.choose(None)

    def show_layer(self, name: str, shown: bool) -> list[str]:
        """Show or hide a layer; returns the fields that had to make room for it."""
        self.layers[name].show(shown)
        hidden = []
        if shown and name in FIELDS:
            for other in FIELDS:
                if other != name and self.layers[other].shown:
                    self.layers[other].show(False)
                    hidden.append(other)
        return hidden

    def choose(self, tap: int | None) -> None:
        """Choose a tap, ring it and tell of it."""
        self.mark(tap)
        if self.chosen is not None:
            self.tap_chosen.emit(self.chosen)

    def mark(self, tap: int | None) -> None:
        """Ring a tap; None, or one that is not there: none."""
        self.chosen = tap if tap in self.places else None
        if self.chosen is None:
            for ring in self._rings:
                ring.clear()
            return
        x, y = self.places[self.chosen]
        for ring in self._rings:
            ring.setData([x], [y])

    def step(self, by: int) -> None:
        """The next or the previous tap, in the order of the scan."""
        numbers = sorted(self.places)
        if not numbers:
            return
        at = numbers.index(self.chosen) + by if self.chosen in numbers else 0
        self.choose(numbers[at % len(numbers)])

    def keyPressEvent(self, event: Any) -> None:
        """Arrow keys walk from tap to tap, towards the arrow; plus and minus zoom."""
        ways = {Qt.Key_Left: (-1, 0), Qt.Key_Right: (1, 0), Qt.Key_Up: (0, 1), Qt.Key_Down: (0, -1)}
        if event.key() in ways and self.places:
            self._walk(np.array(ways[event.key()], dtype=float))
        elif event.key() in (Qt.Key_Plus, Qt.Key_Minus):
            self.zoom(0.8 if event.key() == Qt.Key_Plus else 1.25)
        else:
            event.ignore()

    def _walk(self, way: Any) -> None:
        if self.chosen is None:
            self.step(0)
            return
        here = np.array(self.places[self.chosen])
        numbers = np.array(list(self.places))
        off = np.array(list(self.places.values())) - here
        ahead = off @ way
        aside = np.abs(off @ way[::-1])
        cost = np.where(ahead > np.maximum(0.5, aside), ahead + 2.0 * aside, np.inf)
        if np.isfinite(cost.min()):
            self.choose(int(numbers[int(np.argmin(cost))]))

    def _clicked(self, event: Any) -> None:
        if event.button() != Qt.LeftButton or not self.places:
            return
        at = self.getPlotItem().getViewBox().mapSceneToView(event.scenePos())
        numbers = list(self.places)
        gaps = np.hypot(*(np.array(list(self.places.values())) - (at.x(), at.y())).T)
        nearest = int(np.argmin(gaps))
        self.setFocus()
        if gaps[nearest] < 12.0:
            self.choose(numbers[nearest])
