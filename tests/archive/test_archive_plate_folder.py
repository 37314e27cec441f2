"""The plate folder: what is stored comes back, raw is never changed, writers are alone."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
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
    square_outline,
    store,
)

from rig.archive.plate_folder import PlateFolder
from rig.archive.storage import sha256_of
from rig.model.errors import (
    FolderError,
    FolderInUseError,
    FolderMissingError,
    FolderNewerError,
    RecordingError,
    UsageError,
)
from rig.model.frames import Pose
from rig.model.outline import Outline
from rig.model.plan import LeftOut
from rig.model.plate_facts import PlateFacts
from rig.model.rig_settings import BedMarker, BedSettings, MicrophoneSettings, RigSettings
from rig.model.scan_record import ScanState


def test_a_scan_comes_back_exactly(tmp_path: Path) -> None:
    plan = replace(make_plan(repeats=2), left_out=(LeftOut("support", 3),))
    pose = Pose(120.5, 80.25, 3.75, "outer", sd_mm=0.2, outline_rms_mm=0.4)
    rig = RigSettings(
        name="bench",
        bed=BedSettings(markers=(BedMarker(3, 1.0, 2.0, 30.0),)),
        microphone=MicrophoneSettings(position_mm=(200.0, 150.0, 190.0)),
    )
    origin = {"simulated": True, "world": "maple-even", "seed": 7, "temperature_c": 21.5}
    reading = make_reading()
    with make_folder(tmp_path / "a") as folder:
        scan = folder.new_scan(plan, pose=pose, settings=rig, origin=origin)
        first = store(folder, scan, 2, repeat=1)
        folder.store_reading(first, make_reading(tone_hz=None))
        folder.store_reading(first, reading)
    assert folder.path == tmp_path / "a.plate"
    with PlateFolder.open(tmp_path / "a") as again:
        record = again.scan_record(scan)
        assert again.plan(scan) == plan
        assert again.plan(scan).hash() == plan.hash()
        assert again.settings(scan) == rig
        assert again.origin(scan)["seed"] == 7
        assert again.done(scan) == {(2, 1)}
        assert again.facts == PlateFacts("square", wood="maple")
    assert record.pose == pose
    assert (record.simulated, record.world) == (True, "maple-even")
    assert record.conditions == {"temperature_c": 21.5}
    # (79.5, 69.75) mm from the plate's origin on the bed, turned back by 3.75 degrees
    assert record.microphone_xyz_mm == pytest.approx((83.8917, 64.4011, 187.0), abs=1e-3)
    (strike,) = record.strikes
    clip = make_clip(seed=2)
    assert np.array_equal(strike.clip.samples, clip.samples)
    assert strike.clip.samples.dtype == np.int32
    assert (strike.clip.strike_speed_m_s, strike.clip.strike_sample) == (0.512345678901, 96)
    assert (strike.tap, strike.repeat, strike.y_mm) == (2, 1, 28.0)
    assert strike.reading == reading
    assert np.array_equal(record.outline.rim, square_outline().rim)


def test_numbers_of_numpy_are_as_good_as_others(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        origin = {"seed": np.int64(4), "temperature_c": np.float32(21.5), "gains": np.ones(2)}
        scan = folder.new_scan(make_plan(), origin=origin)
        tap = np.int64(1)
        strike = store(folder, scan, tap)
        folder.store_reading(np.int64(strike), replace(make_reading(), tone_hz=np.float32(350.5)))
        (kept,) = folder.scan_record(scan).strikes
        assert folder.origin(scan)["gains"] == [1.0, 1.0]
        assert folder.scans()[0].seed == 4
    assert kept.reading is not None
    assert kept.reading.tone_hz == 350.5
    assert (folder.path / "audio/S0001/000001-r0.flac").exists()


def test_without_clips_the_record_is_the_same_but_empty(tmp_path: Path) -> None:
    with PlateFolder.open(filled_folder(tmp_path / "a")) as folder:
        full = folder.scan_record("S0001")
        light = folder.scan_record("S0001", with_clips=False)
    assert [s.strike_id for s in light.strikes] == [s.strike_id for s in full.strikes]
    assert light.strikes[0].clip.samples.shape == (0, 2)
    assert light.strikes[0].reading == full.strikes[0].reading


def test_a_retake_supersedes_and_nothing_is_deleted(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        scan = folder.new_scan(make_plan())
        first = store(folder, scan, 0)
        second = store(folder, scan, 0)
        third = store(folder, scan, 1)
        folder.supersede(third, "doubtful")
        assert folder.done(scan) == {(0, 0)}
        record = folder.scan_record(scan)
        summary = folder.scans()[0]
    assert {s.strike_id: s.superseded for s in record.strikes} == {
        first: True,
        second: False,
        third: True,
    }
    assert (summary.strikes, summary.retakes, summary.taps_done) == (1, 2, 1)
    names = sorted(p.name for p in (folder.path / "audio" / scan).iterdir())
    assert names == ["000000-r0-t1.flac", "000000-r0.flac", "000001-r0.flac"]
    assert [s.strike_id for s in record.used_strikes()] == [second]


def test_recordings_are_read_only_and_listed_in_the_manifest(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    recording = path / "audio/S0001/000003-r0.flac"
    assert recording.stat().st_mode & 0o222 == 0
    lines = (path / "manifest-sha256.txt").read_text().splitlines()
    listed = {name: digest for digest, name in (line.split("  ") for line in lines)}
    on_disk = {p.relative_to(path).as_posix() for p in path.rglob("*") if p.is_file()}
    assert set(listed) == on_disk - {"manifest-sha256.txt"}
    assert all(sha256_of(path / name) == digest for name, digest in listed.items())
    readme = (path / "README.txt").read_text()
    connection = sqlite3.connect(path / "plate.sqlite")
    tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_schema") if row[0]]
    connection.close()
    for table in ("plate", "outline", "scan", "strike", "reading", "image", "event"):
        assert table in tables
        assert f"  {table} " in readme


def test_a_plain_copy_after_closing_is_one_whole_file(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    assert not list(path.glob("plate.sqlite-*"))
    lone = sqlite3.connect(path / "plate.sqlite")
    assert lone.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    assert lone.execute("SELECT count(*) FROM strike").fetchone() == (6,)
    lone.close()


def test_creating_over_something_changes_nothing(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    before = sha256_of(path / "plate.sqlite")
    with pytest.raises(FolderError, match="nothing was changed"):
        make_folder(tmp_path / "a")
    assert sha256_of(path / "plate.sqlite") == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.plate"]


def test_missing_folders_are_told_from_other_directories(tmp_path: Path) -> None:
    with pytest.raises(FolderMissingError, match="no plate folder here"):
        PlateFolder.open(tmp_path / "none")
    with pytest.raises(FolderMissingError, match=r"plate\.sqlite is missing"):
        PlateFolder.open(tmp_path)


def test_the_second_writer_is_told_who_holds_the_folder(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        text = "from rig.archive.plate_folder import PlateFolder as P;import sys;"
        code = text + "P.open(sys.argv[1], write=True)"
        second = subprocess.run(
            [sys.executable, "-c", code, str(folder.path)], capture_output=True, text=True
        )
        assert "FolderInUseError" in second.stderr
        assert f"process {os.getpid()}, since 20" in second.stderr
        with pytest.raises(FolderInUseError, match="this program itself"):
            PlateFolder.open(folder.path, write=True)
        reader = PlateFolder.open(folder.path)
        reader.close()
    with PlateFolder.open(folder.path, write=True):
        pass
    assert not (folder.path / "writer.lock").exists()


def test_a_reader_sees_strikes_while_the_scan_runs(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as writer, PlateFolder.open(writer.path) as reader:
        scan = writer.new_scan(make_plan())
        store(writer, scan, 0)
        assert len(reader.scan_record(scan).strikes) == 1
        store(writer, scan, 1)
        assert reader.done(scan) == {(0, 0), (1, 0)}
        assert [p.what for p in reader.check()] == []
    with PlateFolder.open(writer.path, write=True):
        pass
    assert not list(writer.path.glob("plate.sqlite-*"))


def test_one_thread_stores_while_others_read(tmp_path: Path) -> None:
    taps = 40
    failures: list[BaseException] = []
    with make_folder(tmp_path / "a") as folder:
        scan = folder.new_scan(make_plan(taps))
        finished = threading.Event()

        def read() -> None:
            try:
                while not finished.is_set():
                    record = folder.scan_record(scan)
                    seen = {s.tap for s in record.strikes}
                    assert seen == set(range(len(seen)))
                    assert not record.notes
            except BaseException as problem:
                failures.append(problem)

        readers = [threading.Thread(target=read) for _ in range(2)]
        for thread in readers:
            thread.start()
        try:
            for tap in range(taps):
                folder.store_reading(store(folder, scan, tap), make_reading())
        finally:
            finished.set()
            for thread in readers:
                thread.join()
        assert not failures
        assert len(folder.done(scan)) == taps


def test_a_folder_by_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    connection = sqlite3.connect(path / "plate.sqlite")
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    before = {p: sha256_of(p) for p in path.rglob("*") if p.is_file()}
    for write in (False, True):
        with pytest.raises(FolderNewerError, match="schema 99"):
            PlateFolder.open(path, write=write)
    assert {p: sha256_of(p) for p in path.rglob("*") if p.is_file()} == before


def test_scans_are_numbered_and_the_unfinished_one_is_found(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        with pytest.raises(FolderError, match="no scan"):
            folder.latest_scan()
        assert folder.unfinished_scan() is None
        first = folder.new_scan(make_plan())
        second = folder.new_scan(make_plan(), origin={"gathered_from": "recordings"})
        assert (first, second) == ("S0001", "S0002")
        assert folder.latest_scan() == "S0002"
        assert folder.unfinished_scan() == "S0001"
        folder.set_state(first, ScanState.FINISHED)
        assert folder.unfinished_scan() is None
        with pytest.raises(FolderError, match="There are: S0001, S0002"):
            folder.scan_record("S0009")


def test_a_stand_in_outline_gives_way_and_a_true_one_stays_with_its_scan(tmp_path: Path) -> None:
    wide = Outline.checked(square_outline().rim * 2.0)
    with PlateFolder.create(tmp_path / "a", PlateFacts("a")) as folder:
        assert folder.outline is None
        folder.set_outline(wide, source="stand-in")
        rough = folder.new_scan(make_plan())
        folder.set_outline(square_outline())
        exact = folder.new_scan(make_plan())
        folder.set_outline(wide, source="picture")
        assert folder.scan_record(rough).outline.size_mm == (200.0, 400.0)
        assert folder.scan_record(exact).outline.size_mm == (100.0, 200.0)
        assert folder.outline_source == "picture"


def test_facts_change_by_name_and_the_log_keeps_the_old_ones(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        assert folder.update_facts(mass_g=110.5).mass_g == 110.5
        with pytest.raises(UsageError, match="no fact called colour"):
            folder.update_facts(colour="amber")
        (event,) = folder.database.rows("SELECT * FROM event WHERE what = 'facts changed'")
        assert '"before": {"mass_g": null}' in event["detail"]


def test_calls_that_make_no_sense_are_refused(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    with PlateFolder.open(path) as reader, pytest.raises(UsageError, match="not open for writing"):
        store(reader, "S0001", 0)
    with PlateFolder.open(path, write=True) as folder:
        scan = folder.new_scan(make_plan())
        clip = make_clip()
        with pytest.raises(UsageError, match="no tap 6"):
            store(folder, scan, 6)
        with pytest.raises(UsageError, match="place of the strike"):
            folder.store_strike(scan, tap=0, repeat=0, x_mm=float("nan"), y_mm=1.0, clip=clip)
        empty = replace(clip, samples=np.zeros((0, 2), dtype=np.int32))
        with pytest.raises(RecordingError, match="holds no sound"):
            folder.store_strike(scan, tap=0, repeat=0, x_mm=1.0, y_mm=1.0, clip=empty)
        with pytest.raises(UsageError, match="no strike 999"):
            folder.store_reading(999, make_reading())
        with pytest.raises(UsageError, match="no strike 999"):
            folder.supersede(999)
        assert folder.done(scan) == set()


def test_pictures_are_kept_as_png(tmp_path: Path) -> None:
    import cv2

    pixels = np.random.default_rng(1).integers(0, 256, (37, 53, 3), dtype=np.uint8)
    with make_folder(tmp_path / "a") as folder:
        scan = folder.new_scan(make_plan())
        colour = folder.store_image(scan, "location", pixels)
        grey = folder.store_image(None, "location", pixels[:, :, 0])
        ready_made = folder.store_image(scan, "location", colour.read_bytes())
        with pytest.raises(UsageError, match="short name"):
            folder.store_image(scan, "../location", pixels)
        with pytest.raises(UsageError, match="cannot be kept"):
            folder.store_image(scan, "location", pixels.astype(float))
    assert np.array_equal(cv2.imread(str(colour)), pixels)
    assert np.array_equal(cv2.imread(str(grey), cv2.IMREAD_UNCHANGED), pixels[:, :, 0])
    assert ready_made.name == "S0001-location-2.png"
    with PlateFolder.open(folder.path) as again:
        assert again.check() == []


def test_one_damaged_recording_does_not_hide_the_rest(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    victim = path / "audio/S0001/000003-r0.flac"
    victim.chmod(0o644)
    victim.write_bytes(victim.read_bytes()[:500])
    with PlateFolder.open(path) as folder:
        record = folder.scan_record("S0001")
        assert [s.tap for s in record.strikes] == [0, 1, 2, 4, 5]
        assert "Tap 3, repeat 0 is left out" in record.notes[0]
        with pytest.raises(RecordingError):
            folder.clip(4)
