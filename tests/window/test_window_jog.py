"""The hammer moved by hand: armed keys only, one step at a time, limits, disarming, HALT."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from hands import WORLD, click, press
from PyQt5.QtCore import Qt
from pytestqt.qtbot import QtBot

import rig.window.jog_panel as panel_module
from rig.jobs.jog import JogSession, jog
from rig.model.errors import UsageError
from rig.model.progress import ProgressEvent
from rig.window.main_window import MainWindow
from rig.window.settings import RigChoice


def test_orders_never_queue_up_and_limits_are_a_sentence() -> None:
    session = JogSession()
    assert not session.move(10.0, 0.0)  # not homed yet
    told: list[dict[str, object]] = []
    fresh = threading.Event()

    def progress(event: ProgressEvent) -> None:
        if event.detail:
            told.append(event.detail)
            fresh.set()

    ended: list[object] = []
    thread = threading.Thread(
        target=lambda: ended.append(jog(session, world=WORLD, speed=0.0, progress=progress))
    )
    thread.start()

    def after(order: object) -> dict[str, object]:
        assert order is not False
        assert fresh.wait(20.0)
        fresh.clear()
        return told[-1]

    def step(dx_mm: float, dy_mm: float) -> None:
        while not session.move(dx_mm, dy_mm):
            assert thread.is_alive()

    assert after(None)["position"] == (0.0, 0.0)
    assert after(step(10.0, 0.0))["position"] == (10.0, 0.0)
    assert after(step(0.0, 0.1))["position"] == (10.0, 0.1)
    refused = after(step(0.0, -1.0))
    assert "outside its limits" in str(refused["refused"])
    assert refused["position"] == (10.0, 0.1)
    assert "find the plate first" in str(after(session.look())["unseen"])
    for nonsense in ((5.0, 0.0), (1.0, 1.0), (0.0, 0.0), (float("nan"), 0.0)):
        with pytest.raises(UsageError, match="along one axis"):
            session.move(*nonsense)
    session.close()
    thread.join(20.0)
    [end] = ended
    assert end.as_json() == {"state": "closed", "position_mm": (10.0, 0.1)}  # type: ignore[attr-defined]  # a JogEnd
    assert not session.move(1.0, 0.0)


def test_only_armed_keys_move_and_they_disarm_by_themselves(
    qtbot: QtBot, window: MainWindow, idle: object, scanned: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert callable(idle)
    monkeypatch.setattr(panel_module, "ARMED_S", 2)
    window.desk.open_folder(scanned)
    idle()
    window.desk.use_rig(RigChoice(world=WORLD, speed=0.0))
    window.show_tab(window.jog)
    assert not window.jog.arm.isEnabled()
    click(qtbot, window.jog.open)
    click(qtbot, window.dialog.go)
    qtbot.waitUntil(lambda: window.jogging.position_mm is not None, timeout=20_000)
    assert window.jogging.position_mm == (0.0, 0.0)
    panel, pad = window.jog, window.jog.pad
    qtbot.keyClick(pad, Qt.Key_Right)
    assert not pad.buttons[1, 0].isEnabled()
    window.go_to(window.stages.scan)
    click(qtbot, window.stages.start_scan)
    assert "close it first" in window.stages.scan.problem.text()

    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=5000)
    click(qtbot, panel.arm)
    assert panel.armed
    assert "ARMED" in panel.arm.text()
    qtbot.keyClick(pad, Qt.Key_Right)
    qtbot.waitUntil(lambda: window.jogging.position_mm == (1.0, 0.0), timeout=5000)
    qtbot.keyClick(pad, Qt.Key_PageUp)
    assert panel.step_mm == 10.0
    qtbot.keyClick(pad, Qt.Key_Up)
    qtbot.waitUntil(lambda: window.jogging.position_mm == (1.0, 10.0), timeout=5000)
    qtbot.keyClick(pad, Qt.Key_Left)
    qtbot.waitUntil(lambda: "outside its limits" in panel.problem.text(), timeout=5000)
    assert panel.armed
    click(qtbot, panel.live)
    qtbot.waitUntil(lambda: window.plate.layers["picture"].shown, timeout=20_000)
    assert "sees it now" in window.legend.title
    click(qtbot, panel.live)

    panel.arm.click()  # disarm, and arm anew: other tests of the same clock may be slow
    panel.arm.click()
    window.stages.plan.head.setFocus()
    assert not panel.armed
    panel.arm.click()
    assert panel.armed
    qtbot.waitUntil(lambda: not panel.armed, timeout=5000)
    before = window.jogging.position_mm
    qtbot.keyClick(pad, Qt.Key_Up)
    assert window.jogging.position_mm == before

    panel.arm.click()
    press(qtbot, window, Qt.Key_Escape)
    assert not panel.armed
    idle()
    assert not window.jogging.is_open
    assert "HALTED" in window.run_bar.what.text()
    assert window.jogging.position_mm is None
    assert panel.open.isEnabled()


def test_a_fault_lets_go_of_the_rig(window: MainWindow, idle: object, scanned: Path) -> None:
    assert callable(idle)
    window.desk.open_folder(scanned)
    idle()
    window.desk.use_rig(RigChoice(world=WORLD, speed=0.0))
    window.jogging.open()
    window.faults.caught.emit(ZeroDivisionError("in a redraw"))
    idle()
    assert not window.jogging.is_open
    assert not window.jog.armed
    assert window.faults.box is not None
    window.faults.box.close()


def test_closing_the_window_lets_go_of_the_rig(
    qtbot: QtBot, window: MainWindow, idle: object, scanned: Path
) -> None:
    assert callable(idle)
    window.desk.open_folder(scanned)
    idle()
    window.desk.use_rig(RigChoice(world=WORLD, speed=0.0))
    window.jogging.open()
    assert window.desk.workers.running("jog.jog")
    window.close()
    assert not window.isVisible()
    idle()
    assert not window.jogging.is_open
