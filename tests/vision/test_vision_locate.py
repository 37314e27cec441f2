"""The plate found in virtual pictures; each truth comes from the picture's own making."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rig.model import polygon
from rig.model.errors import PictureError
from rig.model.frames import PlateXY, Pose
from rig.model.outline import Outline
from rig.virtual.scene import render_scene
from rig.virtual.scene_optics import project, view_of_bed
from rig.virtual.scene_surfaces import Occluder
from rig.virtual.shapes import viola_outline, violin_outline
from rig.vision.locate import Located, locate_plate, outline_from_picture


def errors(found: Located, truth: Pose, outline: Outline) -> tuple[float, float]:
    """Error of the plate's middle in mm, and of its turn in degrees."""
    assert found.pose is not None, found.reason
    middle = PlateXY(outline.rim.mean(axis=0)[None])
    gap = found.pose.to_bed(middle) - truth.to_bed(middle)
    turn = (found.pose.angle_deg - truth.angle_deg + 180.0) % 360.0 - 180.0
    return float(np.hypot(*gap[0])), abs(turn)


def board(width_mm: float, length_mm: float) -> Outline:
    w = 0.5 * width_mm
    return Outline.checked(np.array([[-w, 0], [w, 0], [w, length_mm], [-w, length_mm]]))


def test_outer_face(outer_picture, outer_pose, settings, outline):
    found = locate_plate(outer_picture, settings, outline, "outer")
    middle, turn = errors(found, outer_pose, outline)
    assert middle < 0.15
    assert turn < 0.03
    assert found.pose.sd_mm is not None
    assert middle < 3.0 * found.pose.sd_mm
    assert found.pose.outline_rms_mm is not None
    assert found.pose.outline_rms_mm < 0.25
    assert found.covered is not None
    assert found.covered > 0.95
    np.testing.assert_allclose(found.outline_in_bed, outer_pose.to_bed(outline.rim), atol=0.3)


def test_inner_face_is_mirrored(inner_picture, inner_pose, settings):
    outline = violin_outline(sound_holes=True)
    found = locate_plate(inner_picture, settings, outline, "inner")
    middle, turn = errors(found, inner_pose, outline)
    assert middle < 0.15
    assert turn < 0.03
    assert found.pose.face == "inner"
    assert found.notes == ()


def test_the_wrong_face_is_warned_of(inner_picture, settings, outline):
    # the invented outline is about 1 mm uneven, enough to tell its two sides apart
    found = locate_plate(inner_picture, settings, outline, "outer")
    assert any("inner face up" in text for text in (found.reason, *found.notes))


def test_rim_height_is_seen(settings, outline):
    pose = Pose(250.0, 125.0, -4.0, "outer")
    picture = render_scene(outline, pose, settings, rng=np.random.default_rng(8), rim_height_mm=5.0)
    assumed = locate_plate(picture, settings, outline, "outer")
    told = locate_plate(picture, settings, outline, "outer", rim_height_mm=5.0)
    assert assumed.rim_height_mm == pytest.approx(5.0, abs=0.6)
    assert any("above the bed" in note for note in assumed.notes)
    assert errors(assumed, pose, outline)[0] < 0.4
    assert errors(told, pose, outline)[0] < 0.15
    assert told.notes == ()


def test_a_rocking_plate_is_refused_until_its_height_is_known(settings, outline):
    pose = Pose(250.0, 125.0, -4.0, "inner")
    picture = render_scene(
        outline, pose, settings, rng=np.random.default_rng(9), rim_height_mm=10.0
    )
    refused = locate_plate(picture, settings, outline, "inner")
    assert refused.pose is None
    assert "rocks on its arch" in refused.reason
    told = locate_plate(picture, settings, outline, "inner", rim_height_mm=10.0)
    assert errors(told, pose, outline)[0] < 0.2


def test_rail_and_missing_marker(settings, outline):
    pose = Pose(245.0, 470.0, 176.0, "outer")
    picture = render_scene(
        outline, pose, settings, rng=np.random.default_rng(10), missing_markers=(1, 4),
        occluders=(Occluder((-150.0, 240.0), (650.0, 240.0), 14.0, 70.0),),
    )  # fmt: skip
    found = locate_plate(picture, settings, outline, "outer")
    middle, turn = errors(found, pose, outline)
    assert middle < 0.3
    assert turn < 0.05
    assert sorted(m.id for m in found.markers) == [0, 2, 3, 5]


def test_grey_and_compressed_pictures(outer_picture, outer_pose, settings, outline):
    grey = cv2.cvtColor(outer_picture, cv2.COLOR_BGR2GRAY)
    _, packed = cv2.imencode(".jpg", outer_picture, [cv2.IMWRITE_JPEG_QUALITY, 80])
    for picture in (grey, cv2.imdecode(packed, cv2.IMREAD_COLOR)):
        middle, turn = errors(
            locate_plate(picture, settings, outline, "outer"), outer_pose, outline
        )
        assert middle < 0.3
        assert turn < 0.05


def test_without_a_lens_in_the_rig_file(outer_picture, outer_pose, settings, outline):
    blind = replace(settings, camera=replace(settings.camera, lens=None))
    found = locate_plate(outer_picture, blind, outline, "outer")
    middle, turn = errors(found, outer_pose, outline)
    assert middle < 0.4
    assert turn < 0.05
    assert any("no [camera.lens]" in note for note in found.notes)


