"""The question for a new plate: heights, bars, decimal commas, and nonsense in every field."""

from __future__ import annotations

from pathlib import Path

import pytest
from hands import click
from pytestqt.qtbot import QtBot

from rig.jobs.overview import overview
from rig.window.main_window import MainWindow


def test_heights_and_bars_with_decimal_commas(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path
) -> None:
    assert callable(idle)
    heights = tmp_path / "heights.csv"
    heights.write_text("x_mm,y_mm,height_mm\n0,20,2\n0,100,10\n0,180,15\n0,260,11\n0,330,3\n")
    click(qtbot, window.welcome.new)
    dialog = window.new_plate
    assert dialog is not None
    qtbot.keyClicks(dialog.name, "belly")
    dialog.directory.setText(str(tmp_path))
    qtbot.keyClicks(dialog.mass, "67,5")
    qtbot.keyClicks(dialog.thickness, "2,9")
    qtbot.keyClicks(dialog.heights, str(heights))
    for name, text in (("x1", "-17,5"), ("y1", "55"), ("x2", "-21"), ("y2", "320"),
                       ("height", "3,5/11/3,5"), ("width", "5,5")):  # fmt: skip
        qtbot.keyClicks(dialog.bar[name], text)
    click(qtbot, dialog.add_bar)
    assert dialog.bars.item(0).text() == "-17.5,55,-21,320,3.5/11/3.5,5.5"
    click(qtbot, dialog.go)
    idle()
    facts = overview(tmp_path / "belly.plate").facts
    assert (facts.mass_g, facts.mean_thickness_mm) == (67.5, 2.9)
    assert facts.arch_heights_mm is not None
    assert len(facts.arch_heights_mm) == 5
    assert facts.bars is not None
    assert facts.bars[0].heights_mm == (3.5, 11.0, 3.5)
    assert window.new_plate is None
    assert window.desk.folder == tmp_path / "belly.plate"


def test_nonsense_is_said_below_its_field_and_nothing_typed_is_lost(
    qtbot: QtBot, window: MainWindow, idle: object, tmp_path: Path
) -> None:
    assert callable(idle)
    click(qtbot, window.welcome.new)
    dialog = window.new_plate
    assert dialog is not None
    dialog.directory.setText(str(tmp_path))
    fields = dialog.fields
    click(qtbot, dialog.go)
    assert "needs a name" in fields.complaint(dialog.name)
    qtbot.keyClicks(dialog.name, "top")
    assert fields.complaint(dialog.name) == ""
    for field, typed, said in (
        (dialog.mass, "heavy", "“heavy” is no number from 0 to 5000"),
        (dialog.arching, "-3", "no number from 0 to 100"),
        (dialog.heights, "gone.csv", "no file “gone.csv”"),
        (dialog.bar["height"], "3/high/3", "“3/high/3” are no heights"),
    ):
        if field is dialog.bar["height"]:
            for name, text in (("x1", "0"), ("y1", "50"), ("x2", "0"), ("y2", "300")):
                qtbot.keyClicks(dialog.bar[name], text)
        qtbot.keyClicks(field, typed)
        click(qtbot, dialog.go)
        assert said in fields.complaint(field)
        assert field.hasFocus() or not dialog.isActiveWindow()
        field.clear()
    # a bar as long as a finger is wide passes the fields, and the job refuses it
    for name, text in (("y2", "52"), ("height", "5"), ("width", "5")):
        dialog.bar[name].setText(text)
    click(qtbot, dialog.go)
    idle()
    assert "mm long" in dialog.problem.text()
    assert dialog.isVisible()
    assert dialog.name.text() == "top"
    dialog.bars.setCurrentRow(0)
    click(qtbot, dialog.drop_bar)
    click(qtbot, dialog.go)
    idle()
    assert overview(tmp_path / "top.plate").facts.bars is None


@pytest.mark.parametrize("typed", ["fast", "-1", "1e9"])
def test_a_speed_that_is_none(qtbot: QtBot, window: MainWindow, idle: object, typed: str) -> None:
    assert callable(idle)
    window.stages.choose_rig.click()
    idle()
    dialog = window.dialog
    dialog.speed.setText(typed)
    click(qtbot, dialog.go)
    assert "no number from 0 to 1000" in dialog.fields.complaint(dialog.speed)
    dialog.reject()
