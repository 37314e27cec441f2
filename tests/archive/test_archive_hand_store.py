"""Hand records: whole or not at all, never lost, and told of when damaged."""

from __future__ import annotations

import errno
import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from rig.archive import hand_store
from rig.archive.folder_text import read_manifest
from rig.archive.hand_tables import read_judgements, read_pairs
from rig.archive.health import check_folder
from rig.archive.plate_folder import PlateFolder
from rig.archive.storage import sha256_of
from rig.model.errors import (
    AnalysisError,
    FolderDamagedError,
    FolderError,
    StorageFullError,
    UsageError,
)
from rig.model.hand_map import HandMap
from rig.model.plate_facts import PlateFacts


def made(kind="pairs", n=4) -> HandMap:
    rng = np.random.default_rng(n)
    return HandMap(
        rng.uniform(0, 100, (n, 2)), rng.normal(size=n), rng.uniform(0.1, 1.0, n), kind,
        "Antworten März.csv", unit="z", face="inner", group=tuple(k % 2 for k in range(n)),
        notes=("Wörter.",), simulated=True,
    )  # fmt: skip


@pytest.fixture
def plate(tmp_path: Path) -> Path:
    with PlateFolder.create(tmp_path / "back.plate", PlateFacts("back")) as folder:
        return folder.path


@pytest.fixture
def raw(tmp_path: Path) -> Path:
    path = tmp_path / "answers.csv"
    path.write_text("x_mm,y_mm,judgement\n1,2,higher\n", encoding="utf-8")
    return path


def kept(plate: Path, raw: Path, n=4) -> hand_store.HandRecord:
    with PlateFolder.open(plate, write=True) as folder:
        return hand_store.keep(folder, made(n=n), [(raw, raw.name)], {"spot": [1.5, None]})


def test_a_record_comes_back_as_it_was(plate, raw):
    first, second = kept(plate, raw), kept(plate, raw, n=7)
    assert (first.name, second.name) == ("H0001", "H0002")
    found = hand_store.records(plate)
    assert [one.name for one in found] == ["H0001", "H0002"]
    back, hand = found[1], made(n=7)
    np.testing.assert_array_equal(back.hand.places_mm, hand.places_mm)
    np.testing.assert_array_equal(back.hand.value, hand.value)
    np.testing.assert_array_equal(back.hand.sd, hand.sd)
    for name in ("kind", "unit", "face", "source", "group", "notes", "simulated"):
        assert getattr(back.hand, name) == getattr(hand, name)
    assert back.options == {"spot": [1.5, None]}
    assert back.made_utc == second.made_utc
    copy = plate / "hand" / "H0002" / "answers.csv"
    assert copy.read_bytes() == raw.read_bytes()
    assert not os.access(copy, os.W_OK) or os.geteuid() == 0


def test_the_manifest_and_the_check_know_the_files(plate, raw):
    kept(plate, raw)
    manifest = read_manifest(plate)
    assert manifest is not None
    for file in ("hand/H0001/answers.csv", "hand/H0001/record.json"):
        assert manifest[file] == sha256_of(plate / file)
    assert check_folder(plate).problems == ()
    copy = plate / "hand" / "H0001" / "answers.csv"
    copy.chmod(0o644)
    copy.write_text("x_mm,y_mm,judgement\n1,2,lower\n", encoding="utf-8")
    (problem,) = check_folder(plate).problems
    assert "not as it was stored" in problem.what
    copy.unlink()
    (problem,) = check_folder(plate).problems
    assert "missing" in problem.what


def test_a_folder_of_pictures_keeps_its_names(plate, tmp_path):
    (tmp_path / "film").mkdir()
    files = []
    for k in range(3):
        path = tmp_path / "film" / f"{k}.png"
        path.write_bytes(bytes([k]) * 3_000_000)
        files.append((path, f"film/{path.name}"))
    with PlateFolder.open(plate, write=True) as folder:
        record = hand_store.keep(folder, made(), files, {})
        with pytest.raises(UsageError, match="Two of the files"):
            hand_store.keep(folder, made(), [files[0], files[0]], {})
    assert record.files == ("film/0.png", "film/1.png", "film/2.png")
    assert (plate / "hand" / "H0001" / "film" / "2.png").stat().st_size == 3_000_000


