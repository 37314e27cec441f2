"""Old folders stay readable: every released schema has a golden folder, and steps are atomic."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import numpy as np
import pytest
from archive_samples import make_clip, make_plan, make_reading, square_outline, store
from make_golden import FACTS_OF_SCHEMA, GOLDEN, POSE, RIG

from rig.archive import schema
from rig.archive.health import check_folder
from rig.archive.plate_folder import PlateFolder
from rig.archive.storage import sha256_of
from rig.model.scan_record import ScanState

RELEASED = range(1, schema.newest() + 1)


def _prints(path: Path) -> dict[str, str]:
    return {str(p.relative_to(path)): sha256_of(p) for p in path.rglob("*") if p.is_file()}


def _assert_golden(folder: PlateFolder, number: int = 1) -> None:
    record = folder.scan_record("S0001")
    assert folder.facts == FACTS_OF_SCHEMA[number]
    assert folder.plan("S0001") == make_plan(4)
    assert folder.settings("S0001") == RIG
    assert folder.origin("S0001")["seed"] == 11
    assert folder.done("S0001") == {(0, 0), (1, 0), (2, 0)}
    assert folder.unfinished_scan() == "S0001"
    assert folder.scans()[0].state is ScanState.STOPPED
    assert record.pose == POSE
    assert record.simulated
    assert np.array_equal(record.outline.rim, square_outline().rim)
    assert [s.superseded for s in record.strikes] == [False, True, False, False]
    for strike in record.strikes:
        assert np.array_equal(strike.clip.samples, make_clip(strike.tap, samples=480).samples)
        assert strike.reading == make_reading()


@pytest.mark.parametrize("number", RELEASED)
def test_golden_folders_are_read_without_being_changed(number: int) -> None:
    path = GOLDEN / f"schema-{number}.plate"
    before = _prints(path)
    with PlateFolder.open(path) as folder:
        _assert_golden(folder, number)
    assert check_folder(path).problems == ()
    assert _prints(path) == before


@pytest.mark.parametrize("number", RELEASED)
def test_golden_folders_can_be_gone_on_with(tmp_path: Path, number: int) -> None:
    path = tmp_path / "old.plate"
    shutil.copytree(GOLDEN / f"schema-{number}.plate", path)
    with PlateFolder.open(path, write=True) as folder:
        _assert_golden(folder, number)
        store(folder, "S0001", 3)
        assert len(folder.done("S0001")) == 4
    assert check_folder(path).problems == ()


_NEXT = "ALTER TABLE plate ADD COLUMN varnish TEXT; UPDATE plate SET varnish = 'none yet'"


def _with_next_step(monkeypatch: pytest.MonkeyPatch, script: str) -> int:
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, script))
    return schema.newest()


def _golden_copy(tmp_path: Path) -> Path:
    path = tmp_path / "old.plate"
    shutil.copytree(GOLDEN / "schema-1.plate", path)
    return path


def _version(path: Path) -> int:
    connection = sqlite3.connect(path)
    number: int = connection.execute("PRAGMA user_version").fetchone()[0]
    connection.close()
    return number


def test_a_reader_sees_an_old_folder_as_new_and_leaves_it_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _golden_copy(tmp_path)
    before = _prints(path)
    _with_next_step(monkeypatch, _NEXT)
    with PlateFolder.open(path) as folder:
        _assert_golden(folder)
        row = folder.database.row("SELECT varnish FROM plate")
        assert row is not None
        assert row["varnish"] == "none yet"
    assert _prints(path) == before


def test_a_writer_brings_a_folder_up_and_keeps_a_copy_of_the_old_database(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _golden_copy(tmp_path)
    old = _version(path / "plate.sqlite")
    new = _with_next_step(monkeypatch, _NEXT)
    with PlateFolder.open(path, write=True) as folder:
        _assert_golden(folder)
    assert _version(path / "plate.sqlite") == new
    assert _version(path / f"plate-schema-{old}.sqlite") == old
    assert check_folder(path).problems == ()


def test_a_step_that_fails_leaves_the_folder_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _golden_copy(tmp_path)
    with monkeypatch.context() as patch:
        _with_next_step(patch, f"{_NEXT}; INSERT INTO no_such_table VALUES (1)")
        with pytest.raises(Exception, match="no_such_table"):
            PlateFolder.open(path, write=True)
    connection = sqlite3.connect(path / "plate.sqlite")
    columns = [row[1] for row in connection.execute("PRAGMA table_info(plate)")]
    connection.close()
    assert "varnish" not in columns
    assert not (path / "writer.lock").exists()
    with PlateFolder.open(path, write=True) as folder:
        _assert_golden(folder)
