"""Nonsense: a sentence at the place where it happened, and nothing lost."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest
from hands import begin_scan, click
from pytestqt.qtbot import QtBot

from rig.archive.plate_folder import PlateFolder
from rig.jobs.overview import overview
from rig.window.drop import handle_drop
from rig.window.main_window import MainWindow
from rig.window.settings import RigChoice
from rig.window.words import number


@pytest.mark.parametrize(
    ("text", "value"), [("8,5", 8.5), (" 9 ", 9.0), ("nine", None), ("", None), ("1e9", None),
                        ("nan", None), ("-3", None)],
)  # fmt: skip
def test_numbers_as_people_type_them(text: str, value: float | None) -> None:
    assert number(text, 0, 100) == value


def test_a_word_where_a_number_belongs(
    qtbot: QtBot, window: MainWindow, idle: object, scanned: Path
) -> None:
    assert callable(idle)
    window.desk.open_folder(scanned)
    idle()
    window.desk.use_rig(RigChoice(world="maple-graded", speed=0.0))
    window.go_to(window.stages.plan)
    window.stages.spacing.setText("close")
    click(qtbot, window.stages.show_plan)
    said = window.stages.plan.fields.complaint(window.stages.spacing)
    assert "“close” is no number from 2 to 60" in said
    assert window.desk.planned is None
    window.stages.start_scan.click()
    assert window.desk.run is None
    window.stages.spacing.setFocus()
    qtbot.keyClicks(window.stages.spacing, "9,5")  # what was typed before is selected
    assert window.stages.spacing.text() == "9,5"
    assert window.stages.plan.fields.complaint(window.stages.spacing) == ""
    window.stages.repeats.setText("1,5")
    window.stages.start_scan.click()
    assert "whole number" in window.stages.plan.fields.complaint(window.stages.repeats)
    assert window.stages.plan.body.isVisible()


def test_wrong_things_dropped(window: MainWindow, idle: object, tmp_path: Path) -> None:
    assert callable(idle)
    picture = tmp_path / "cat.jpg"
    picture.write_bytes(b"\xff\xd8 no picture")
    rig = tmp_path / "rig.toml"
    rig.write_text("[controller]\nsped = 3\n")
    for dropped, sentence in (
        (picture, "neither a plate folder"), (tmp_path, "plate"), (tmp_path / "gone", "neither"),
    ):  # fmt: skip
        handle_drop(window, [str(dropped)])
        idle()
        assert sentence in window.welcome.problem.text()
    before = window.desk.rig
    handle_drop(window, [str(rig)])
    idle()
    assert "sped" in window.stages.rig.problem.text()
    assert window.desk.rig == before


@pytest.mark.parametrize("kind", ["binary", "empty", "huge"])
def test_any_file_dropped_is_a_sentence(
    window: MainWindow, idle: object, tmp_path: Path, scanned: Path, kind: str
) -> None:
    assert callable(idle)
    window.desk.open_folder(scanned)
    idle()
    rig = window.desk.rig
    for name in ("a.csv", "a.toml", "a.plate", "a.wav", "a", "a.json", "ä ö.zip"):
        if (kind, name) == ("empty", "a.toml"):
            continue  # it is a rig file, of which everything is missing
        path = tmp_path / name
        path.write_bytes(bytes(range(256)) * 8 if kind == "binary" else b"")
        if kind == "huge":
            with path.open("wb") as made:
                made.truncate(3 << 30)  # three gigabytes that take no room on the disk
        handle_drop(window, [str(path)])
        idle()
        said = window.run_bar.what.text() + window.stages.rig.problem.text()
        assert name in said
        assert window.faults.box is None
        assert (window.desk.folder, window.desk.rig) == (scanned, rig)


def test_a_folder_that_another_program_uses(
    window: MainWindow, idle: object, tmp_path: Path, scanned: Path, qtbot: QtBot
) -> None:
    assert callable(idle)
    folder = tmp_path / "in use.plate"
    shutil.copytree(scanned, folder)
    before = overview(folder).scans
    window.desk.open_folder(folder)
    idle()
    with PlateFolder.open(folder, write=True):
        begin_scan(qtbot, window, 0.0)
        idle()
        assert "is writing to this folder" in window.stages.scan.problem.text()
        window.desk.look()
        idle()
        assert window.desk.seen is not None
    assert overview(folder).scans == before


def test_newer_and_damaged_folders_leave_the_open_one_open(
    window: MainWindow, idle: object, tmp_path: Path, scanned: Path
) -> None:
    assert callable(idle)
    window.desk.open_folder(scanned)
    idle()
    newer, damaged = tmp_path / "newer.plate", tmp_path / "damaged.plate"
    for copy in (newer, damaged):
        shutil.copytree(scanned, copy)
    base = sqlite3.connect(newer / "plate.sqlite")
    base.execute("PRAGMA user_version = 9999")
    base.close()
    (damaged / "plate.sqlite").write_bytes(b"nothing of use" * 99)
    for folder, word in ((newer, "newer"), (damaged, "plate.sqlite")):
        window.desk.open_folder(folder)
        idle()
        assert word in window.run_bar.what.text()
        assert window.desk.folder == scanned


def test_no_plate_on_the_bed(qtbot: QtBot, window: MainWindow, idle: object, scanned: Path) -> None:
    assert callable(idle)
    window.desk.open_folder(scanned)
    idle()
    window.desk.use_rig(RigChoice(world="empty-bed"))
    window.go_to(window.stages.lay)
    click(qtbot, window.stages.take_picture)
    idle()
    assert window.stages.lay.problem.text()
    assert "Not found" in window.stages.lay.state.text()


def test_opening_while_the_folder_is_being_read(
    window: MainWindow, idle: object, tmp_path: Path, scanned: Path
) -> None:
    assert callable(idle)
    other = tmp_path / "other.plate"
    shutil.copytree(scanned, other)
    window.desk.open_folder(scanned)
    idle()
    window.desk.look()
    window.desk.look()
    window.desk.open_folder(other)
    idle()
    assert window.desk.folder == other
    assert window.desk.seen is not None
    assert window.desk.seen.folder == other
    assert "already" not in window.run_bar.what.text()
