"""Calibrations at the window: what each is for, what is wrong, how old it is, where kept."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hands import click, press
from PyQt5.QtCore import Qt
from pytestqt.qtbot import QtBot

from rig.jobs import calibrate_gantry
from rig.jobs.calibrate_records import calibrations
from rig.jobs.compose import compose
from rig.jobs.stops import ScanControl
from rig.model.errors import UsageError
from rig.window.main_window import MainWindow
from rig.window.settings import RigChoice
from rig.window.sketches import Sketch

EXAMPLE = Path(__file__).parents[2] / "calibration" / "example-rig.toml"


def _open(qtbot: QtBot, window: MainWindow, kind: str) -> None:
    if not window.calibrating.is_open:
        press(qtbot, window, Qt.Key_C, Qt.ControlModifier | Qt.ShiftModifier)
    window.calibration.list.setCurrentRow(list(window.calibration.procedures).index(kind))


def test_a_table_of_strikes_becomes_a_record_with_its_age(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path, scanned: Path
) -> None:
    assert callable(idle)
    _open(qtbot, window, "tapper")
    page = window.calibration
    assert "Whose?" in page.state.text()
    click(qtbot, page.buttons["go"])
    assert "Choose a file" in page.numbers.complaint(page.fields["table"])
    table = tmp_path / "strikes.csv"
    table.write_text("pulse_us\n3\n")
    page.fields["table"].setText(str(table))
    click(qtbot, page.buttons["go"])
    assert "Choose a rig file or open a plate first" in page.problem.text()

    folder = tmp_path / "back.plate"
    shutil.copytree(scanned, folder)
    window.desk.open_folder(folder)
    idle()
    _open(qtbot, window, "tapper")
    idle()
    assert page.state.text() == "Never made."
    assert page.fields["table"].text() == str(table)  # what was typed is kept
    click(qtbot, page.buttons["go"])
    idle()
    assert "no table of test strikes" in page.problem.text()
    rng = np.random.default_rng(2)
    lines = [f"{pulse},{1.2 * (1 - np.exp((1800 - pulse) / 4000)) * (1 + 0.02 * scatter):.4f}"
             for pulse in range(2000, 7000, 500) for scatter in rng.standard_normal(6)]  # fmt: skip
    table.write_text("\n".join(["pulse_us,speed_m_s", *lines]))
    click(qtbot, page.buttons["go"])
    idle()
    assert "light_pulse_us = " in page.found.text()
    assert page.state.text().startswith("Holds: made today, until 20")
    assert page.list.currentItem().text().endswith("✓")
    assert calibrations(records=tmp_path / "calibration").history == 1

    click(qtbot, page.back)
    assert window.plate.isVisible()


def test_what_the_virtual_rig_cannot_do_is_a_sentence(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path, scanned: Path
) -> None:
    assert callable(idle)
    folder = tmp_path / "back.plate"
    shutil.copytree(scanned, folder)
    window.desk.use_rig(RigChoice(world="maple-graded"))
    window.desk.open_folder(folder)
    idle()
    page = window.calibration
    for kind, button, said in (
        ("gantry", "mark", "marks no paper"), ("gantry", "markers", "marks no paper"),
        ("lens", "capture", "no lens to calibrate"),
    ):  # fmt: skip
        _open(qtbot, window, kind)
        click(qtbot, page.buttons[button])
        assert said in page.problem.text()
    _open(qtbot, window, "repeatability")
    page.fields["labels"].setText("S0001")
    click(qtbot, page.buttons["go"])
    assert "“S0001” is no label" in page.problem.text()
    page.fields["labels"].setText("S0001=Ida, S0009=Max")
    click(qtbot, page.buttons["go"])
    idle()
    assert "S0009" in page.problem.text()
    _open(qtbot, window, "bar")
    page.fields["recording"].setText(str(EXAMPLE))
    page.fields["length"].setText("long")
    click(qtbot, page.buttons["go"])
    assert "“long” is no number" in page.numbers.complaint(page.fields["length"])
    assert calibrations(records=tmp_path / "calibration").history == 0


def test_a_quiet_room_and_a_rig_file(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path
) -> None:
    assert callable(idle)
    rig, silence = tmp_path / "rig.toml", tmp_path / "quiet.wav"
    shutil.copy(EXAMPLE, rig)
    noise = 1e-5 * np.random.default_rng(1).standard_normal(96_000)
    soundfile.write(silence, noise, 48_000, subtype="PCM_24")
    window.desk.use_rig(RigChoice(rig_file=str(rig)))
    _open(qtbot, window, "sound")
    idle()
    page = window.calibration
    click(qtbot, page.buttons["go"])
    idle()
    assert "nothing to listen to" in page.problem.text()
    page.fields["silence"].setText(str(silence))
    click(qtbot, page.buttons["go"])
    idle()
    assert page.problem.text() == ""
    assert "Noise −" in page.found.text()
    assert calibrations(rig=rig).history == 1
    _open(qtbot, window, "gantry")
    page.fields["picture"].setText(str(silence))
    click(qtbot, page.buttons["go"])
    assert "Have the dots marked first" in page.problem.text()
    click(qtbot, page.buttons["mark"])
    assert "hands" in window.dialog.go.text().lower()
    window.dialog.reject()
    assert not window.may_move


def test_marking_dots_can_be_stopped(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(
        "rig.jobs.compose.compose", lambda rig_file: compose(world="maple-graded", speed=0.0)
    )
    control = ScanControl()
    control.stop()
    with pytest.raises(UsageError, match="Stopped after 0 of"):
        calibrate_gantry.mark_sheet("rig.toml", tmp_path / "dots.csv", control=control)


def test_every_procedure_has_its_drawing(qtbot: QtBot, window: MainWindow) -> None:
    blank = Sketch()
    qtbot.addWidget(blank)
    blank.resize(420, 110)
    seen = {bytes(_pixels(blank))}
    for kind in window.calibration.procedures:
        blank.show_kind(kind)
        seen.add(_pixels(blank))
    assert len(seen) == 1 + len(window.calibration.procedures)


def _pixels(sketch: Sketch) -> bytes:
    image = sketch.grab().toImage()
    return bytes(image.constBits().asarray(image.byteCount()))
