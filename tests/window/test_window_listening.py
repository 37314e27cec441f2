"""Listening: strokes across the plate, two taps after each other, no way out for the sound."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hands import click, plate_point, press, stroke
from PyQt5.QtCore import Qt
from pytestqt.qtbot import QtBot

from rig.jobs.listening import HeardPlace, Place, beside, listen, same_place
from rig.model.errors import AnalysisError, DeviceError, UsageError
from rig.tone.listening import level_db
from rig.window.main_window import MainWindow
from rig.window.plate_hands import taps_along


class _Loudspeaker:
    """Stands where the sound library would; each sound lasts a few looks at it."""

    def __init__(self) -> None:
        self.played: list[np.ndarray] = []
        self.stops = 0
        self._looks = 0
        self.fault: Exception | None = None

    def play(self, wave: np.ndarray, _rate_hz: int) -> None:
        if self.fault is not None:
            raise self.fault
        self.played.append(wave)
        self._looks = 3

    @property
    def active(self) -> bool:
        self._looks -= 1
        return self._looks > 0

    def stop(self) -> None:
        self.stops += 1


@pytest.fixture
def loudspeaker(monkeypatch: pytest.MonkeyPatch) -> _Loudspeaker:
    made = _Loudspeaker()
    library = SimpleNamespace(play=made.play, stop=made.stop, get_stream=lambda: made)
    monkeypatch.setitem(sys.modules, "sounddevice", library)
    return made


def test_taps_along_a_stroke_in_its_order() -> None:
    places = {n: (10.0 * (n % 5), 10.0 * (n // 5)) for n in range(25)}
    row = np.array([[42.0, 11.0], [-2.0, 9.0]])
    assert taps_along(row, places) == [9, 8, 7, 6, 5]
    there_and_down = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 21.0]])
    assert taps_along(there_and_down, places) == [0, 1, 2, 7, 12]
    assert taps_along(np.array([[500.0, 0.0], [510.0, 0.0]]), places) == []
    assert taps_along(np.zeros((0, 2)), places) == []


def test_sounds_of_a_plate_are_level_and_their_readings_beside(scanned: Path) -> None:
    told = []
    heard = listen(scanned, [Place("S0001", 3), Place("S0001", 8)],
                   progress=lambda event: told.append(event.stage))  # fmt: skip
    assert told[0] == "fetching taps"
    levels = []
    for start, end in heard.spans_s:
        part = heard.wave[round(start * heard.rate_hz) : round(end * heard.rate_hz)]
        levels.append(level_db(part.astype(float), heard.rate_hz))
    assert levels[0] == pytest.approx(levels[1], abs=0.1)
    assert "attack" in heard.beside
    assert heard.as_json()["places"][1]["tap"] == 8
    with pytest.raises(AnalysisError, match="None of these"):
        listen(scanned, [Place("S0001", 999)])
    with pytest.raises(UsageError, match="1 to 60 taps"):
        listen(scanned, [])
    with pytest.raises(UsageError, match="no way of play"):
        listen(scanned, [Place("S0001", 3)], "backwards")  # type: ignore[arg-type]  # on purpose
    some = listen(scanned, [Place("S0001", 999), Place("S0001", 3)])
    assert [one.tap for one in some.places] == [3]
    assert some.silent_taps == ("S0001 tap 1000: not struck yet.",)
    place, gap_mm = same_place(scanned, "S0001", heard.places[0].x_mm + 1, heard.places[0].y_mm)
    assert place == Place("S0001", 3)
    assert gap_mm == pytest.approx(1.0)


def test_what_two_readings_say_of_each_other() -> None:
    def at(hz: float | None, sd: float) -> HeardPlace:
        return HeardPlace("S0001", "outer", 0, 0.0, 0.0, "good", hz, sd, None)

    assert "higher: 100 ± 14 cents" in beside([at(1000.0, 10.0), at(1059.46, 10.0)])
    assert "lower: 100" in beside([at(1059.46, 10.0), at(1000.0, 10.0)])
    assert "not surely different" in beside([at(1000.0, 10.0), at(1010.0, 10.0)])
    assert "no attack" in beside([at(1000.0, 10.0), at(None, 0.0)])
    assert beside([at(1000.0, 10.0)]) == ""


def test_strokes_and_pairs_by_hand(
    qtbot: QtBot, window: MainWindow, idle: object, scanned: Path, loudspeaker: _Loudspeaker
) -> None:
    assert callable(idle)
    window.desk.open_folder(scanned)
    idle()
    taps = window.desk.seen.taps
    row = [tap for tap in taps if abs(tap.y_mm - taps[len(taps) // 2].y_mm) < 5]
    row.sort(key=lambda tap: -tap.x_mm)
    stroke(qtbot, window, (row[0].x_mm + 5, row[0].y_mm), (row[-1].x_mm - 5, row[-1].y_mm),
           Qt.ShiftModifier)  # fmt: skip
    idle()
    heard = window.listening.heard
    assert heard is not None
    assert [place.tap for place in heard.places] == [tap.tap for tap in row]
    assert len(loudspeaker.played) == 1
    assert window.listen.isVisible()
    assert "equally strong" in window.listen.text.toPlainText()

    for slot, tap in ((Qt.Key_A, taps[3]), (Qt.Key_B, taps[7])):
        window.plate.choose(tap.tap)
        press(qtbot, window, slot, Qt.ShiftModifier)
    idle()
    assert f"tap {taps[3].tap + 1}" in window.listen.first.text()
    press(qtbot, window, Qt.Key_W)  # the next way; what was heard last is heard again
    idle()
    click(qtbot, window.listen.pair)
    idle()
    assert [place.tap for place in window.listening.heard.places] == [taps[3].tap, taps[7].tap]
    assert "3 times the length" in window.listening.heard.said
    assert "attack" in window.listen.verdict.text()
    click(qtbot, window.listen.turned)
    click(qtbot, window.listen.stop)
    idle()
    assert not window.listen.stop.isEnabled()
    click(qtbot, window.listen.same)
    idle()
    assert window.listening.second == window.listening.first

    before = len(loudspeaker.played)
    click(qtbot, window.listen.along)
    qtbot.mouseClick(window.plate.viewport(), Qt.LeftButton, pos=plate_point(window, taps[5]))
    idle()
    assert len(loudspeaker.played) == before + 1
    assert [place.tap for place in window.listening.heard.places] == [taps[5].tap]


def test_without_a_loudspeaker_a_sentence(
    window: MainWindow, idle: object, scanned: Path, loudspeaker: _Loudspeaker
) -> None:
    assert callable(idle)
    loudspeaker.fault = RuntimeError("Error querying device -1")
    window.desk.open_folder(scanned)
    idle()
    window.listening.play_chosen()
    assert "Choose a tap" in window.listen.problem.text()
    window.plate.choose(4)
    idle()
    window.spot.play.click()
    idle()
    assert "no sound output" in window.listen.problem.text()
    assert window.listen.isVisible()
    assert window.faults.box is None
    assert DeviceError.__name__ not in window.listen.problem.text()
