"""What of the rig's calibrations holds, what does not and why, and what a scan makes of it."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.archive.rig_file import load_rig_file
from rig.calibrate.gantry import GantryCorrection
from rig.calibrate.records import new_record, store
from rig.devices.corrected import CorrectedController
from rig.jobs.calibrate_records import records_in_force, smallest_change_cents
from rig.jobs.compose import compose
from rig.jobs.in_force import InForce, calibration_of, kept_from
from rig.model.calibration import CalibrationNote
from rig.model.rig_settings import LensSettings

NOW = datetime.now(UTC)
EXAMPLE = Path(__file__).parents[2] / "calibration" / "example-rig.toml"
CORRECTION = GantryCorrection((0.5, 0.0), ((1.003, 0.0035), (0.0, 1.0)))
LENS = LensSettings(fx=1500.0, fy=1500.0, cx=960.0, cy=540.0)


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(EXAMPLE.read_text("utf-8"), "utf-8")
    return path


def put(folder: Path, kind: str, values: dict[str, Any], days: float = 0.0, **more: Any) -> Path:
    return store(folder, new_record(kind, values, NOW - timedelta(days=days), **more))


def gantry_values(**more: Any) -> dict[str, Any]:
    return {"correction": CORRECTION.as_values(), **more}


def test_one_sentence_says_what_held_expired_was_unreadable_or_of_another_rig(rig: Path) -> None:
    folder = rig.parent / "calibration"
    put(folder, "lens", {"lens": asdict(LENS)}, rig="rig.toml")
    put(folder, "gantry", gantry_values(), rig="other.toml")
    put(folder, "sound", {}, days=40.0)
    put(folder, "tapper", {}, simulated=True)
    put(folder, "bar", {"in_control": True})
    (folder / "repeatability-broken.json").write_text("{")
    note = records_in_force(rig=rig)
    assert note["sentence"] == (
        "Calibrations at the time of the scan: repeatability study never calibrated; sound "
        "expired; gantry, tapper only of another rig; not readable: repeatability-broken.json; "
        "in force: camera lens, reference bar."
    )
    assert set(note["records"]) == {"lens", "bar"}
    cautions = " ".join(note["cautions"])
    assert "of another rig (other.toml)" in cautions
    assert "of a virtual rig" in cautions
    assert "Sound: expired 10 days ago" in cautions
    held = CalibrationNote.of_origin({"calibration": note, "rig_file": str(rig)})
    assert held.sentence == note["sentence"]
    assert dict(held.records) == note["records"]


def test_all_that_holds_is_one_plain_sentence_and_nobody_is_bothered(rig: Path) -> None:
    for kind in ("tapper", "sound", "repeatability"):
        put(rig.parent / "calibration", kind, {})
    put(rig.parent / "calibration", "lens", {"lens": asdict(LENS)})
    put(rig.parent / "calibration", "gantry", gantry_values())
    put(rig.parent / "calibration", "bar", {"in_control": None})
    known = calibration_of(rig, None)
    assert known.note is not None
    assert known.note["sentence"] == "Calibrations at the time of the scan: all held."
    assert known.lines == ()


@pytest.mark.parametrize(
    ("values", "word"),
    [
        (gantry_values(tapper_offset_mm=[7.0, 0.0]), "offset in the rig file was 7, 0 mm"),
        ({"correction": {"matrix": "soup"}}, "no gantry correction"),
        ({}, "no correction"),
    ],
)
def test_gantry_record_that_cannot_be_used_does_not_count(
    rig: Path, values: dict[str, Any], word: str
) -> None:
    put(rig.parent / "calibration", "gantry", values)
    known = calibration_of(rig, None)
    assert known.correction is None
    assert known.note is not None
    assert "gantry" not in known.note["records"]
    assert known.note["used"] == []
    assert any(word in caution for caution in known.note["cautions"])
    assert "not usable: gantry" in known.note["sentence"]


def test_lens_record_stands_above_the_rig_file_where_the_picture_has_its_size(rig: Path) -> None:
    settings = load_rig_file(rig)
    bare = calibration_of(rig, None)
    same, said = bare.lens_for(settings, (1920, 1080))
    assert same == settings
    assert "no lens record holds. Camera lens: never calibrated." in said[0]
    put(rig.parent / "calibration", "lens", {"lens": asdict(LENS), "size_px": [1920, 1080]})
    known = calibration_of(rig, None)
    used, said = known.lens_for(settings, (1920, 1080))
    assert used.camera.lens == LENS
    assert used.bed == settings.bed
    assert "instead of the rig file's" in said[0]
    assert known.lens_for(used, (1920, 1080)) == (used, ())
    small, said = known.lens_for(settings, (640, 480))
    assert small == settings
    assert "1920 × 1080" in said[0]
    put(rig.parent / "calibration", "lens", {"lens": {"fx": -1}}, days=-0.001)
    assert calibration_of(rig, None).lens is None


def test_resumed_scan_keeps_the_calibrations_of_its_start_and_says_what_differs(rig: Path) -> None:
    folder = rig.parent / "calibration"
    put(folder, "gantry", gantry_values(), days=1.0)
    put(folder, "lens", {"lens": asdict(LENS), "size_px": [1920, 1080]}, days=1.0)
    start = calibration_of(rig, None)
    other = replace(CORRECTION, offset_mm=(9.0, 9.0))
    put(folder, "gantry", {"correction": other.as_values()})
    today = calibration_of(rig, None)
    assert today.correction == other
    kept = kept_from(start.note, today)
    assert kept.correction == CORRECTION
    assert (kept.lens, kept.lens_size_px) == (LENS, (1920, 1080))
    (line,) = [line for line in kept.lines if "differ" in line]
    assert line.startswith("Calibrations differ from those at the scan's start, which are kept")
    assert line.count("gantry-") == 2
    assert "lens" not in line
    assert not [line for line in kept_from(start.note, start).lines if "differ" in line]
    assert kept_from(None, today) == InForce()


def test_bar_of_the_day_is_one_line(rig: Path) -> None:
    folder = rig.parent / "calibration"

    def bar_line() -> str:
        return "".join(
            line
            for line in calibration_of(rig, None).lines
            if not line.startswith("Cal") and "bar" in line
        )

    assert "not tapped today: `platerig calibrate bar`" in bar_line()
    put(folder, "bar", {"in_control": True}, days=2.0)
    assert "(last " in bar_line()
    put(folder, "bar", {"in_control": True}, days=0.1)
    assert bar_line() == ""
    put(folder, "bar", {"in_control": False})
    assert "out of limits" in bar_line()


def test_virtual_rig_has_only_the_records_it_is_given(tmp_path: Path) -> None:
    assert calibration_of(None, None) == InForce()
    put(tmp_path, "gantry", gantry_values())
    rig = compose("empty-bed", speed=0.0, calibration=calibration_of(None, tmp_path))
    assert isinstance(rig.controller, CorrectedController)
    rig.close()
    assert rig.corner_mm == pytest.approx(tuple(CORRECTION.to_bed(np.array([[1.0, 1.0]]))[0]))
    assert not isinstance(compose("empty-bed", speed=0.0).controller, CorrectedController)
    assert "virtual" in CalibrationNote.of_origin({"world": "empty-bed"}).sentence
    assert "gathered" in CalibrationNote.of_origin({"gathered_from": "x"}).sentence
    assert "not noted" in CalibrationNote.of_origin({"rig_file": "rig.toml"}).sentence


def study(cents: Any, reading: str = "local") -> dict[str, Any]:
    return {"studies": [{"reading": reading, "smallest_change_cents": cents}], "face": "outer",
            "strength": "light"}  # fmt: skip


def test_study_counts_for_scans_of_its_own_kind_of_rig_only(tmp_path: Path) -> None:
    def ask(simulated: bool, reading: str = "local") -> tuple[float | None, str]:
        return smallest_change_cents(reading, records=tmp_path, simulated=simulated)

    assert ask(True)[1].endswith("No repeatability study is known that holds for these scans.")
    put(tmp_path, "repeatability", study(12.0), simulated=True)
    assert ask(True)[0] == 12.0
    assert "outer face, light strikes" in ask(True)[1]
    assert ask(False)[0] is None
    assert "made on a virtual rig" in ask(False)[1]
    assert "None has studied the reading “attack”" in ask(True, "attack")[1]
    put(tmp_path, "repeatability", study(9.0), days=200.0)
    assert "expired 20 days ago" in ask(False)[1]
    put(tmp_path, "repeatability", study("many"))
    put(tmp_path, "repeatability", {"studies": "none"})
    assert ask(False)[0] is None
