"""Ear training at the window: asked in a thread of its own, answered by two buttons."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hands import click, press
from PyQt5.QtCore import Qt
from pytestqt.qtbot import QtBot

from rig.jobs.ear_training import ear_progress
from rig.jobs.listening import Place
from rig.model.errors import DeviceError
from rig.window.main_window import MainWindow


def test_a_session_ends_in_a_threshold_and_a_sheet(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path, scanned: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    assert callable(idle)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    played: list[Any] = []
    monkeypatch.setattr("rig.jobs.listening.play", lambda heard, **_: played.append(heard))
    panel = window.ear_panel
    press(qtbot, window, Qt.Key_F6)
    click(qtbot, panel.begin)
    assert "Whose ear" in panel.fields.complaint(panel.listener)
    qtbot.keyClicks(panel.listener, "Ida")
    panel.trials.setText("many")
    click(qtbot, panel.begin)
    assert "“many” is no number" in panel.fields.complaint(panel.trials)
    panel.trials.setText("16")
    click(qtbot, panel.begin)
    assert "Open a plate with a scan first" in panel.problem.text()

    window.desk.open_folder(scanned)
    idle()
    click(qtbot, panel.begin)
    for number in range(1, 17):
        asked = f"{number} of 16: which is higher?"
        qtbot.waitUntil(lambda asked=asked: panel.question.text() == asked, timeout=20_000)
        assert panel.first.isEnabled()
        if number == 1:
            window.listening.play([Place("S0001", 3)])
            assert "An ear is being trained" in window.listen.problem.text()
            qtbot.waitUntil(lambda: len(played) == 1, timeout=5000)
            press(qtbot, window, Qt.Key_3, Qt.AltModifier)
            qtbot.waitUntil(lambda: len(played) == 2, timeout=5000)
            assert played[0] is played[1]
        first, second = (place.attack_hz for place in played[-1].places)
        # right but for every fourth, as an ear near its threshold
        press(qtbot, window, Qt.Key_2 if (second > first) == bool(number % 4) else Qt.Key_1,
              Qt.AltModifier)  # fmt: skip
    idle()
    assert "12 of 16 answers right." in panel.verdict.text()
    assert "cents up (between" in panel.verdict.text()
    assert "SIMULATED" in panel.verdict.text()
    assert "Ida" in panel.text.toPlainText()
    assert sum(day.questions for day in ear_progress().days) == 16
    window.ear.write_sheet(tmp_path / "ears.png")
    idle()
    assert (tmp_path / "ears.png").stat().st_size > 5000


def test_stop_keeps_what_was_answered_and_no_sound_is_a_sentence(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path, scanned: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    assert callable(idle)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr("rig.jobs.listening.play", lambda _heard, **_: None)
    panel = window.ear_panel
    window.desk.open_folder(scanned)
    idle()
    window.show_tab(panel)
    panel.listener.setText("Max")
    click(qtbot, panel.begin)
    qtbot.waitUntil(panel.first.isEnabled, timeout=20_000)
    click(qtbot, panel.first)
    qtbot.waitUntil(lambda: panel.question.text().startswith("2 of"), timeout=20_000)
    window.live.ask(resume=False)
    assert "An ear is being trained" in window.stages.scan.problem.text()
    click(qtbot, panel.stop)
    idle()
    assert "of 1 answer right." in panel.verdict.text()
    assert panel.begin.isEnabled()
    assert not panel.first.isEnabled()

    def silent(_heard: object, **_options: object) -> None:
        raise DeviceError("This computer has no sound output.", remedy="Connect one.")

    monkeypatch.setattr("rig.jobs.listening.play", silent)
    click(qtbot, panel.begin)
    idle()
    assert "no sound output" in panel.problem.text()
    assert window.ear.session is None
    assert sum(day.questions for day in ear_progress().days) == 1
