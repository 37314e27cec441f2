"""A new plate folder: facts as given, unknown left unknown, impossible values refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.archive.outline_files import write_outline
from rig.archive.plate_folder import PlateFolder
from rig.jobs.check import check
from rig.jobs.new_plate import new_plate
from rig.model.errors import FolderError, OutlineError, UsageError
from rig.model.plate_facts import PlateFacts
from rig.virtual.shapes import violin_outline


def test_the_folder_holds_what_was_given_and_nothing_else(tmp_path: Path) -> None:
    file = write_outline(tmp_path / "o.csv", violin_outline())
    made = new_plate(tmp_path / "back-1", file, wood=" Maple", instrument="violin", arching_mm=15)
    assert made.as_json() == {"plate": str(tmp_path / "back-1.plate")}
    with PlateFolder.open(tmp_path / "back-1.plate") as folder:
        assert folder.facts == PlateFacts("back-1", "violin", "maple", arching_mm=15.0)
        assert folder.outline is not None
        assert folder.outline_source == "file"
    assert check(made.plate).as_json() == {"scans": [], "problems": [], "notes": []}


def test_it_refuses_to_overwrite(tmp_path: Path) -> None:
    new_plate(tmp_path / "a.plate", wood="maple")
    with pytest.raises(FolderError, match="nothing was changed"):
        new_plate(tmp_path / "a", wood="spruce")
    (tmp_path / "b.plate").mkdir()
    with pytest.raises(FolderError, match="nothing was changed"):
        new_plate(tmp_path / "b.plate")


@pytest.mark.parametrize(
    "facts",
    [
        {"mass_g": 0}, {"mass_g": float("nan")}, {"mean_thickness_mm": -1}, {"arching_mm": -0.1},
        {"humidity_percent": 101}, {"temperature_c": -300},
    ],
)  # fmt: skip
def test_impossible_facts_are_refused(tmp_path: Path, facts: dict[str, float]) -> None:
    with pytest.raises(UsageError, match="cannot be"):
        new_plate(tmp_path / "a", **facts)
    assert list(tmp_path.iterdir()) == []


def test_a_bad_outline_leaves_no_folder_behind(tmp_path: Path) -> None:
    with pytest.raises(OutlineError, match="no such file"):
        new_plate(tmp_path / "a", tmp_path / "none.csv")
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_to_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FolderError) as caught:
        new_plate(tmp_path / "file" / "a")
    assert "a.plate" in caught.value.where
