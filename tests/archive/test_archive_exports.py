"""Exports: gathered again they give the same samples and numbers; tables describe themselves."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from archive_samples import (
    filled_folder,
    make_clip,
    make_folder,
    make_plan,
    make_reading,
    store,
)

from rig.archive.outline_files import read_outline, write_outline
from rig.archive.plate_folder import PlateFolder
from rig.archive.storage import sha256_of
from rig.jobs.export import export
from rig.jobs.gather import gather
from rig.model.errors import FolderError
from rig.virtual.shapes import violin_outline


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_export_and_gather_give_back_the_same_scan(tmp_path: Path, bits: int) -> None:
    with make_folder(tmp_path / "a") as folder:
        folder.update_facts(mass_g=111.25, notes='said "bright"\nand even')
        origin = {"simulated": True, "microphone_xyz_mm": (12.5, 90.0, 201.25)}
        scan = folder.new_scan(make_plan(3, repeats=2), origin=origin)
        for tap in range(3):
            for repeat in range(2):
                clip = make_clip(10 * tap + repeat, bits=bits)
                place = {"x_mm": 50.0 + 0.1 * tap, "y_mm": 20.0 / 3.0 + 9.0 * tap}
                folder.store_strike(scan, tap=tap, repeat=repeat, clip=clip, **place)
        before = folder.scan_record(scan)
    result = export(tmp_path / "a.plate", tmp_path / "out", scan)
    assert (result.strikes, result.simulated) == (6, True)
    gathered = gather(tmp_path / "out", tmp_path / "b")
    assert (gathered.taps, gathered.strikes, gathered.rejected) == (3, 6, ())
    assert gathered.cautions == ()
    with PlateFolder.open(tmp_path / "b") as again:
        after = again.scan_record("S0001")
        assert again.facts == before.facts
    assert after.simulated
    assert after.microphone_xyz_mm == before.microphone_xyz_mm
    assert np.array_equal(after.outline.rim, before.outline.rim)
    for one, other in zip(before.strikes, after.strikes, strict=True):
        assert (one.tap, one.repeat, one.x_mm, one.y_mm) == (
            other.tap, other.repeat, other.x_mm, other.y_mm,
        )  # fmt: skip
        assert np.array_equal(one.clip.samples, other.clip.samples)
        empty = np.zeros((0, 2), dtype=np.int32)
        same = [str(replace(c, samples=empty)) for c in (one.clip, other.clip)]
        assert same[0] == same[1]


def test_tables_are_as_the_data_package_says(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    export(path, tmp_path / "out")
    package = json.loads((tmp_path / "out/datapackage.json").read_text())
    tables = {r["path"]: r for r in package["resources"] if isinstance(r["path"], str)}
    assert set(tables) == {"taps.csv", "readings.csv", "partials.csv", "outline.csv"}
    kinds = {"number": float, "integer": int, "string": str}
    for name, resource in tables.items():
        file = tmp_path / "out" / name
        assert resource["hash"] == f"sha256:{sha256_of(file)}"
        assert resource["bytes"] == file.stat().st_size
        fields = resource["schema"]["fields"]
        with open(file, newline="") as lines:
            head, *rows = csv.reader(lines)
        assert head == [f["name"] for f in fields]
        assert rows
        for row in rows:
            for field, value in zip(fields, row, strict=True):
                if value != "":
                    kinds[field["type"]](value)
                if "constraints" in field:
                    assert value in field["constraints"]["enum"]
    assert package["simulated"] is False
    assert package["name"] == "square-s0001"
    with open(tmp_path / "out/readings.csv", newline="") as lines:
        first = next(csv.DictReader(lines))
    reading = make_reading()
    assert (float(first["tone_hz"]), first["contact_ms"]) == (reading.tone_hz, "")
    sound, rate = soundfile.read(tmp_path / "out" / first["file"], dtype="int32")
    assert rate == 48_000
    assert np.array_equal(sound >> 8, make_clip(0).samples)


def test_replaced_strikes_stay_behind(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        scan = folder.new_scan(make_plan())
        store(folder, scan, 0)
        clip = make_clip(99)
        folder.store_strike(scan, tap=0, repeat=0, x_mm=50.0, y_mm=10.0, clip=clip)
    result = export(folder.path, tmp_path / "out")
    assert result.strikes == 1
    sound, _ = soundfile.read(tmp_path / "out/audio/000000-r0.wav", dtype="int32")
    assert np.array_equal(sound >> 8, clip.samples)


def test_simulated_is_said_in_every_part(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        store(folder, folder.new_scan(make_plan(), origin={"simulated": True}), 0)
    export(folder.path, tmp_path / "out")
    assert "SIMULATED" in (tmp_path / "out/plate.toml").read_text()
    assert "SIMULATED" in (tmp_path / "out/datapackage.json").read_text()


def test_a_directory_in_use_and_unknown_scans_are_refused(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    (tmp_path / "out").mkdir()
    (tmp_path / "out/mine.txt").write_text("mine")
    with pytest.raises(FolderError, match="not empty; nothing was written"):
        export(path, tmp_path / "out")
    with pytest.raises(FolderError, match="no scan S0007"):
        export(path, tmp_path / "other", "S0007")
    assert not (tmp_path / "other").exists()


def test_recordings_of_a_damaged_folder_are_rescued(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    (path / "plate.sqlite").write_bytes(b"gone" * 2000)
    result = export(path, tmp_path / "out")
    assert result.strikes == 6
    assert "database is damaged" in result.notes[0]
    write_outline(tmp_path / "out/outline.csv", violin_outline())
    gathered = gather(tmp_path / "out", tmp_path / "b")
    assert gathered.strikes == 6
    with PlateFolder.open(tmp_path / "b") as again:
        strikes = again.scan_record("S0001").strikes
    for strike in strikes:
        assert np.array_equal(strike.clip.samples, make_clip(strike.tap).samples)


@pytest.mark.parametrize("sound_holes", [False, True])
def test_outlines_are_written_exactly(tmp_path: Path, sound_holes: bool) -> None:
    outline = violin_outline(sound_holes=sound_holes)
    back = read_outline(write_outline(tmp_path / "o.csv", outline))
    assert np.array_equal(back.rim, outline.rim)
    assert len(back.holes) == len(outline.holes)
    for one, other in zip(back.holes, outline.holes, strict=True):
        assert np.array_equal(one, other)


def test_an_outline_may_be_closed_and_run_either_way(tmp_path: Path) -> None:
    rim = violin_outline().rim
    clockwise = np.vstack([rim[::-1], rim[-1:]])
    lines = ["# traced from paper", "X_mm; Y_mm", *(f"{x:.3f};{y:.3f}" for x, y in clockwise)]
    (tmp_path / "o.csv").write_text("\n".join(lines).replace(".", ",") + "\n\n")
    outline = read_outline(tmp_path / "o.csv")
    assert outline.area_mm2 == pytest.approx(violin_outline().area_mm2, rel=1e-5)
    assert len(outline.rim) == len(rim)
