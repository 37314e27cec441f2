"""What is heard: the way of play, two spots to be played after each other, the readings beside."""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import pyqtSignal
from PyQt5.QtWidgets import (
    QComboBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from rig.window.theme import theme
from rig.window.words import signed, tr

if TYPE_CHECKING:
    from rig.jobs.listening import Heard, HeardPlace


class ListenPanel(QWidget):
    """Knows neither plate nor desk."""

    along_wanted = pyqtSignal(bool)
    first_wanted = pyqtSignal()
    second_wanted = pyqtSignal()
    same_wanted = pyqtSignal(str)
    pair_wanted = pyqtSignal(bool)  # the other way round
    stop_wanted = pyqtSignal()
    way_changed = pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        self.along = QPushButton(tr("Listen along"))
        self.along.setCheckable(True)
        self.along.setToolTip(
            tr("On: every tap that is chosen is heard, and a stroke across the plate plays the "
               "taps along its way. Off: a stroke moves the plate; Shift and a stroke still plays.")
        )  # fmt: skip
        self.stop = QPushButton(tr("Stop the sound"))
        self.stop.setEnabled(False)
        self.way = QComboBox()
        for text, value in (
            (tr("Play as recorded"), "as recorded"), (tr("Play slowed, same pitch"), "slowed"),
            (tr("Play moved to where ears are sure"), "centred"),
            (tr("Play moved, differences widened"), "widened"),
        ):  # fmt: skip
            self.way.addItem(text, value)
        self.way.setAccessibleName(tr("Way of play"))
        self.first, self.second = _slot(), _slot()
        self.set_first = QPushButton(tr("This tap first"))
        self.set_second = QPushButton(tr("This tap second"))
        self.scans = QComboBox()
        self.scans.setAccessibleName(tr("Scan of the same place"))
        self.same = QPushButton(tr("Same place second"))
        self.pair = QPushButton(tr("First, then second"))
        self.pair.setProperty("main", "true")
        self.turned = QPushButton(tr("Second, then first"))
        self.problem = QLabel()
        self.problem.setObjectName("problem")
        self.problem.setWordWrap(True)
        self.problem.hide()
        self.verdict = QLabel()
        self.verdict.setObjectName("big")
        self.verdict.setWordWrap(True)
        self.text = QTextBrowser()
        self.text.setAccessibleName(tr("What is heard"))
        self._lay_out()
        self._connect()
        self.show_slots(None, None)
        self.show_heard(None)

    def _lay_out(self) -> None:
        for box in (self.way, self.scans):
            box.setSizeAdjustPolicy(QComboBox.AdjustToMinimumContentsLengthWithIcon)
            box.setMinimumContentsLength(6)
        grid = QGridLayout()
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setSpacing(4)
        grid.addWidget(self.along, 0, 0)
        grid.addWidget(self.stop, 0, 1)
        grid.addWidget(self.way, 1, 0, 1, 2)
        grid.addWidget(self.first, 2, 0)
        grid.addWidget(self.second, 2, 1)
        grid.addWidget(self.set_first, 3, 0)
        grid.addWidget(self.set_second, 3, 1)
        grid.addWidget(self.scans, 4, 0)
        grid.addWidget(self.same, 4, 1)
        grid.setColumnStretch(0, 1)
        grid.setColumnStretch(1, 1)
        pairs = QHBoxLayout()
        pairs.addWidget(self.pair)
        pairs.addWidget(self.turned)
        box = QVBoxLayout(self)
        box.setContentsMargins(6, 6, 6, 6)
        box.setSpacing(4)
        box.addLayout(grid)
        box.addLayout(pairs)
        box.addWidget(self.problem)
        box.addWidget(self.verdict)
        box.addWidget(self.text, 1)

    def _connect(self) -> None:
        self.along.toggled.connect(self.along_wanted)
        self.stop.clicked.connect(lambda *_: self.stop_wanted.emit())
        self.set_first.clicked.connect(lambda *_: self.first_wanted.emit())
        self.set_second.clicked.connect(lambda *_: self.second_wanted.emit())
        self.same.clicked.connect(lambda *_: self.same_wanted.emit(self.scans.currentData()))
        self.pair.clicked.connect(lambda *_: self.pair_wanted.emit(False))
        self.turned.clicked.connect(lambda *_: self.pair_wanted.emit(True))
        self.way.activated.connect(lambda *_: self.way_changed.emit())

    def say(self, text: str) -> None:
        """A sentence at this place."""
        self.problem.setText(text)
        self.problem.setVisible(bool(text))

    def show_scans(self, scans: list[tuple[str, str]]) -> None:
        """Scans that a place can be sought in, as (text, name)."""
        if scans == [(self.scans.itemText(n), self.scans.itemData(n))
                     for n in range(self.scans.count())]:  # fmt: skip
            return
        self.scans.clear()
        for text, name in scans:
            self.scans.addItem(text, name)

    def show_slots(self, first: str | None, second: str | None) -> None:
        """What is put down as first and second, in words."""
        for label, name, what in ((self.first, tr("First"), first),
                                  (self.second, tr("Second"), second)):  # fmt: skip
            label.setText(f"<b>{name}</b><br>{html.escape(what or tr('nothing yet'))}")
        both = first is not None and second is not None
        self.pair.setEnabled(both)
        self.turned.setEnabled(both)
        self.same.setEnabled(first is not None and self.scans.count() > 0)

    def show_heard(
        self, heard: Heard | None, now: int | None = None, values: Sequence[str] = ()
    ) -> None:
        """The readings of what is heard; now: which of it sounds at this moment.

        values: what the map says of each place, empty where it says nothing.
        """
        self.verdict.setVisible(heard is not None and bool(heard.beside))
        if heard is None:
            self.text.setHtml(tr(
                "Choose a tap and play it with Return, or draw across the plate with Shift held. "
                "For a comparison put one tap down as first and one as second; they may be of "
                "different scans and faces."
            ))  # fmt: skip
            return
        self.verdict.setText(heard.beside)
        told = [*values, *[""] * len(heard.places)]
        several = len({place.scan for place in heard.places}) > 1
        head = (tr("Tap"), tr("Attack"), tr("Cents off"), tr("Map") if any(values) else "")
        rows = "<tr>" + "".join(f"<td style='color:{theme().faint}'>{t}</td>" for t in head)
        rows += "</tr>" + "".join(
            _row(place, heard.places[0], n == now, told[n], several)
            for n, place in enumerate(heard.places)
        )
        gone = "".join(f"<p>{html.escape(text)}</p>" for text in heard.silent_taps)
        self.text.setHtml(
            f"<p>{html.escape(heard.said)}</p><table cellpadding='3'>{rows}</table>{gone}"
        )


def _slot() -> Any:
    label = QLabel()
    label.setWordWrap(True)
    label.setSizePolicy(QSizePolicy.Ignored, QSizePolicy.Preferred)
    return label


def _row(place: HeardPlace, first: HeardPlace, now: bool, value: str, several: bool) -> str:
    """One line: which tap, its attack, how far that is off the first, and the map's value."""
    from math import log2

    hz = tr("no attack") if place.attack_hz is None else f"{place.attack_hz:.0f} Hz"
    off = ""
    if place is not first and place.attack_hz and first.attack_hz:
        off = signed(1200.0 * log2(place.attack_hz / first.attack_hz))
    style = f" style='background:{theme().accent}; color:{theme().on_accent}'" if now else ""
    tap = f"{place.scan} {place.tap + 1}" if several else str(place.tap + 1)
    cells = (tap, hz, off, value)
    row = "".join(f"<td>{html.escape(cell).replace(' ', '&nbsp;')}</td>" for cell in cells)
    return f"<tr{style}>{row}</tr>"
