"""The photograph with its outline, and what is said of rig and calibration records."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pytest
import report_samples as samples
from PIL import Image

from rig.archive.plate_folder import PlateFolder
from rig.jobs.report_photograph import photograph
from rig.jobs.report_rig import record_words, rig_pairs
from rig.model.calibration import CalibrationNote
from rig.model.frames import Pose
from rig.model.plate_facts import PlateFacts
from rig.model.rig_settings import BedMarker, BedSettings, RigSettings
from rig.model.scan_record import ScanRecord
from rig.plan import grid_plan

PX_PER_MM = 2.0
BED = BedSettings(
    width_mm=400.0, depth_mm=500.0,
    markers=tuple(
        BedMarker(number, x, y, 40.0)
        for number, (x, y) in enumerate(((30, 30), (370, 30), (30, 470), (370, 470)))
    ),
)  # fmt: skip
POSE = Pose(200.0, 70.0, 0.0, "outer")


def bed_from_above(shade_plate: bool) -> np.ndarray:
    """The bed as a camera far above sees it: 2 pixels per mm, row 0 at the far edge."""
    height, width = (int(side * PX_PER_MM) for side in (BED.depth_mm, BED.width_mm))
    picture = np.full((height, width, 3), 230, dtype=np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for marker in BED.markers:
        side = int(marker.size_mm * PX_PER_MM)
        image = cv2.aruco.generateImageMarker(dictionary, marker.id, side)
        left = int((marker.x_mm - marker.size_mm / 2) * PX_PER_MM)
        top = int((BED.depth_mm - marker.y_mm - marker.size_mm / 2) * PX_PER_MM)
        picture[top : top + side, left : left + side] = image[..., None]
    if shade_plate:
        rim = POSE.to_bed(samples.outline().rim)
        corners = np.column_stack([rim[:, 0], BED.depth_mm - rim[:, 1]]) * PX_PER_MM
        cv2.fillPoly(picture, [np.round(corners).astype(np.int32)], (60, 110, 150))
    return picture


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "orla.plate"
    shape = samples.outline()
    plan = grid_plan(shape, face="outer", strength="light", spacing_mm=40.0)
    facts = PlateFacts(name="Orla", arching_mm=0.0)
    with PlateFolder.create(path, facts, shape) as made:
        scan = made.new_scan(
            plan, pose=POSE, settings=RigSettings(bed=BED), origin={"rim_height_mm": 0.0}
        )
        made.store_image(scan, "registration", bed_from_above(shade_plate=True))
        made.new_scan(plan, pose=POSE, settings=RigSettings(bed=BED))
        blind = made.new_scan(plan, pose=POSE, settings=RigSettings(bed=BED))
        made.store_image(blind, "registration", np.full((60, 80, 3), 90, dtype=np.uint8))
    return path


def test_outline_lies_on_the_plate_in_the_photograph(folder: Path) -> None:
    found = photograph(folder, "S0001")
    assert found is not None
    with Image.open(BytesIO(found.jpeg)) as opened:
        assert opened.size == found.size_px
        pixels = np.asarray(opened.convert("RGB")).astype(int)
    rim = found.rings_px[0]
    middle = rim.mean(axis=0)
    for way, wood in ((0.97, True), (1.03, False)):
        u, v = np.round(middle + way * (rim[::25] - middle)).astype(int).T
        redder = pixels[v, u, 0] - pixels[v, u, 2] > 40  # the plate is brown, the bed is grey
        assert np.mean(redder == wood) > 0.9
    assert "S0001" in found.caption


def test_without_a_picture_or_a_bed_in_it_there_is_no_photograph(folder: Path) -> None:
    assert photograph(folder, "S0002") is None
    assert photograph(folder, "S0003") is None


def test_records_are_told_with_their_age_at_the_scan() -> None:
    note = CalibrationNote(
        "All held.", records=(("gantry", "gantry-20260501T080000Z"), ("odd", "no-date")),
    )  # fmt: skip
    scan = ScanRecord(
        "S0001", "outer", "firm", 9.0, samples.outline(), PlateFacts("p"), (), calibration=note,
        recorded_utc="2026-05-04T09:30:00Z",
    )  # fmt: skip
    pairs = dict(rig_pairs(scan, RigSettings(name="corner bench"), "/shop/rig.toml"))
    assert pairs["rig"] == "corner bench (rig.toml)"
    assert pairs["hammer"] == "firm strike, pulse of 6000 µs"
    assert pairs["record: gantry"] == (
        "made 2026-05-01, 3 days old at the scan (gantry-20260501T080000Z)"
    )
    assert pairs["record: odd"] == "no-date"
    young = replace(scan, recorded_utc="2026-05-01T13:00:00Z")
    assert "5 hours old" in record_words("bar-20260501T080000Z", young)
    undated = replace(scan, recorded_utc=None)
    assert "old" not in record_words("bar-20260501T080000Z", undated)
    virtual = replace(scan, world="maple-graded")
    assert dict(rig_pairs(virtual, RigSettings(), None))["rig"] == "virtual rig"
    assert rig_pairs(replace(scan, calibration=CalibrationNote()), None, None) == ()
