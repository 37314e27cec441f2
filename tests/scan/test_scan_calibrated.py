"""A scan uses the calibrations that hold, keeps them when it is resumed, and says what differs."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import rig.virtual.rig
from rig.archive.plate_folder import PlateFolder
from rig.calibrate.gantry import GantryCorrection, fit_gantry
from rig.calibrate.records import new_record, store
from rig.devices.link import LineController
from rig.jobs.calibrate_gantry import mark_dots, plan_dots
from rig.jobs.scan import scan
from rig.model.errors import UsageError
from rig.virtual.rig import VirtualRig, build_rig
from rig.virtual.worlds import world_spec

OPTIONS: dict[str, Any] = {"world": "crooked-gantry", "spacing_mm": 45.0, "speed": 0.0}


def bed_places(made: VirtualRig) -> np.ndarray:
    """Where each strike truly came down on the bed."""
    return np.asarray(
        made.bench.pose.to_bed(np.array([(t.x_mm, t.y_mm) for t in made.bench.truths]))
    )


@pytest.fixture(scope="module")
def correction() -> GantryCorrection:
    """Found by the bare gantry's own dots."""
    made = build_rig(replace(world_spec("crooked-gantry"), has_plate=False), 3, speed=0.0)
    controller = LineController(made.transport, made.clock, made.settings)
    controller.open()
    controller.home()
    dots = plan_dots(made.settings)
    mark_dots(controller, dots, 3000)
    return fit_gantry(dots, bed_places(made)).correction


@pytest.fixture
def made_rigs(monkeypatch: pytest.MonkeyPatch) -> list[VirtualRig]:
    """The virtual rigs that scans of this test are made on."""
    made: list[VirtualRig] = []

    def remembered(*args: Any, **options: Any) -> VirtualRig:
        made.append(build_rig(*args, **options))
        return made[-1]

    monkeypatch.setattr(rig.virtual.rig, "build_rig", remembered)
    return made


def offset_mm(path: Path, made: VirtualRig, first: int, last: int) -> float:
    """Mean displacement of the strikes on taps `first` to `last` from where they were planned.

    The single strike scatters by 0.3 mm along either axis.
    """
    with PlateFolder.open(path) as folder:
        pose, plan = folder.pose("S0001"), folder.plan("S0001")
    assert pose is not None
    wanted = np.asarray(pose.to_bed(plan.places()))[first:last]
    there = bed_places(made)
    nearest = [there[np.argmin(np.hypot(*(there - place).T))] for place in wanted]
    return float(np.hypot(*np.mean(np.array(nearest) - wanted, axis=0)))


def test_gantry_record_is_used_kept_on_resuming_and_differences_are_said(
    tmp_path: Path, correction: GantryCorrection, made_rigs: list[VirtualRig]
) -> None:
    records, path = tmp_path / "records", tmp_path / "true.plate"
    now = datetime.now(UTC)
    values = {"correction": correction.as_values(), "tapper_offset_mm": [0.0, 0.0]}
    store(records, new_record("gantry", values, now - timedelta(days=2)))
    first = scan(path, **OPTIONS, max_taps=11, records=records, temperature_c=24.5, mass_g=90.0)
    assert offset_mm(path, made_rigs[0], 0, 11) < 0.3
    contract = first.as_json()
    assert contract["calibration"]["used"][0].startswith("gantry-")
    assert any("reference bar was not tapped today" in line for line in contract["cautions"])
    wrong = GantryCorrection((9.0, 9.0), correction.matrix)
    store(records, new_record("gantry", {"correction": wrong.as_values()}, now))
    with pytest.raises(UsageError, match="stored when the scan was begun"):
        scan(path, resume=True, temperature_c=20.0)
    second = scan(path, resume=True, max_taps=22)
    assert offset_mm(path, made_rigs[1], 11, 22) < 0.3
    (line,) = [line for line in second.cautions if "differ from those" in line]
    assert line.count("gantry-") == 2
    assert second.calibration.used == first.calibration.used
    with PlateFolder.open(path) as folder:
        record = folder.scan_record("S0001", with_clips=False)
    assert record.conditions["temperature_c"] == 24.5
    assert record.conditions["humidity_percent"] == 45.0
    assert record.conditions["mass_g"] == 90.0
    assert record.calibration.sentence.endswith("in force: gantry.")


def test_without_the_record_taps_land_beside_their_places(
    tmp_path: Path, made_rigs: list[VirtualRig]
) -> None:
    path = tmp_path / "crooked.plate"
    result = scan(path, **OPTIONS, max_taps=11)
    assert offset_mm(path, made_rigs[0], 0, 11) > 0.9
    assert result.cautions == ()
    assert "virtual rig" in result.calibration.sentence
