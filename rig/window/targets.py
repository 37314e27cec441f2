"""What a map is held against, and where its work order begins."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyqtgraph as pg
from PyQt5.QtCore import QObject, QPointF, Qt
from PyQt5.QtWidgets import QFileDialog

from rig.window import layers
from rig.window.findings import map_text
from rig.window.theme import drawn_width
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.jobs.drawn import DrawnMap
    from rig.jobs.overview import Overview
    from rig.window.main_window import MainWindow

PROFILE = "a drawn profile"  # the entry that asks for a file
_NEAR_PX = 18


def target_entries(seen: Overview | None, profile: str | None) -> list[tuple[str, str]]:
    """All targets of the scan that is shown, as (text, name)."""
    entries = [
        (tr("usual"), ""), (tr("flat"), "flat"), (tr("smooth"), "smooth graduation"),
        (tr("mirror side"), "mirror side"), (tr("other face"), "other face"),
    ]  # fmt: skip
    if seen is not None:
        names = [one.scan for one in seen.scans]
        here = names.index(seen.scan) if seen.scan in names else 0
        face = seen.scans[here].face if names else None
        entries += [
            (tr("as it was in {0}", one.scan), one.scan)
            for one in seen.scans[:here]
            if one.face == face and one.taps_done
        ]
    if profile is not None:
        entries.append((tr("drawn: {0}", Path(profile).name), profile))
    entries.append((tr("a drawn profile…"), PROFILE))
    return entries


class Targets(QObject):
    """Keeps the choice of targets up to date; lets the starting spot be moved by hand."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self._window = window
        self._box = window.stages.target
        self._profile: str | None = None
        self._last = ""
        self._cross = pg.ScatterPlotItem(symbol="+", pen=pg.mkPen("#ffffff", width=2))
        self._cross.setZValue(198)
        window.plate.getPlotItem().addItem(self._cross, ignoreBounds=True)
        window.plate.getPlotItem().getViewBox().hands.insert(0, self)
        self._box.activated.connect(self._chosen)
        window.desk.workers.ended.connect(self._ended)

    # --- targets -------------------------------------------------------------------------------

    def show_state(self, seen: Overview | None) -> None:
        """Fill the box anew where the scans have changed, keeping what is chosen."""
        entries = target_entries(seen, self._profile)
        if entries == [(self._box.itemText(n), self._box.itemData(n))
                       for n in range(self._box.count())]:  # fmt: skip
            return
        kept = self._box.currentData()
        self._box.clear()
        for text, name in entries:
            self._box.addItem(text, name)
        self._box.setCurrentIndex(max(0, self._box.findData(kept)))
        self._last = self._box.currentData()

    def forget(self) -> None:
        """Another plate lies on the desk."""
        self._profile = None
        self._box.setCurrentIndex(0)

    def _chosen(self, _index: int) -> None:
        if self._box.currentData() != PROFILE:
            self._last = self._box.currentData()
            return
        self._box.setCurrentIndex(max(0, self._box.findData(self._last)))
        window = self._window
        dialog = QFileDialog(window, tr("A drawn profile: x_mm,y_mm,target_cents"), "",
                             tr("Tables (*.csv)"))  # fmt: skip
        dialog.setOption(QFileDialog.DontUseNativeDialog)
        dialog.fileSelected.connect(self.use_profile)
        window.ask(dialog)

    def use_profile(self, path: str) -> None:
        """Choose a drawn profile; whether it can be read is said when the map is made."""
        self._profile = path
        self.show_state(self._window.desk.seen)
        self._box.setCurrentIndex(self._box.findData(path))
        self._last = path

    # --- the starting spot -----------------------------------------------------------------------

    def begin(self, x_mm: float, y_mm: float, modifiers: Any) -> bool:
        """A drag that begins on the cross moves the cross; with Shift it is listened to."""
        if modifiers & Qt.ShiftModifier:
            return False
        drawn, plate = self._window.desk.map, self._window.plate
        spot = None if drawn is None else drawn.made.work_order.starting_spot_mm
        if spot is None or not plate.layers["zones"].shown:
            return False
        box = plate.getPlotItem().getViewBox()
        off = box.mapViewToScene(QPointF(*spot)) - box.mapViewToScene(QPointF(x_mm, y_mm))
        return bool(off.manhattanLength() <= drawn_width(_NEAR_PX))

    def move(self, x_mm: float, y_mm: float) -> None:
        """Show where it would be."""
        self._cross.setData([x_mm], [y_mm], size=drawn_width(26), brush=pg.mkBrush(layers.DARK_INK))

    def end(self, x_mm: float, y_mm: float) -> None:
        """Begin there from now on."""
        self.begin_at((round(x_mm, 1), round(y_mm, 1)))

    def begin_at_chosen(self) -> None:
        """The work order begins at the tap that is chosen."""
        plate = self._window.plate
        if plate.chosen is None:
            self._window.say("read", tr("Choose a tap on the plate first."))
        else:
            self.begin_at(plate.places[plate.chosen])

    def begin_at(self, start_mm: tuple[float, float] | None, *, record: bool = True) -> None:
        """The work order of this map begins here; None: where it would by itself."""
        desk = self._window.desk
        drawn = desk.map
        if drawn is None:
            self._window.say("read", tr("Make a map first."))
            return
        before = drawn.made.start_mm

        def done(made: DrawnMap) -> None:
            if desk.map is not drawn:
                return  # another map has been made meanwhile
            desk.map = made
            if record:
                desk.can_undo(lambda: self.begin_at(before, record=False))
            layers.fill_zones(self._window.plate.layers["zones"], made)
            self._window.show_layer("zones", True)
            self._window.show_findings(map_text(made))

        desk.do("read", "drawn.drawn_start", done, drawn=drawn, start_mm=start_mm)

    def _ended(self, name: str) -> None:
        if name == "drawn.drawn_start":
            self._cross.clear()
