"""Folders put right: what a crash left, what is lost and lies elsewhere, what cannot be mended."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import numpy as np
import pytest
from archive_samples import filled_folder, make_clip, make_folder, make_plan, store

from rig.archive.naming import existing_folder
from rig.archive.plate_folder import PlateFolder
from rig.archive.storage import sha256_of
from rig.jobs.check import check
from rig.jobs.pack import pack
from rig.model.errors import FolderDamagedError, FolderError, FolderInUseError, UsageError


def texts(path: Path, **how: object) -> tuple[list[str], list[str]]:
    """What was repaired, and what is still wrong."""
    health = check(path, **how)  # type: ignore[arg-type]
    return list(getattr(health, "repaired", None) or ()), [p.what for p in health.problems]


def spoil(path: Path, content: bytes = b"rotten") -> None:
    path.chmod(0o644)
    path.write_bytes(content)


def all_contents(path: Path) -> dict[str, str]:
    return {p.relative_to(path).as_posix(): sha256_of(p) for p in path.rglob("*") if p.is_file()}


def test_a_sound_folder_is_left_as_it_is(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    before = all_contents(path)
    health = check(path, repair=True)
    assert (health.problems, health.repaired) == ((), ())  # type: ignore[union-attr]
    after = all_contents(path)
    assert {name for name in before if before[name] != after[name]} <= {
        "plate.sqlite", "manifest-sha256.txt",
    }  # fmt: skip
    assert "repaired" not in check(path).as_json()
    assert check(path, repair=True).as_json()["repaired"] == []


def test_what_a_crash_left_is_put_in_order(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    database = sqlite3.connect(path / "plate.sqlite")
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("UPDATE scan SET state = 'running'")
    database.execute("DELETE FROM reading")
    database.execute("DELETE FROM strike WHERE tap = 3")
    database.commit()
    crashed = tmp_path / "b.plate"
    shutil.copytree(path, crashed)  # the log is not folded in
    database.close()
    (crashed / "audio/S0001/000005-r0.flac.part").write_bytes(b"half")
    (crashed / "audio/S0001/letter.flac").write_bytes(b"no sound")
    (crashed / "hand/H0001").mkdir(parents=True)
    (crashed / "hand/H0001/rub.wav").write_bytes(b"the record was never finished")
    (crashed / "manifest-sha256.txt").unlink()
    found = check(crashed)
    assert len(found.problems) == 4
    assert any("log is not folded in" in note for note in found.notes)  # type: ignore[union-attr]
    assert any("in the middle of S0001" in note for note in found.notes)  # type: ignore[union-attr]
    repaired, problems = texts(crashed, repair=True)
    assert problems == []
    told = " ".join(repaired)
    for words in (
        "log was folded in", "Adopted into the database: audio/S0001/000003-r0.flac",
        "Set aside into quarantine/: audio/S0001/letter.flac", "000005-r0.flac.part",
        "quarantine/: hand/H0001", "S0001 is no longer running", "manifest was written anew",
    ):  # fmt: skip
        assert words in told
    assert (crashed / "quarantine/audio/S0001/letter.flac").read_bytes() == b"no sound"
    assert not (crashed / "plate.sqlite-wal").exists()
    with PlateFolder.open(crashed) as folder:
        assert len(folder.scan_record("S0001").strikes) == 6


def test_a_recording_under_another_name_is_found_again(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    (path / "audio/S0001/000002-r0.flac").rename(path / "audio/S0001/renamed.flac")
    (path / "audio/S0001/000004-r0.flac").unlink()
    repaired, problems = texts(path, repair=True)
    assert "Fetched from quarantine/: audio/S0001/000002-r0.flac." in repaired
    assert problems == ["This file is missing."]
    with PlateFolder.open(path) as folder:
        strikes = folder.scan_record("S0001").strikes
    assert [s.tap for s in strikes] == [0, 1, 2, 3, 5]
    assert np.array_equal(strikes[2].clip.samples, make_clip(2).samples)


@pytest.mark.parametrize("packed", [False, True])
def test_lost_files_come_from_a_copy(tmp_path: Path, packed: bool) -> None:
    path = filled_folder(tmp_path / "a")
    copy = tmp_path / "safe" / "a.plate"
    shutil.copytree(path, copy)
    source = pack(copy).file if packed else copy
    before = all_contents(copy)
    spoil(path / "audio/S0001/000001-r0.flac")
    (path / "audio/S0001/000002-r0.flac").unlink()
    repaired, problems = texts(path, repair=True, copy=source)
    assert [line for line in repaired if line.startswith("Fetched")] == [
        f"Fetched from the copy: audio/S0001/00000{tap}-r0.flac." for tap in (1, 2)
    ]
    assert problems == []
    assert (path / "quarantine/audio/S0001/000001-r0.flac").read_bytes() == b"rotten"
    assert {n: d for n, d in all_contents(copy).items() if n in before} == before


def test_a_database_that_is_lost_comes_from_a_copy(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        path, scan = folder.path, folder.new_scan(make_plan())
        for tap in range(3):
            store(folder, scan, tap)
    copy = tmp_path / "old.plate"
    shutil.copytree(path, copy)
    with PlateFolder.open(path, write=True) as folder:
        for tap in range(3, 6):
            store(folder, scan, tap)
    spoil(path / "plate.sqlite", b"gone" * 4000)
    repaired, problems = texts(path, repair=True)
    assert repaired == []
    assert any("cannot be read" in what for what in problems)
    repaired, problems = texts(path, repair=True, copy=copy)
    assert problems == []
    assert "taken from the copy" in repaired[0]
    assert (path / "quarantine/plate.sqlite").read_bytes() == b"gone" * 4000
    with PlateFolder.open(path) as folder:
        assert len(folder.scan_record(scan).strikes) == 6  # three of them later than the copy


def test_a_database_that_reads_and_was_changed(tmp_path: Path) -> None:
    """A number that rotted where the database itself sees nothing: the manifest does."""
    path = filled_folder(tmp_path / "a")
    copy = tmp_path / "copy.plate"
    shutil.copytree(path, copy)
    for target in (path, other := tmp_path / "other.plate"):
        if target is other:
            shutil.copytree(copy, other)
        database = sqlite3.connect(target / "plate.sqlite")
        database.execute("UPDATE strike SET x_mm = 99 WHERE tap = 2")
        database.commit()
        database.close()
    repaired, problems = texts(other, repair=True)
    assert problems == []
    assert "was taken as it is: compare it with a copy" in repaired[0]
    repaired, problems = texts(path, repair=True, copy=copy)
    assert problems == []
    assert "taken from the copy" in repaired[0]
    with PlateFolder.open(path) as folder:
        assert folder.scan_record("S0001").strikes[2].x_mm == 50.0


def test_text_that_is_none_in_the_database_is_damage(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    data = (path / "plate.sqlite").read_bytes()
    (path / "plate.sqlite").write_bytes(data.replace(b"instrument TEXT", b"instrum\xffnt TEXT"))
    with PlateFolder.open(path) as folder, pytest.raises(FolderDamagedError, match="understood"):
        assert folder.facts
    health = check(path)
    assert "cannot be understood" in health.problems[0].what
    assert "--repair --from" in health.problems[0].remedy
    assert texts(path, repair=True)[0] == []
    (path / "README.txt").write_bytes(b"\xff")
    with make_folder(tmp_path / "b") as folder:
        (folder.path / "README.txt").write_bytes(b"\xff")
    assert "platerig" in (tmp_path / "b.plate/README.txt").read_text()


def test_only_a_copy_of_the_very_plate_will_do(tmp_path: Path) -> None:
    path, other = filled_folder(tmp_path / "a"), tmp_path / "b.plate"
    with make_folder(other) as folder:
        clip = make_clip(77)
        folder.store_strike(
            folder.new_scan(make_plan()), tap=0, repeat=0, x_mm=50.0, y_mm=10.0, clip=clip
        )
    with pytest.raises(FolderError, match="no recording in common"):
        check(path, repair=True, copy=other)
    with pytest.raises(FolderError, match="the folder itself"):
        check(path, repair=True, copy=path)
    spoil(path / "plate.sqlite", b"gone" * 4000)
    with pytest.raises(FolderError, match="no recording in common"):
        check(path, repair=True, copy=other)
    assert (path / "plate.sqlite").read_bytes() == b"gone" * 4000
    shutil.rmtree(other / "audio/S0001")
    spoil(other / "plate.sqlite", b"gone")
    with pytest.raises(FolderError, match="cannot be read either"):
        check(path, repair=True, copy=other)


def test_thickness_readings_that_changed_are_told_of(tmp_path: Path) -> None:
    from rig.jobs.thickness import thickness

    path = filled_folder(tmp_path / "a")
    table = tmp_path / "caliper.csv"
    rows = [f"{10 + 20 * k},{30 + 40 * k},{2.5 + 0.1 * k}" for k in range(5)]
    table.write_text("\n".join(["x_mm,y_mm,thickness_mm", *rows]) + "\n")
    thickness(path, table)
    assert check(path).problems == ()
    record = path / "thickness/T0001.json"
    spoil(record, record.read_bytes().replace(b"2.5", b"2.9"))
    assert [p.what for p in check(path).problems] == ["This file is not as it was stored."]
    _, problems = texts(path, repair=True)
    assert len(problems) == 1
    assert "nothing like it was found" in problems[0]


def test_files_of_others_are_named_and_left_alone(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    (path / "shopping.txt").write_text("glue")
    health = check(path, repair=True)
    assert health.problems == ()
    assert any("left alone: shopping.txt" in note for note in health.notes)  # type: ignore[union-attr]
    assert (path / "shopping.txt").read_text() == "glue"


def test_a_folder_in_use_and_wrong_calls(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder, pytest.raises(FolderInUseError):
        check(folder.path, repair=True)
    with pytest.raises(UsageError, match="only looked at when repairing"):
        check(existing_folder(tmp_path / "a"), copy=tmp_path / "b")
    (tmp_path / "rig.toml").write_text("")
    with pytest.raises(UsageError, match="mended by hand"):
        check(tmp_path / "rig.toml", repair=True)
