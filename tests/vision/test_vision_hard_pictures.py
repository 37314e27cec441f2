"""Pictures that go wrong in ways of their own: burnt out, shaken, mirrored, two sheets, covered."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rig.model.frames import PlateXY, Pose
from rig.model.outline import Outline
from rig.model.rig_settings import BedMarker, RigSettings
from rig.virtual.scene import render_scene
from rig.virtual.scene_optics import view_of_bed
from rig.vision.bed import BedView, NoBed, find_bed
from rig.vision.lens import linear_light
from rig.vision.locate import Located, locate_plate
from rig.vision.picture_faults import blur_px, picture_fault


def coded(light: np.ndarray) -> np.ndarray:
    """Linear light, clipped where the camera could take no more, as sRGB (IEC 61966-2-1)."""
    light = np.clip(light, 0.0, 1.0)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(255.0 * code).astype(np.uint8)


def shaken(picture: np.ndarray, across: int, down: int) -> np.ndarray:
    """Smeared evenly along a straight way, in linear light."""
    kernel = np.zeros((2 * down + 1, 2 * across + 1), dtype=np.float32)
    cv2.line(kernel, (0, 0), (2 * across, 2 * down), 1.0, 1)
    return coded(cv2.filter2D(linear_light(picture), -1, kernel / kernel.sum()))


def off_mm(found: Located, truth: Pose, outline: Outline) -> float:
    assert found.pose is not None, found.reason
    middle = PlateXY(outline.rim.mean(axis=0)[None])
    return float(np.hypot(*(found.pose.to_bed(middle) - truth.to_bed(middle))[0]))


def grey(picture: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)


def reason(picture: np.ndarray, settings: RigSettings) -> str:
    found = find_bed(grey(picture), settings.bed, settings.camera.lens)
    assert isinstance(found, NoBed)
    return found.reason


def test_a_burnt_out_picture_is_refused_with_what_to_do(
    outer_picture, outer_pose, settings, outline
):
    light = linear_light(outer_picture)
    for times in (12.0, 60.0):
        found = locate_plate(coded(times * light), settings, outline, "outer")
        assert found.pose is None
        assert "burnt out" in found.reason
        assert "exposure" in found.reason
    # twice the light is no harm
    bright = locate_plate(coded(2.0 * light), settings, outline, "outer")
    assert off_mm(bright, outer_pose, outline) < 0.2


def test_a_shaken_picture_is_exact_or_refused_as_blurred(
    outer_picture, outer_pose, settings, outline
):
    assert blur_px(grey(outer_picture)) < 1.5
    little = locate_plate(shaken(outer_picture, 2, 1), settings, outline, "outer")
    assert off_mm(little, outer_pose, outline) < 0.2
    much = locate_plate(shaken(outer_picture, 14, 6), settings, outline, "outer")
    assert much.pose is None
    assert "blurred" in much.reason
    assert "still" in much.reason


def test_sound_pictures_have_no_fault(outer_picture, inner_picture, empty_picture):
    for picture in (outer_picture, inner_picture, empty_picture):
        assert picture_fault(grey(picture)) is None


def test_a_mirrored_picture_is_called_mirrored(outer_picture, settings):
    assert "mirrored" in reason(np.ascontiguousarray(outer_picture[:, ::-1]), settings)


def test_the_rig_file_of_another_bed_is_refused(outer_picture, settings):
    # the same numbers on a bed of other measures
    elsewhere = tuple(
        BedMarker(m.id, 1.3 * m.x_mm + 40.0 * (m.id % 3), m.y_mm, m.size_mm)
        for m in settings.bed.markers
    )
    other = replace(settings, bed=replace(settings.bed, markers=elsewhere))
    words = reason(outer_picture, other)
    assert "do not agree" in words
    assert "rig file" in words


def pasted(picture: np.ndarray, part: np.ndarray, column: int, row: int) -> np.ndarray:
    changed = picture.copy()
    changed[row : row + part.shape[0], column : column + part.shape[1]] = part
    return changed


def test_one_marker_seen_twice_is_named_two_sheets_are_refused(empty_picture, settings):
    sound = find_bed(grey(empty_picture), settings.bed, settings.camera.lens)
    assert isinstance(sound, BedView)
    marker = next(m for m in sound.markers if m.id == 3)
    low = marker.corners_px.min(axis=0).astype(int) - 14
    high = marker.corners_px.max(axis=0).astype(int) + 14
    label = empty_picture[low[1] : high[1], low[0] : high[0]]
    once_more = find_bed(
        grey(pasted(empty_picture, label, 30, 40)), settings.bed, settings.camera.lens
    )
    assert isinstance(once_more, BedView)
    note = next(n for n in once_more.notes if "Marker 3" in n)
    assert "twice" in note
    assert sum(m.used for m in once_more.markers) == 6
    # a second sheet, half as large, beside the first
    small = cv2.resize(empty_picture, None, fx=0.55, fy=0.55, interpolation=cv2.INTER_AREA)
    both = np.zeros((1080, 1920 + small.shape[1], 3), dtype=np.uint8)
    both[:, :1920] = empty_picture
    both[: small.shape[0], 1920:] = small
    assert "Two sheets" in reason(both, settings)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_a_marker_covered_in_part_moves_nothing(
    outer_picture, outer_pose, settings, outline, share
):
    sound = find_bed(grey(outer_picture), settings.bed, settings.camera.lens)
    assert isinstance(sound, BedView)
    corners = next(m for m in sound.markers if m.id == 4).corners_px
    top = corners[0] + share * (corners[3] - corners[0])
    far = corners[1] + share * (corners[2] - corners[1])
    beyond = np.array([20.0, 0.0])
    quad = np.array([corners[0] - 20, corners[1] + (20, -20), far + beyond, top - beyond])
    covered = outer_picture.copy()
    cv2.fillPoly(covered, [np.round(quad).astype(np.int32)], (60, 90, 130), cv2.LINE_AA)
    found = locate_plate(covered, settings, outline, "outer")
    assert off_mm(found, outer_pose, outline) < 0.2
    for marker in found.markers:
        assert marker.used == (marker.id != 4)


def test_all_markers_sheet_printed_to_fit_the_page_is_refused_in_words(
    outer_picture, settings, outline
):
    # a sheet with all markers on it, printed 4 % too small, looks like a bed farther away: every
    # marker agrees, but the plate is too large for it
    grown = tuple(
        BedMarker(m.id, m.x_mm / 0.96, m.y_mm / 0.96, m.size_mm / 0.96)
        for m in settings.bed.markers
    )
    told = replace(settings, bed=replace(settings.bed, markers=grown))
    found = locate_plate(outer_picture, told, outline, "outer")
    assert found.pose is None
    assert "100 %" in found.reason


def test_a_rim_read_as_if_it_lay_on_the_bed_is_millimetres_off_unless_its_height_is_fitted(
    settings, outline
):
    pose = Pose(245.0, 130.0, 5.0, "outer")
    lens = settings.camera.lens
    view = view_of_bed(500.0, 600.0, lens, azimuth_deg=80.0, tilt_deg=45.0)
    picture = render_scene(outline, pose, settings, rng=np.random.default_rng(31), view=view)
    bed = find_bed(grey(picture), settings.bed, lens)
    assert isinstance(bed, BedView)
    rim = pose.to_bed(outline.rim)
    flat = bed.camera.meet_level(bed.camera.project_level(rim, 3.0), 0.0)
    assert 1.0 < float(np.hypot(*(flat - rim).mean(axis=0))) < 4.0
    told_wrong = locate_plate(picture, settings, outline, "outer", rim_height_mm=0.0)
    assert told_wrong.rim_height_mm == pytest.approx(3.0, abs=0.7)
    assert off_mm(told_wrong, pose, outline) < 0.5
    assert off_mm(locate_plate(picture, settings, outline, "outer"), pose, outline) < 0.2


@pytest.mark.parametrize("height_mm", [9.0, 11.0])
def test_a_plate_that_rocks_on_its_arch_is_refused_until_its_height_is_given(
    settings, outline, height_mm
):
    pose = Pose(238.0, 128.0, -7.0, "inner")
    picture = render_scene(
        outline, pose, settings, rng=np.random.default_rng(32), rim_height_mm=height_mm
    )
    refused = locate_plate(picture, settings, outline, "inner")
    assert refused.pose is None
    assert "rocks on its arch" in refused.reason
    told = locate_plate(picture, settings, outline, "inner", rim_height_mm=height_mm)
    assert off_mm(told, pose, outline) < 0.25
