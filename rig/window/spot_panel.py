"""What is chosen: the spot, its sound as wave and spectrum, its readings, what to do with it."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from PyQt5.QtCore import pyqtSignal
from PyQt5.QtWidgets import QHBoxLayout, QLabel, QPushButton, QTextBrowser, QVBoxLayout, QWidget

from rig.window.axes import axes
from rig.window.theme import axis_font, drawn_width, theme
from rig.window.words import decimal, mm, tr

if TYPE_CHECKING:
    from rig.jobs.spot import Spot, StrikeView
    from rig.model.reading import ClipReading

_MOST_POINTS = 4000  # of a wave on the screen


class SpotPanel(QWidget):
    """One tap at a time."""

    play_wanted = pyqtSignal()
    again_wanted = pyqtSignal()
    out_wanted = pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        self.spot: Spot | None = None
        self.title = QLabel()
        self.title.setObjectName("big")
        self.title.setWordWrap(True)
        self.number = QLabel()
        self.number.setObjectName("number")  # read from two metres, with the hands at the bench
        self.what = QLabel()
        self.what.setObjectName("faint")
        self.what.setWordWrap(True)
        self.map_value: tuple[str, str] | None = None
        self.note = QLabel()
        self.note.setObjectName("problem")
        self.note.setWordWrap(True)
        self.note.hide()
        self.wave = self._plot(tr("wave over ms"))
        self.wave.getPlotItem().getAxis("left").setStyle(showValues=False)
        self.spectrum = self._plot(tr("dB over Hz"))
        self.readings = QTextBrowser()
        self.readings.setAccessibleName(tr("Readings"))
        self.play = QPushButton(tr("Play"))
        self.again = QPushButton(tr("Strike again"))
        self.out = QPushButton(tr("Leave out"))
        self.play.clicked.connect(self.play_wanted)
        self.again.clicked.connect(self.again_wanted)
        self.out.clicked.connect(self.out_wanted)
        buttons = QHBoxLayout()
        for button in (self.play, self.again, self.out):
            buttons.addWidget(button)
        box = QVBoxLayout(self)
        box.setContentsMargins(6, 6, 6, 6)
        box.setSpacing(4)
        for widget, stretch in (
            (self.title, 0), (self.number, 0), (self.what, 0), (self.note, 0), (self.wave, 3),
            (self.spectrum, 3), (self.readings, 5),
        ):  # fmt: skip
            box.addWidget(widget, stretch)
        box.addLayout(buttons)
        self.paint_theme()
        self.show_spot(None)

    def _plot(self, below: str) -> Any:
        plot = pg.PlotWidget(axisItems=axes())
        item = plot.getPlotItem()
        item.hideButtons()
        item.setMenuEnabled(False)
        item.setMouseEnabled(x=True, y=False)
        item.getAxis("left").setWidth(34)
        note = pg.LabelItem(below, justify="right")
        note.setParentItem(item.getViewBox())
        note.anchor((1, 0), (1, 0), (-4, 0))
        plot.note = note
        plot.setMinimumHeight(70)
        return plot

    def paint_theme(self) -> None:
        """Take the colours of the theme."""
        colours = theme()
        for plot in (self.wave, self.spectrum):
            plot.setBackground(colours.ground)
            plot.note.setText(
                plot.note.text, color=colours.faint, size=f"{axis_font().pointSizeF()}pt"
            )
            for side in ("left", "bottom"):
                axis = plot.getPlotItem().getAxis(side)
                axis.setTickFont(axis_font())
                axis.setPen(pg.mkPen(colours.line))
                axis.setTextPen(pg.mkPen(colours.faint))
        if self.spot is not None:
            self.show_spot(self.spot, self.map_value)

    def say(self, text: str) -> None:
        """A sentence at this place."""
        self.note.setText(text)
        self.note.setVisible(bool(text))

    @property
    def strike(self) -> StrikeView | None:
        """The strike that is shown."""
        return self.spot.strikes[0] if self.spot is not None and self.spot.strikes else None

    def _show_number(self, spot: Spot | None) -> None:
        """The map's value there; without a map what a listener calls higher or lower."""
        reading = None if self.strike is None else self.strike.reading
        number, what = "", ""
        if spot is not None and self.map_value is not None:
            number, what = self.map_value
        elif reading is not None and reading.attack_hz is not None:
            number, what = tr("{0:.0f} Hz", reading.attack_hz), tr("attack; no map made yet")
        self.number.setText(number)
        self.what.setText(what)
        for label in (self.number, self.what):
            label.setVisible(bool(number))

    def show_spot(self, spot: Spot | None, map_value: tuple[str, str] | None = None) -> None:
        """Show a tap; None: nothing chosen. map_value: the map's number there, and what it is."""
        self.map_value = map_value
        self.spot = spot
        self.say("")
        strike = self.strike
        self._show_number(spot)
        self.wave.clear()
        self.spectrum.clear()
        self.play.setEnabled(strike is not None)
        self.out.setEnabled(strike is not None and not strike.superseded)
        self.again.setEnabled(strike is not None)
        self.out.setText(tr("Take in again") if strike and strike.left_out else tr("Leave out"))
        for plot in (self.wave, self.spectrum):
            plot.setVisible(strike is not None)
        marked = strike is not None and strike.superseded
        self.again.setText(tr("Keep as it is") if marked else tr("Strike again"))
        if spot is None:
            self.title.setText(tr("No spot chosen"))
            self.readings.setHtml(
                tr("Click a tap on the plate, or walk there with the arrow keys.")
            )
            return
        self.title.setText(
            tr("Tap {0}: x {1}, y {2} mm", spot.tap + 1, mm(spot.x_mm), mm(spot.y_mm))
        )
        if strike is None:
            self.readings.setHtml(tr("Not struck yet."))
            return
        self._draw(strike)
        self.readings.setHtml(self._text(spot, strike))

    def _draw(self, strike: StrikeView) -> None:
        pen = pg.mkPen(theme().accent, width=drawn_width(1))
        every = max(1, len(strike.wave) // _MOST_POINTS)
        wave = strike.wave[::every]
        time_ms = 1e3 * np.arange(len(wave)) * every / strike.rate_hz
        self.wave.plot(time_ms, wave, pen=pen)
        self.spectrum.plot(strike.spectrum_hz, strike.spectrum_db, pen=pen)
        self.spectrum.setYRange(-70, 3, padding=0)
        if strike.reading is not None:
            mark = pg.mkPen(theme().caution, width=1)
            if strike.reading.onset_s is not None:
                self.wave.addItem(pg.InfiniteLine(1e3 * strike.reading.onset_s, pen=mark))
            for partial in strike.reading.ring:
                if partial.hz < 3000:
                    self.spectrum.addItem(pg.InfiniteLine(partial.hz, pen=mark), ignoreBounds=True)

    def _text(self, spot: Spot, strike: StrikeView) -> str:
        rows = [(tr("Strikes kept"), str(len(spot.strikes)))]
        reading = strike.reading
        if strike.superseded:
            rows.append((tr("State"), tr("to be struck again")))
        if reading is None:
            return _table(rows) + tr("Not read yet.")
        rows += _rows(reading)
        reasons = "".join(f"<li>{html.escape(reason)}</li>" for reason in reading.reasons)
        return _table(rows) + (f"<ul style='margin-left:-24px'>{reasons}</ul>" if reasons else "")


def _rows(reading: ClipReading) -> list[tuple[str, str]]:
    words = {"good": tr("good"), "doubtful": tr("doubtful"), "bad": tr("bad, not used")}
    rows = [(tr("Quality"), words[reading.quality])]
    if reading.attack_hz is not None:
        doubt = reading.attack_sd_cents
        rows.append(
            (tr("Attack"), tr("{0:.0f} Hz", reading.attack_hz) if doubt is None
             else tr("{0:.0f} Hz ± {1:.0f} cents", reading.attack_hz, doubt))
        )  # fmt: skip
    tone = reading.tone_hz
    if tone is not None:
        doubt = reading.tone_sd_hz
        rows.append(
            (tr("Pitch"), decimal(f"{tone:.1f}" + (f" ± {doubt:.1f}" if doubt else "") + " Hz"))
        )
    if reading.contact_ms is not None:
        rows.append((tr("Contact"), decimal(f"{reading.contact_ms:.3f} ms")))
    if reading.level_db is not None:
        rows.append((tr("Level"), f"{reading.level_db:.0f} dB".replace("-", "−")))
    strongest = sorted(reading.ring, key=lambda partial: -partial.level_db)[:5]
    for partial in sorted(strongest, key=lambda partial: partial.hz):
        rows.append(
            (tr("Partial"), decimal(f"{partial.hz:.1f} ± {partial.sd_hz:.1f} Hz")
             + f", {1e3 * partial.decay_s:.0f} ms")
        )  # fmt: skip
    return rows


def _table(rows: list[tuple[str, str]]) -> str:
    colour = theme().faint
    cells = "".join(
        f"<tr><td style='color:{colour}; padding-right:10px'>{html.escape(name)}</td>"
        f"<td>{html.escape(value)}</td></tr>"
        for name, value in rows
    )
    return f"<table>{cells}</table>"