def test_a_full_disk_leaves_nothing_half(plate, raw, monkeypatch):
    kept(plate, raw)
    true_fsync = os.fsync
    calls = []

    def full(handle: int) -> None:
        calls.append(handle)
        if len(calls) > 1:  # the raw file is written, the record is not
            raise OSError(errno.ENOSPC, "No space left on device")
        true_fsync(handle)

    with PlateFolder.open(plate, write=True) as folder:
        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(StorageFullError, match="full"):
            hand_store.keep(folder, made(), [(raw, raw.name)], {})
        monkeypatch.setattr(os, "fsync", true_fsync)
    assert [one.name for one in hand_store.records(plate)] == ["H0001"]
    assert not list((plate / "hand").rglob("*.part"))
    (problem,) = check_folder(plate).problems
    assert "unfinished" in problem.what
    assert kept(plate, raw).name == "H0003"


def test_damaged_newer_and_missing_records(plate, raw):
    kept(plate, raw)
    with pytest.raises(FolderError, match="H0001"):
        hand_store.read(plate, "H0009")
    path = plate / "hand" / "H0001" / "record.json"
    text = path.read_text(encoding="utf-8")
    for bad in (
        "not json", "[]", "{}", text.replace('"format": 1', '"format": 9'),
        text.replace('"kind": "pairs"', '"kind": "dreams"'), text.replace('"x_mm"', '"x_inch"'),
    ):  # fmt: skip
        path.chmod(0o644)
        path.write_text(bad, encoding="utf-8")
        with pytest.raises(FolderDamagedError, match="cannot be read"):
            hand_store.records(plate)
        assert any("cannot be read" in p.what for p in check_folder(plate).problems)
        with PlateFolder.open(plate, write=True):
            pass  # a bad record keeps nobody from scanning
    path.write_text(text, encoding="utf-8")
    assert len(hand_store.records(plate)) == 1
    shutil.rmtree(plate / "hand")
    assert hand_store.records(plate) == []
    with pytest.raises(FolderError, match="None was kept"):
        hand_store.read(plate, "H0001")


def test_keeping_needs_the_folder_open_for_writing(plate, raw):
    with (
        PlateFolder.open(plate) as folder,
        pytest.raises(UsageError, match="not open for writing"),
    ):
        hand_store.keep(folder, made(), [(raw, raw.name)], {})


def test_the_record_is_plain_json(plate, raw):
    kept(plate, raw)
    plain = json.loads((plate / "hand" / "H0001" / "record.json").read_text(encoding="utf-8"))
    assert plain["format"] == 1
    assert set(plain["places"][0]) == {"x_mm", "y_mm", "value", "sd", "group"}
    assert list(plain["files"]) == ["answers.csv"]


def test_tables_of_answers(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("x_mm;y_mm;judgement\n1,5;2;Higher\n\n# note\n3;4;-\n5;6;=\n", encoding="utf-8")
    found = read_judgements(path)
    assert [(j.x_mm, j.answer, j.line) for j in found] == [
        (1.5, "higher", 2), (3.0, "lower", 5), (5.0, "same", 6),
    ]  # fmt: skip
    path.write_text("x1_mm,y1_mm,x2_mm,y2_mm,answer\n1,2,3,4,<\n", encoding="utf-8")
    (pair,) = read_pairs(path)
    assert (pair.first_mm, pair.second_mm, pair.answer) == ((1.0, 2.0), (3.0, 4.0), "lower")
    for text, said in (
        ("x_mm,y_mm,judgement\n1,2,louder\n", "line 2: judgement is “louder”"),
        ("x_mm,y_mm,judgement\n1,zwei,higher\n", "line 2: y_mm"),
        ("x_mm,y_mm,judgement\n1,90000,higher\n", "lies on no plate"),
        ("x_mm,y_mm,judgement\n", "no answers"),
        ("x,y,answer\n1,2,higher\n", "lacks the columns"),
        ("x_mm,y_mm,judgement\n1,2,higher,4\n", "line 2 holds 4 values"),
        ("", "empty"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(AnalysisError, match=said):
            read_judgements(path)
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(AnalysisError, match="UTF-8"):
        read_pairs(path)
    with pytest.raises(AnalysisError, match="no such file"):
        read_pairs(tmp_path / "none.csv")
