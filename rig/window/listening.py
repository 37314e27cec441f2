"""Listening: strokes across the plate, two spots after each other, and what sounds now."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from PyQt5.QtCore import QObject, Qt

from rig.jobs.listening import MOST_PLACES, Place
from rig.window.findings import value_at
from rig.window.plate_hands import taps_along
from rig.window.theme import drawn_width, theme
from rig.window.words import mm, tr

if TYPE_CHECKING:
    from rig.jobs.listening import Heard
    from rig.window.main_window import MainWindow


class Listening(QObject):
    """Takes strokes from the plate and orders from the panel; sounds come from the jobs."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self._window = window
        self._panel = window.listen
        self.heard: Heard | None = None
        self.first: Place | None = None
        self.second: Place | None = None
        self._words: dict[Place, str] = {}
        self._places_mm: dict[Place, tuple[float, float]] = {}
        self._path: list[tuple[float, float]] = []
        self._next: list[Place] | None = None
        self._last: list[Place] = []
        self._stopped = threading.Event()
        plot = window.plate.getPlotItem()
        self._trail = pg.PlotCurveItem()
        self._sounding = pg.ScatterPlotItem()
        for depth, item in ((190, self._trail), (195, self._sounding)):
            item.setZValue(depth)
            plot.addItem(item, ignoreBounds=True)
        plot.getViewBox().hands.append(self)
        panel = self._panel
        panel.first_wanted.connect(lambda: self.put("first"))
        panel.second_wanted.connect(lambda: self.put("second"))
        panel.same_wanted.connect(self.same_place)
        panel.pair_wanted.connect(self.play_pair)
        panel.stop_wanted.connect(self.stop)
        panel.way_changed.connect(lambda: self.play(self._last) if self._last else None)
        window.desk.workers.progressed.connect(self._follow)
        window.desk.workers.ended.connect(self._ended)
        window.plate.tap_chosen.connect(self._chosen)

    # --- strokes on the plate ----------------------------------------------------------------

    def begin(self, x_mm: float, y_mm: float, modifiers: Any) -> bool:
        """A stroke is listened to with Shift held, or while listening along."""
        if not (self._panel.along.isChecked() or modifiers & Qt.ShiftModifier):
            return False
        self._path = [(x_mm, y_mm)]
        self._trail.setPen(pg.mkPen(theme().accent, width=drawn_width(3)))
        return True

    def move(self, x_mm: float, y_mm: float) -> None:
        """Draw the way."""
        self._path.append((x_mm, y_mm))
        self._trail.setData(*np.array(self._path).T)

    def end(self, x_mm: float, y_mm: float) -> None:
        """Play what lies along the way."""
        self._path.append((x_mm, y_mm))
        self._trail.setData([], [])
        taps = taps_along(np.array(self._path), self._window.plate.places)
        scan = self._scan()
        if not taps or scan is None:
            self._panel.say(tr("No tap lies along this way."))
            return
        self._window.show_tab(self._panel)
        self.play([Place(scan, tap) for tap in taps])

    # --- what is to be played ------------------------------------------------------------------

    def _scan(self) -> str | None:
        seen = self._window.desk.seen
        return None if seen is None else seen.scan

    def _chosen_place(self) -> Place | None:
        tap, scan = self._window.plate.chosen, self._scan()
        if tap is None or scan is None:
            self._panel.say(tr("Choose a tap on the plate first."))
            self._window.show_tab(self._panel)
            return None
        return Place(scan, tap)

    def _chosen(self, tap: int) -> None:
        scan = self._scan()
        if self._panel.along.isChecked() and scan is not None and self._window.desk.run is None:
            self.play([Place(scan, tap)])

    def play_chosen(self) -> None:
        """The tap that is chosen."""
        place = self._chosen_place()
        if place is not None:
            self.play([place])

    def put(self, slot: str) -> None:
        """Put the chosen tap down as first or second."""
        place = self._chosen_place()
        if place is not None:
            x, y = self._window.plate.places[place.tap]
            self._put(slot, place, x, y)
            self._window.show_tab(self._panel)

    def _put(self, slot: str, place: Place, x_mm: float, y_mm: float) -> None:
        setattr(self, slot, place)
        self._words[place] = tr(
            "{0}, tap {1} ({2}, {3})", place.scan, place.tap + 1, mm(x_mm), mm(y_mm)
        )
        self._places_mm[place] = (x_mm, y_mm)
        self._panel.say("")
        self._show_slots()

    def _show_slots(self) -> None:
        known = [self._words.get(p) if p else None for p in (self.first, self.second)]
        self._panel.show_slots(*known)

    def same_place(self, scan: str) -> None:
        """The tap of another scan that is nearest to the first becomes the second."""
        if self.first is None or not scan:
            return
        x, y = self._places_mm[self.first]

        def done(found: tuple[Place, float]) -> None:
            place, gap_mm = found
            self._put("second", place, x, y)
            if gap_mm > 6.0:
                self._panel.say(tr("The nearest tap of {0} lies {1:.0f} mm off.", scan, gap_mm))

        desk = self._window.desk
        desk.do("listen", "listening.same_place", done, folder=desk.folder, scan=scan, x_mm=x,
                y_mm=y)  # fmt: skip

    def play_pair(self, turned: bool = False) -> None:
        """First and second after each other, or the other way round."""
        if self.first is None or self.second is None:
            self._panel.say(tr("Put one tap down as first and one as second."))
            self._window.show_tab(self._panel)
            return
        pair = [self.first, self.second]
        self.play(pair[::-1] if turned else pair)

    def play(self, places: list[Place]) -> None:
        """Play these; what sounds now is ended first."""
        desk = self._window.desk
        if desk.run is not None:
            self._panel.say(tr("A scan is running, and its microphone would hear this."))
            self._window.show_tab(self._panel)
            return
        if self._window.ear.session is not None:
            self._panel.say(tr("An ear is being trained; stop that first (page Ear)."))
            self._window.show_tab(self._panel)
            return
        if desk.workers.running("listening.listen") or desk.workers.running("listening.play"):
            self._next = places
            self._stopped.set()
            return
        self._last = places[:MOST_PLACES]
        self._stopped = stopped = threading.Event()
        self._panel.stop.setEnabled(True)
        desk.do("listen", "listening.listen", lambda heard: self._made(heard, stopped),
                folder=desk.folder, places=self._last,
                way=self._panel.way.currentData())  # fmt: skip
        if len(places) > MOST_PLACES:
            self._panel.say(
                tr("Only the first {0} of {1} taps are played.", MOST_PLACES, len(places))
            )

    def next_way(self) -> None:
        """The next way of play, and what was heard last once more."""
        way = self._panel.way
        way.setCurrentIndex((way.currentIndex() + 1) % way.count())
        self._panel.way_changed.emit()

    def stop(self) -> None:
        """Be silent now."""
        self._next = None
        self._stopped.set()

    def forget(self) -> None:
        """Another plate lies on the desk."""
        self.stop()
        self.heard = self.first = self.second = None
        self._last = []
        self._panel.say("")
        self._show_slots()
        self._panel.show_heard(None)

    def _made(self, heard: Heard, stopped: threading.Event) -> None:
        if stopped.is_set():
            return
        self.heard = heard
        self._show_heard()
        self._panel.stop.setEnabled(True)
        self._window.desk.do("listen", "listening.play", lambda _none: None, heard=heard,
                             stopped=stopped.is_set)  # fmt: skip

    def _show_heard(self, now: int | None = None) -> None:
        """With what the map says of each place, where one was made."""
        heard = self.heard
        drawn = self._window.desk.map
        values = []
        for place in () if heard is None else heard.places:
            value = value_at(drawn, place.scan, place.tap)
            values.append("" if value is None else value[0])
        self._panel.show_heard(heard, now, values)

    # --- what sounds now -----------------------------------------------------------------------

    def _follow(self, name: str, events: list[Any]) -> None:
        if name != "listening.play" or self.heard is None:
            return
        at = events[-1].detail.get("place")
        self._show_heard(at)
        if at is None:
            self._sounding.clear()
            return
        place = self.heard.places[at]
        self._sounding.setData(
            [place.x_mm], [place.y_mm], size=drawn_width(24), pen=pg.mkPen("#ffffff", width=2),
            brush=pg.mkBrush(theme().accent),
        )  # fmt: skip

    def _ended(self, name: str) -> None:
        if name not in ("listening.listen", "listening.play"):
            return
        if name == "listening.play":
            self._sounding.clear()
            self._show_heard()
        following, self._next = self._next, None
        if following is not None:
            self.play(following)
        elif not self._window.desk.workers.running("listening.play"):
            self._panel.stop.setEnabled(False)
