"""scan --where doubtful: further taps where a map is least sure, read with the scan's own."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.archive.plate_folder import PlateFolder
from rig.cli.main import run
from rig.jobs.further_taps import taken_together
from rig.jobs.make_map import map_of
from rig.jobs.scan import scan
from rig.jobs.scan_readings import load_scan
from rig.jobs.shelf import shelf
from rig.model.errors import PictureError
from rig.model.frames import Pose
from rig.model.scan_record import ScanRecord

ATTACK = ("--reading", "attack")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A coarse scan of a virtual back."""
    path = tmp_path_factory.mktemp("plates") / "pear.plate"
    scan(path, world="maple-graded", seed=1, spacing_mm=34.0, speed=0.0)
    return path


def answer(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert run([*arguments, "--json"]) == 0, capsys.readouterr().err
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(arguments) == 2
    return " ".join(capsys.readouterr().err.split())


def record(folder: Path, name: str) -> ScanRecord:
    with PlateFolder.open(folder) as opened:
        return opened.scan_record(name)


def test_further_taps_stop_resume_and_are_read_with_the_first(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = map_of(load_scan(folder, "S0001"), (), "attack").tone_map
    command = ["scan", str(folder), "--where", "doubtful", "--taps", "6", *ATTACK, "--speed", "0"]
    begun = answer([*command, "--max-taps", "2"], capsys)
    assert (begun["scan"], begun["state"], begun["strikes"]) == ("S0002", "stopped", 2)
    assert answer(["scan", str(folder), "--resume"], capsys)["state"] == "finished"

    further = record(folder, "S0002")
    assert further.further_to == "S0001"
    assert (further.face, further.strength, further.world) == ("outer", "light", "maple-graded")
    assert len(further.strikes) == 6  # what was recorded stays a scan of its own
    first = record(folder, "S0001").tap_places()[1]
    gaps = np.linalg.norm(first[:, None] - further.tap_places()[1][None], axis=-1)
    assert gaps.min() > 2.5

    together = load_scan(folder, None)
    assert together.scan == "S0002"
    assert f"Read together with the {len(first)} taps of S0001." in together.notes
    made = map_of(together, (), "attack").tone_map
    # a blow whose attack is not heard leaves no point in either map
    assert len(plain.taps) < len(made.taps) <= len(plain.taps) + 6
    alone = map_of(load_scan(folder, "S0001"), (), "attack").tone_map
    np.testing.assert_array_equal(alone.tone_cents, plain.tone_cents)


def test_a_scan_is_not_compared_with_its_further_taps(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scan(folder, where="doubtful", from_scan="S0001", further=1, reading="attack", speed=0.0)
    for before, after in (("S0001", "S0002"), ("S0002", "S0001")):
        said = refused(["compare", str(folder), "--before", before, "--after", after], capsys)
        assert "S0002 holds further taps of S0001" in said


def test_a_plate_that_was_moved_is_not_tapped_further(folder: Path) -> None:
    with PlateFolder.open(folder) as opened:
        lay, scans = opened.pose("S0001"), len(opened.scans())
    assert lay is not None
    moved = Pose(lay.x_mm + 6.0, lay.y_mm, lay.angle_deg, "outer")
    with pytest.raises(PictureError, match=r"lies (5|6)\.\d mm from where it lay in S0001"):
        scan(folder, where="doubtful", from_scan="S0001", further=3, reading="attack", speed=0.0,
             pose=moved)  # fmt: skip
    with PlateFolder.open(folder) as opened:
        assert len(opened.scans()) == scans


def test_scans_that_do_not_belong_together_stay_apart(folder: Path) -> None:
    first = record(folder, "S0001")
    further = replace(first, scan="S0009", further_to="S0001")
    joined = taken_together(first, further)
    assert len(joined.tap_places()[0]) == 2 * len(first.tap_places()[0])
    assert first.microphone_xyz_mm is not None
    x, y, z = first.microphone_xyz_mm
    quicker = replace(first.strikes[0].clip, sample_rate_hz=96000)
    for odd, why in (
        (replace(further, strength="firm"), "another face or strength"),
        (replace(further, microphone_xyz_mm=(x + 25.0, y, z)), "stands 25 mm elsewhere"),
        (
            replace(further, strikes=(replace(first.strikes[0], clip=quicker),)),
            "different sample rates",
        ),
    ):
        apart = taken_together(first, odd)
        assert apart.strikes == odd.strikes
        assert "Not read together with the taps of S0001" in apart.notes[-1]
        assert why in apart.notes[-1]


def test_what_does_not_go_together(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    doubtful = ["scan", str(folder), "--where", "doubtful"]
    assert "goes with --where everywhere only" in refused([*doubtful, "--face", "inner"], capsys)
    assert "begun with" in refused([*doubtful, "--resume"], capsys)
    said = refused([*doubtful, "--virtual", "spruce-top"], capsys)
    assert "was made on maple-graded, not on spruce-top" in said
    plain = ["scan", str(folder), "--virtual", "maple-graded", "--taps", "5"]
    assert "goes with --where doubtful only" in refused(plain, capsys)


def test_the_shelf_takes_further_taps_for_no_change(folder: Path, tmp_path: Path) -> None:
    if len(load_scan(folder, None).strikes) == len(record(folder, "S0001").strikes):
        scan(folder, where="doubtful", further=3, reading="attack", speed=0.0)
    found = shelf(folder.parent, reading="attack", read_again=True, index=tmp_path / "index")
    (row,) = found.plates
    assert row.evenness_after_cents is not None
    assert row.evenness_before_cents is None  # one state of the plate, in several scans
