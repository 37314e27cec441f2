"""The first start: what is plugged in, in words, and the strip of the tour."""

from __future__ import annotations

from pathlib import Path

from hands import click, press
from PyQt5.QtCore import Qt
from pytestqt.qtbot import QtBot

from rig.jobs.devices import DeviceList, Input, Port
from rig.window.main_window import MainWindow
from rig.window.plugged import in_short, plugged_page
from rig.window.settings import RigChoice


def test_the_first_start_offers_the_tour_once(window: MainWindow, idle: object) -> None:
    assert callable(idle)
    window.look_round()
    idle()
    assert "Three minutes" in window.welcome.title.text()
    assert window.welcome.found.text().startswith("Plugged in: ")
    assert not window.memory.first_time()


def test_each_device_is_told_what_for_and_what_is_missing() -> None:
    nothing = DeviceList((), (), (), ())
    page = plugged_page(nothing)
    for sentence in ("Without the board nothing moves", "Without a microphone no tap is heard",
                     "Without a camera the plate cannot be found"):  # fmt: skip
        assert sentence in page
    assert "Not there: the board, the microphone, the camera." in in_short(nothing)
    some = DeviceList(
        (Port("/dev/ttyACM0", "board <3", ""),), (Input("box", 1, 48_000),), (), (), ("Odd.",)
    )
    page = plugged_page(some)
    assert "board &lt;3" in page
    assert "One channel only" in page
    assert "Odd." in page
    assert "1 serial port, 1 microphone, 0 cameras" in in_short(some)


def test_the_tour_points_waits_and_gives_the_rig_back(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path
) -> None:
    assert callable(idle)
    window.desk.use_rig(RigChoice(world="empty-bed"))
    press(qtbot, window, Qt.Key_H, Qt.ControlModifier)
    tour = window.tour
    assert window.banner.isVisible()
    assert window.desk.rig.speed == 0.0
    assert tour.strip.place.text() == "Step 1 of 9"
    assert tour.pointer.isVisible()
    middle = tour.pointer.geometry().center()
    assert window.childAt(middle) is window.welcome.new  # the frame lets the mouse through
    assert not tour.strip.back.isEnabled()
    window.desk.new_plate({"folder": tmp_path / "new.plate", "name": "new"})
    idle()
    assert tour.strip.place.text() == "Step 1 of 9  ✓"
    click(qtbot, tour.strip.next)
    assert window.stages.lay.body.isVisible()
    click(qtbot, tour.strip.back)
    assert tour.at == 0
    click(qtbot, tour.strip.leave)
    assert not tour.strip.isVisible()
    assert not tour.pointer.isVisible()
    assert window.desk.rig.world == "empty-bed"
    assert window.desk.folder == tmp_path / "new.plate"
