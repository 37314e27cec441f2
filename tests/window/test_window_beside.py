"""Marks of the hand, thickness readings and the camera's picture as layers of the plate."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from hands import press
from PyQt5.QtCore import Qt
from pytestqt.qtbot import QtBot

from rig.jobs.drawn_beside import drawn_beside
from rig.jobs.hand import hand_judge
from rig.jobs.overview import overview
from rig.jobs.thickness import thickness
from rig.window.drop import handle_drop
from rig.window.main_window import MainWindow

JUDGED = "x_mm,y_mm,judgement\n-40,100,higher\n30,120,lower\n0,200,same\n20,280,higher\n"


@pytest.fixture(scope="module")
def measured(scanned: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plate with two records of the hand and a list of caliper readings."""
    room = tmp_path_factory.mktemp("measured")
    folder = room / "back.plate"
    shutil.copytree(scanned, folder)
    (room / "judged.csv").write_text(JUDGED)
    (room / "caliper.csv").write_text(
        "x_mm;y_mm;thickness_mm\n"
        + "".join(f"{x};{y};{2.5 + 0.004 * y:.2f}\n".replace(".", ",")
                  for x in (-40, 0, 40) for y in (60, 130, 200, 280))
    )  # fmt: skip
    hand_judge(room / "judged.csv", plate=folder)
    hand_judge(room / "judged.csv", plate=folder, face="inner")
    hand_judge(room / "judged.csv", plate=folder)
    thickness(folder, room / "caliper.csv")
    return folder


def test_what_lies_beside_the_maps(measured: Path) -> None:
    found = drawn_beside(measured, "outer", "S0001")
    assert [one.name for one in found.hand] == ["H0003", "H0001"]
    assert found.cautions == ()
    drawn = found.thickness
    assert drawn is not None
    assert min(drawn.contours) < 2.8
    assert max(drawn.contours) > 3.5
    assert drawn.rgba.shape[2] == 4
    # the readings rise by 0.4 mm every 100 mm, and so do the lines
    y3 = np.mean([line[:, 1].mean() for line in drawn.contours[3.0]])
    assert y3 == pytest.approx(125.0, abs=20.0)


def test_the_picture_lies_on_the_outline(measured: Path) -> None:
    picture = drawn_beside(measured, "outer", "S0001").picture
    assert picture is not None
    outline = overview(measured).outline
    assert outline is not None
    rgba = picture.rgba[2::4, 2::4]  # one pixel every 2 mm
    rows, columns = rgba.shape[:2]
    x0, y0, width, height = picture.box_mm
    x = x0 + (np.arange(columns) + 0.5) * width / columns
    y = y0 + (np.arange(rows) + 0.5) * height / rows
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    inside = outline.contains(places).reshape(rows, columns)
    wood = rgba[..., 0] > 120  # it is light, the bed dark
    agreement = {
        (dx, dy): float(np.mean(np.roll(wood, (dy, dx), (0, 1)) == inside))
        for dx in (-1, 0, 1) for dy in (-1, 0, 1)
    }  # fmt: skip
    assert max(agreement, key=lambda shift: agreement[shift]) == (0, 0)
    assert agreement[0, 0] > 0.98
    assert drawn_beside(measured, "outer").picture is None


def test_layers_by_key_with_legend_and_words(
    qtbot: QtBot, window: MainWindow, idle: object, measured: Path
) -> None:
    assert callable(idle)
    window.desk.open_folder(measured)
    idle()
    press(qtbot, window, Qt.Key_H)
    assert window.plate.layers["hand"].shown
    assert "H0003: judged places, 4 places" in window.findings.toPlainText()
    assert "▲ higher" in window.legend.title
    press(qtbot, window, Qt.Key_H, Qt.ShiftModifier)
    assert "H0001" in window.findings.toPlainText()
    press(qtbot, window, Qt.Key_6)
    assert "at 12 places" in window.legend.title
    press(qtbot, window, Qt.Key_7)
    assert window.plate.layers["picture"].shown
    assert not window.plate.layers["thickness"].shown
    assert window.plate.layers["hand"].shown
    press(qtbot, window, Qt.Key_F1)
    page = window.dialog.findChild(type(window.findings)).toPlainText()
    for words in ("Layer: By hand", "Layer: Thickness", "Layer: Camera", "Next record of the hand",
                  "Listen along", "First, then second"):  # fmt: skip
        assert words in page


def test_tables_dropped_on_the_window(
    window: MainWindow, idle: object, scanned: Path, tmp_path: Path
) -> None:
    assert callable(idle)
    folder = tmp_path / "back.plate"
    shutil.copytree(scanned, folder)
    window.desk.open_folder(folder)
    idle()
    assert not window.layer_buttons["thickness"].isEnabled()
    for name, text in (
        ("caliper", "x_mm,y_mm,thickness_mm\n0,100,3.1\n0,200,3.4\n20,150,3.0\n"),
        ("judged", JUDGED), ("drawn", "x_mm,y_mm,target_cents\n0,100,3\n"), ("other", "a,b\n1,2\n"),
    ):  # fmt: skip
        table = tmp_path / f"{name}.csv"
        table.write_text(text)
        handle_drop(window, [str(table)])
        idle()
    assert window.layer_buttons["thickness"].isEnabled()
    assert window.layer_buttons["hand"].isEnabled()
    assert window.stages.target.currentText() == "drawn: drawn.csv"
    assert "“other.csv” is no table known here" in window.run_bar.what.text()
    handle_drop(window, [str(tmp_path / "gone.csv")])
    assert "cannot be read" in window.run_bar.what.text()


def test_a_damaged_record_is_a_caution_and_nothing_else_is_lost(
    window: MainWindow, idle: object, measured: Path, tmp_path: Path
) -> None:
    assert callable(idle)
    folder = tmp_path / "back.plate"
    shutil.copytree(measured, folder)
    record = folder / "hand" / "H0001" / "record.json"
    record.chmod(0o644)
    record.write_text("{")
    window.desk.open_folder(folder)
    idle()
    assert "record of the hand cannot be read" in window.findings.toPlainText()
    assert not window.layer_buttons["hand"].isEnabled()
    assert window.layer_buttons["thickness"].isEnabled()
