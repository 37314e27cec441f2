"""Caliper lists: read, refused where they are nonsense, kept and never overwritten."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from rig.archive import thickness_store as store
from rig.archive.health import check_folder
from rig.archive.plate_folder import PlateFolder
from rig.archive.thickness_tables import read_thickness
from rig.model.errors import AnalysisError, FolderDamagedError
from rig.model.plate_facts import PlateFacts
from rig.virtual.shapes import violin_outline

HEAD = "x_mm,y_mm,thickness_mm\n"


def read(tmp_path: Path, text: str):  # type: ignore[no-untyped-def]
    path = tmp_path / "list.csv"
    path.write_text(text, encoding="utf-8")
    return read_thickness(path, violin_outline(), face="outer", measured_on="2026-11-01")


def test_a_list_is_read(tmp_path: Path) -> None:
    found = read(tmp_path, HEAD + "0,175,4.2\n-40.5,95,3.1\n")
    assert np.asarray(found.places_mm).tolist() == [[0.0, 175.0], [-40.5, 95.0]]
    assert found.thickness_mm.tolist() == [4.2, 3.1]
    assert found.sd_mm.tolist() == [0.05, 0.05]


def test_decimal_commas_own_doubts_and_remarks(tmp_path: Path) -> None:
    text = "﻿# back, first graduation\nx_mm;y_mm;thickness_mm;sd_mm\n0;175,5;4,2;0,02\n\n10;60;3;\n"
    found = read(tmp_path, text)
    assert found.thickness_mm.tolist() == [4.2, 3.0]
    assert np.asarray(found.places_mm)[0].tolist() == [0.0, 175.5]
    assert found.sd_mm.tolist() == [0.02, 0.05]


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("0,175,0.003\n", "line 2: .*3 mm if it was meant in metres"),
        ("0,175,0.13\n", "3.302 mm if it was meant in inches"),
        ("0,175,30\n", "3 mm if it was meant in tenths of a millimetre"),
        ("0,175,320\n", "3.2 mm if it was meant in hundredths"),
        ("0,175,3200\n", "3.2 mm if it was meant in micrometres"),
        ("0,175,0.32\n", "3.2 mm if it was meant in centimetres"),
        ("0,175,0\n", "no thickness"),
        ("0,175,-3\n", "no thickness"),
        ("0,175,nan\n", "not a finite number"),
        ("0,175,thick\n", "not a number"),
        ("0,175,\n", "thickness_mm is empty"),
        ("0,175,3,2\n", "decimal comma"),
        ("0,500,3.2\n", "line 2: x 0, y 500 mm is not on the wood .*one reading lies off it"),
        ("0,175,3.2\n0,900,3\n0,800,3\n", "line 3: .*2 of 3 readings lie off it"),
        ("0.0,0.175,3.2\n0.04,0.1,3\n", "lines 2 and 3 are of the same place"),
        ("0,175,3.2\n40,100,3.1\n0,175.2,3.4\n", "lines 2 and 4 are of the same place"),
        ("", "no readings"),
    ],
)
def test_nonsense_is_refused(tmp_path: Path, lines: str, said: str) -> None:
    with pytest.raises(AnalysisError, match=said) as caught:
        read(tmp_path, HEAD + lines)
    assert "x_mm,y_mm,thickness_mm" in caught.value.remedy


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "it is empty"),
        ("x,y,h\n1,2,3\n", "lacks the columns x_mm, y_mm, thickness_mm"),
        ("x_mm,y_mm,thickness_mm,sd_mm\n0,175,3.2,0\n", "sd_mm is 0;"),
        ("x_mm,y_mm,thickness_mm,sd_mm\n0,175,3.2,5\n", "sd_mm is 5;"),
    ],
)
def test_other_tables_are_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(AnalysisError, match=said):
        read(tmp_path, text)


def test_no_file_and_no_text(tmp_path: Path) -> None:
    for path in (tmp_path / "missing.csv", tmp_path):
        with pytest.raises(AnalysisError, match="cannot be taken"):
            read_thickness(path, None, face="outer", measured_on="2026-11-01")
    (tmp_path / "photo.csv").write_bytes(b"\xff\xd8\xff\xe0\x00\x80")
    with pytest.raises(AnalysisError, match="not a text file"):
        read_thickness(tmp_path / "photo.csv", None, face="outer", measured_on="2026-11-01")


def test_lists_are_kept_beside_each_other(tmp_path: Path) -> None:
    readings = read(tmp_path, HEAD + "0,175,4.2\n-40.5,95,3.1\n")
    with PlateFolder.create(tmp_path / "a", PlateFacts("a"), violin_outline()) as folder:
        path = folder.path
        one = store.keep(folder, readings, "text of the list")
        first = (path / "thickness" / "T0001.json").read_bytes()
        two = store.keep(folder, readings, "")
    assert (one.name, two.name) == ("T0001", "T0002")
    assert (path / "thickness" / "T0001.json").read_bytes() == first
    back = store.records(path)
    assert [r.name for r in back] == ["T0001", "T0002"]
    assert back[0].readings.thickness_mm.tolist() == [4.2, 3.1]
    assert back[0].text == "text of the list"
    assert not check_folder(path).problems
    manifest = (path / "manifest-sha256.txt").read_text()
    assert "thickness/T0001.json" in manifest
    with PlateFolder.open(path, write=True) as folder:
        (path / "thickness" / "T0001.json").unlink()  # whoever does this
        assert store.keep(folder, readings, "").name == "T0003"  # takes no number of another


def test_damaged_records_are_told(tmp_path: Path) -> None:
    readings = read(tmp_path, HEAD + "0,175,4.2\n")
    with PlateFolder.create(tmp_path / "b", PlateFacts("b"), violin_outline()) as folder:
        path = folder.path
        store.keep(folder, readings, "")
    file = path / "thickness" / "T0001.json"
    plain = json.loads(file.read_text())
    for broken in (
        plain | {"format": 9}, plain | {"face": "left"}, {"format": 1},
        plain | {"readings": [{"x_mm": 0}]},
    ):  # fmt: skip
        file.chmod(0o644)
        file.write_text(json.dumps(broken))
        with pytest.raises(FolderDamagedError, match="cannot be read"):
            store.records(path)
        assert any("thickness" in p.what for p in check_folder(path).problems)
    file.write_text("{")
    with pytest.raises(FolderDamagedError, match="cannot be read"):
        store.records(path)