def test_a_picture_drawn_by_opencv_alone(settings, outline):
    """Outside check: a plain picture made by other means, the plate a flat patch 3 mm up."""
    lens = settings.camera.lens
    pose = Pose(262.0, 470.0, 190.0, "outer")
    fine = 4
    canvas = np.full((1080 * fine, 1920 * fine, 3), (70, 60, 40), dtype=np.uint8)
    view = view_of_bed(500.0, 600.0, lens, azimuth_deg=130.0, tilt_deg=30.0)

    def fill(corners_mm: np.ndarray, height_mm: float, colour: tuple[int, int, int]) -> None:
        between = np.linspace(0.0, 1.0, 8, endpoint=False)[:, None]
        edges = zip(corners_mm, np.roll(corners_mm, -1, axis=0), strict=True)
        ring = np.vstack([a + between * (b - a) for a, b in edges])
        pixels = project(np.column_stack([ring, np.full(len(ring), height_mm)]), view, lens)
        at = np.round(((pixels + 0.5) * fine - 0.5) * 16.0).astype(np.int32)
        cv2.fillPoly(canvas, [at], colour, shift=4)

    square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for marker in settings.bed.markers:
        centre, size = np.array([marker.x_mm, marker.y_mm]), marker.size_mm
        fill(centre + 1.35 * size * square, 0.0, (235, 235, 235))
        fill(centre + size * square, 0.0, (10, 10, 10))
        cells = cv2.aruco.generateImageMarker(dictionary, marker.id, 6)
        for row, column in zip(*np.nonzero(cells), strict=True):
            shift = np.array([(column - 2.5) / 6.0, (2.5 - row) / 6.0])
            fill(centre + size * (square / 6.0 + shift), 0.0, (235, 235, 235))
    fill(pose.to_bed(outline.rim), 3.0, (120, 170, 210))
    small = cv2.resize(canvas, (1920, 1080), interpolation=cv2.INTER_AREA)
    found = locate_plate(cv2.GaussianBlur(small, (0, 0), 0.7), settings, outline, "outer")
    middle, turn = errors(found, pose, outline)
    assert middle < 0.2
    assert turn < 0.03


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (board(206.0, 355.0), "looks like the stored plate"),
        (viola_outline(), "looks like the stored plate"),
        (violin_outline(size=1.03), "stored plate"),
    ],
)
def test_another_plate_is_refused(settings, outline, other, words):
    pose = Pose(250.0, 110.0, 3.0, "outer")
    picture = render_scene(other, pose, settings, rng=np.random.default_rng(11))
    found = locate_plate(picture, settings, outline, "outer")
    assert found.pose is None
    assert words in found.reason


def test_an_empty_bed_is_refused(empty_picture, settings, outline):
    for stored in (outline, None):
        found = locate_plate(empty_picture, settings, stored, "outer")
        assert found.pose is None
        assert found.reason
        assert len(found.markers) == 6


def test_picture_of_another_size_than_the_lens(outer_picture, settings, outline):
    half = cv2.resize(outer_picture, (960, 540), interpolation=cv2.INTER_AREA)
    found = locate_plate(half, settings, outline, "outer")
    assert found.pose is None
    assert "another size" in found.reason


def test_no_picture_at_all(settings, outline):
    for odd in (np.zeros((1080, 1920, 3)), np.zeros((20, 20), dtype=np.uint8)):
        with pytest.raises(PictureError):
            locate_plate(odd, settings, outline, "outer")


def test_outline_taken_from_the_picture(outer_picture, outer_pose, settings, outline):
    found = locate_plate(outer_picture, settings, None, "outer")
    assert found.pose is not None, found.reason
    gap = polygon.distance_to_edge_mm(outer_pose.to_bed(outline.rim), found.outline_in_bed)
    assert np.sqrt(np.mean(gap**2)) < 0.35
    assert np.max(gap) < 1.6  # the tips of the corners are rounded off
    width, length = found.outline.size_mm
    assert width == pytest.approx(outline.size_mm[0], abs=0.6)
    assert length == pytest.approx(outline.size_mm[1], abs=0.6)
    assert found.pose.angle_deg == pytest.approx(outer_pose.angle_deg, abs=0.3)
    assert np.min(found.outline.rim[:, 1]) == pytest.approx(0.0, abs=0.2)


def test_outline_of_the_inner_face_is_mirrored_back(inner_picture, inner_pose, settings):
    truth = violin_outline()
    taken = outline_from_picture(inner_picture, settings, "inner")
    # in the plate frame of the outer face: right side right, upper left corner 1.5 mm higher
    gap = polygon.distance_to_edge_mm(taken.rim, truth.rim)
    mirrored = polygon.distance_to_edge_mm(taken.rim, truth.rim * np.array([-1.0, 1.0]))
    assert np.sqrt(np.mean(gap**2)) < np.sqrt(np.mean(mirrored**2))


def test_no_outline_from_a_board_or_under_a_rail(settings, outline):
    plain = render_scene(
        board(206.0, 355.0), Pose(250.0, 120.0, 3.0, "outer"), settings,
        rng=np.random.default_rng(12),
    )  # fmt: skip
    railed = render_scene(
        outline, Pose(250.0, 480.0, 190.0, "outer"), settings, rng=np.random.default_rng(13),
        occluders=(Occluder((-50.0, 250.0), (600.0, 240.0), 15.0, 60.0),),
    )  # fmt: skip
    assert "neck end" in locate_plate(plain, settings, None, "outer").reason
    assert "outline file" in locate_plate(railed, settings, None, "outer").reason
    with pytest.raises(PictureError, match="outline"):
        outline_from_picture(plain, settings, "outer")
