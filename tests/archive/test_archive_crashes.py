"""Kill, power cut, full disk, damage: no stored strike is lost, none is half there."""

from __future__ import annotations

import errno
import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from archive_samples import (
    filled_folder,
    make_clip,
    make_folder,
    make_plan,
    make_reading,
    store,
)

from rig.archive import storage, strike_store, sweep
from rig.archive.health import check_folder
from rig.archive.plate_folder import PlateFolder
from rig.archive.rows import StrikeTag
from rig.archive.sound_files import read_raw, write_flac
from rig.model.errors import FolderDamagedError, StorageFullError
from rig.model.scan_record import ScanState

_SCANNER = """
import sys
sys.path.insert(0, sys.argv[2])
from archive_samples import make_reading, store
from rig.archive.plate_folder import PlateFolder
folder = PlateFolder.open(sys.argv[1], write=True)
folder.set_state("S0001", "running")
done = folder.done("S0001")
print("ready", flush=True)
for tap in range(400):
    if (tap, 0) not in done:
        strike = store(folder, "S0001", tap)
        print(tap, flush=True)
        folder.store_reading(strike, make_reading())
"""


def test_kill_at_random_moments_loses_nothing_and_repeats_nothing(tmp_path: Path) -> None:
    moments = random.Random(5)
    with make_folder(tmp_path / "a") as folder:
        folder.new_scan(make_plan(400))
    told: set[int] = set()
    for _ in range(6):
        process = subprocess.Popen(
            [sys.executable, "-c", _SCANNER, str(folder.path), str(Path(__file__).parent)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        time.sleep(moments.uniform(0.0, 0.08))
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read()
        process.stdout.close()
        process.wait()
        fresh = {int(line) for line in rest.split("\n")[:-1]}
        assert not fresh & told
        told |= fresh
    with PlateFolder.open(folder.path, write=True) as again:
        assert again.scans()[0].state is ScanState.STOPPED
        record = again.scan_record("S0001")
        stored = [(s.tap, s.repeat) for s in record.strikes]
        assert len(stored) == len(set(stored))
        assert told <= {tap for tap, _ in stored}
        assert not record.notes
        for strike in record.strikes:
            assert np.array_equal(strike.clip.samples, make_clip(seed=strike.tap).samples)
    assert told
    assert check_folder(folder.path).problems == ()


def _die_before_the_row(monkeypatch: pytest.MonkeyPatch) -> None:
    def die(*_args: object, **_kwargs: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(strike_store, "insert_strike", die)


def test_a_recording_without_a_row_is_adopted_with_all_it_knew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = make_folder(tmp_path / "a")
    scan = folder.new_scan(make_plan(), origin={"simulated": True})
    with monkeypatch.context() as patch:
        _die_before_the_row(patch)
        with pytest.raises(KeyboardInterrupt):
            folder.store_strike(
                scan,
                tap=4,
                repeat=0,
                x_mm=50.125,
                y_mm=46.5,
                clip=make_clip(4),
                pulse_us=3000,
                pulse_time_us=123_456_789,
            )
    folder.close()
    before = check_folder(folder.path)
    assert ["not in the database" in p.what for p in before.problems] == [True]
    with PlateFolder.open(folder.path, write=True) as again:
        assert again.done(scan) == {(4, 0)}
        (strike,) = again.scan_record(scan).strikes
        row = again.database.row("SELECT * FROM strike")
    assert np.array_equal(strike.clip.samples, make_clip(4).samples)
    clip = strike.clip
    assert (strike.x_mm, strike.y_mm, clip.strike_sample) == (50.125, 46.5, 96)
    assert (clip.strike_speed_m_s, clip.rebound_ratio) == (0.512345678901, 0.31)
    assert (clip.full_scale, clip.pickup_channel) == (2**23, 1)
    assert row is not None
    assert (row["pulse_us"], row["pulse_time_us"]) == (3000, 123_456_789)
    assert check_folder(folder.path).problems == ()


def test_an_adopted_retake_replaces_and_an_older_take_does_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = make_folder(tmp_path / "a")
    scan = folder.new_scan(make_plan())
    first = store(folder, scan, 0)
    with monkeypatch.context() as patch:
        _die_before_the_row(patch)
        for tap in (0, 1):  # a retake of tap 0, the first take of tap 1
            with pytest.raises(KeyboardInterrupt):
                store(folder, scan, tap)
    later = store(folder, scan, 1)  # the same session goes on: a new file, not the orphan's
    folder.close()
    with PlateFolder.open(folder.path, write=True) as again:
        used = {s.tap: s.strike_id for s in again.scan_record(scan).strikes if not s.superseded}
        everything = again.scan_record(scan).strikes
    assert used[1] == later
    assert used[0] != first
    assert len(everything) == 4


def test_what_cannot_be_adopted_goes_to_quarantine_and_is_kept(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    audio = path / "audio/S0001"
    (audio / "000009-r0.flac.part").write_bytes(b"half")
    write_flac(audio / "stranger", make_clip())
    shutil.copy(audio / "000002-r0.flac", audio / "copy.flac")
    (audio / "text.flac").write_text("no sound")
    tag = StrikeTag.of_text(read_raw(audio / "000002-r0.flac").comment)
    assert tag is not None
    odd = replace(tag, take=1, repeat="first")  # type: ignore[arg-type]
    write_flac(audio / "odd", make_clip(), odd.text())
    (path / "images" / "S0001-location-1.png").write_bytes(b"png")
    (path / "images" / "holiday.png").write_bytes(b"png")
    assert len(check_folder(path).problems) == 7
    with PlateFolder.open(path, write=True) as folder:
        assert len(folder.done("S0001")) == 6
    kept = {p.relative_to(path / "quarantine").as_posix() for p in path.rglob("quarantine/**/*.*")}
    assert kept == {
        "audio/S0001/000009-r0.flac.part", "audio/S0001/stranger.flac", "audio/S0001/copy.flac",
        "audio/S0001/text.flac", "audio/S0001/odd.flac", "images/holiday.png",
    }  # fmt: skip
    health = check_folder(path)
    assert health.problems == ()
    assert "6 file(s)" in health.notes[0]


def test_quarantine_never_overwrites(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    for content in (b"one", b"two"):
        (path / "audio/S0001/x.flac.part").write_bytes(content)
        PlateFolder.open(path, write=True).close()
    found = sorted((path / "quarantine/audio/S0001").iterdir())
    assert [p.read_bytes() for p in found] == [b"one", b"two"]


def test_full_disk_while_the_recording_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with make_folder(tmp_path / "a") as folder:
        scan = folder.new_scan(make_plan())
        store(folder, scan, 0)

        def full(_handle: int) -> None:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        with monkeypatch.context() as patch:
            patch.setattr(storage.os, "fsync", full)
            with pytest.raises(StorageFullError, match="disk is full") as caught:
                store(folder, scan, 1)
        assert "000001-r0.flac" in caught.value.where
        assert not list(folder.path.rglob("*.part"))
        store(folder, scan, 1)
        assert folder.done(scan) == {(0, 0), (1, 0)}
    assert check_folder(folder.path).problems == ()


def _store_until_full(folder: PlateFolder, scan: str) -> int:
    for tap in range(300):
        try:
            store(folder, scan, tap)
        except StorageFullError:
            return tap
    raise AssertionError("the database never filled up")


def test_full_disk_while_the_row_is_written(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        scan = folder.new_scan(make_plan(300))
        (pages,) = folder.database.row("PRAGMA page_count") or (0,)
        folder.database.row(f"PRAGMA max_page_count = {pages + 1}")
        stored = _store_until_full(folder, scan)
        assert len(folder.done(scan)) == stored > 0
        folder.database.row("PRAGMA max_page_count = 1000000")
    with PlateFolder.open(folder.path, write=True) as again:
        # the strike whose row did not fit was on the disk already: adopted, not lost
        assert again.done(scan) == {(tap, 0) for tap in range(stored + 1)}
    assert check_folder(folder.path).problems == ()


_LIMITED = """
import resource, signal, sys
sys.path.insert(0, sys.argv[2])
from archive_samples import store
from rig.archive.plate_folder import PlateFolder
from rig.model.errors import StorageFullError
folder = PlateFolder.open(sys.argv[1], write=True)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), resource.RLIM_INFINITY))
stored = 0
try:
    for tap in range(400):
        store(folder, "S0001", tap)
        stored += 1
except StorageFullError:
    print(stored)
"""


@pytest.mark.parametrize("limit", [4_000, 120_000])
def test_the_system_refuses_to_write_more(tmp_path: Path, limit: int) -> None:
    """The kernel's own refusal: of the recording (small limit), of the database's log (larger)."""
    with make_folder(tmp_path / "a") as folder:
        folder.new_scan(make_plan(400))
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[1] == resource.RLIM_INFINITY
    arguments = [str(folder.path), str(Path(__file__).parent), str(limit)]
    result = subprocess.run(
        [sys.executable, "-c", _LIMITED, *arguments], capture_output=True, text=True
    )
    assert result.returncode == 0, result.stderr
    stored = int(result.stdout)
    assert (stored == 0) == (limit == 4_000)
    with PlateFolder.open(folder.path, write=True) as again:
        done = again.done("S0001")
        assert {(tap, 0) for tap in range(stored)} <= done
        record = again.scan_record("S0001")
        assert len(record.strikes) == len(done)
        assert not record.notes
    assert check_folder(folder.path).problems == ()


def _damage_database(path: Path) -> None:
    with open(path / "plate.sqlite", "r+b") as file:
        file.write(b"\0" * 4096)


def test_a_damaged_database_is_named_and_check_says_what_is_left(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    _damage_database(path)
    for write in (False, True):
        with pytest.raises(FolderDamagedError) as caught:
            PlateFolder.open(path, write=write)
        assert "recordings" in caught.value.remedy or "copy" in caught.value.remedy
    victim = path / "audio/S0001/000003-r0.flac"
    victim.chmod(0o644)
    victim.write_bytes(b"lost")
    health = check_folder(path)
    assert health.problems[0].where.endswith("plate.sqlite")
    assert [p.where for p in health.problems[1:]] == [str(victim)]
    assert "5 of 6 recordings are readable" in health.notes[0]
    assert "S0001: 5" in health.notes[0]
    assert not (path / "writer.lock").exists()


def test_a_lost_database_is_damage_too(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    (path / "plate.sqlite").unlink()
    with pytest.raises(FolderDamagedError):
        PlateFolder.open(path)
    assert "6 of 6 recordings" in check_folder(path).notes[0]


def test_an_empty_database_is_not_filled_over_the_recordings(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    (path / "plate.sqlite").write_bytes(b"")
    with pytest.raises(FolderDamagedError, match="not written by platerig, or is empty"):
        PlateFolder.open(path, write=True)


def test_check_finds_what_was_changed_behind_its_back(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    assert check_folder(path).problems == ()
    changed, missing = path / "audio/S0001/000001-r0.flac", path / "audio/S0001/000002-r0.flac"
    changed.chmod(0o644)
    data = bytearray(changed.read_bytes())
    data[-1] ^= 1
    changed.write_bytes(data)
    missing.unlink()
    database = sqlite3.connect(path / "plate.sqlite")
    database.execute("UPDATE scan SET plan_hash = 'other'")
    database.commit()
    database.close()
    found = {(p.what, Path(p.where).name) for p in check_folder(path).problems}
    assert ("This file is not as it was stored.", "000001-r0.flac") in found
    assert ("This file is missing.", "000002-r0.flac") in found
    assert any("own fingerprint" in what for what, _ in found)
    assert any("changed by something other" in what for what, _ in found)
    assert len(found) == 4
    for problem in check_folder(path).problems:
        assert problem.remedy


def test_check_counts_taps_and_strikes(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        scan = folder.new_scan(make_plan(4, repeats=2))
        for tap, repeat in [(0, 0), (0, 1), (1, 0), (0, 0)]:
            store(folder, scan, tap, repeat)
        folder.set_state(scan, ScanState.STOPPED, "stop was pressed")
    (line,) = check_folder(folder.path).as_json()["scans"]
    assert {k: line[k] for k in ("scan", "state", "taps_planned", "taps_done", "strikes")} == {
        "scan": "S0001",
        "state": "stopped",
        "taps_planned": 4,
        "taps_done": 1,
        "strikes": 3,
    }
    assert line["retakes"] == 1


def test_a_sweep_that_finds_order_changes_nothing(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    before = sorted(p.relative_to(path) for p in path.rglob("*"))
    with PlateFolder.open(path, write=True) as folder:
        sweep.sweep(folder)
        assert folder.scan_record("S0001").strikes[0].reading == make_reading()
    assert sorted(p.relative_to(path) for p in path.rglob("*")) == before
