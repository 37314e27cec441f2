"""The virtual camera: honest edges, the same wood again, and the role of a camera."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rig.model.errors import CameraError, UsageError
from rig.model.frames import Pose
from rig.model.rig_settings import LensSettings
from rig.virtual.camera import VirtualCamera
from rig.virtual.scene import render_scene
from rig.virtual.scene_optics import View, project, rays, undistortion_polynomial, view_of_bed
from rig.virtual.scene_surfaces import Look, signed_distance
from rig.virtual.settings import virtual_rig_settings
from rig.virtual.shapes import violin_outline

SETTINGS = virtual_rig_settings()
POSE = Pose(250.0, 125.0, 5.0, "outer")


def test_projection_equals_opencv():
    # outside check: cv2.projectPoints
    lens = SETTINGS.camera.lens
    view = View((700.0, 250.0, 690.0), (250.0, 300.0, 0.0), roll_deg=7.0)
    points = np.array([[30.0, 40.0, 0.0], [480.0, 20.0, 3.0], [250.0, 300.0, 12.0]])
    turn = view.rotation()
    matrix = np.array([[lens.fx, 0, lens.cx], [0, lens.fy, lens.cy], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(
        points, cv2.Rodrigues(turn)[0], -turn @ np.array(view.eye_mm), matrix,
        np.array([lens.k1, lens.k2, 0.0, 0.0]),
    )  # fmt: skip
    np.testing.assert_allclose(project(points, view, lens), theirs[:, 0], atol=1e-8)


@pytest.mark.parametrize(("k1", "k2"), [(-0.2, 0.05), (0.0, 0.0), (0.06, -0.02)])
def test_rays_lead_back_to_their_pixels(k1, k2):
    lens = LensSettings(fx=1250.0, fy=1255.0, cx=970.0, cy=530.0, k1=k1, k2=k2)
    view = view_of_bed(500.0, 600.0, lens)
    bundle = rays(view, lens, range(0, 1080, 270), 1)
    x, y = bundle.meet_plane(0.0)
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]).astype(np.float64)
    pixels = project(points, view, lens)
    u, v = np.meshgrid(np.arange(1920.0), np.arange(0.0, 1080.0, 270.0))
    in_reach = np.abs(points[:, 0]) < 3000.0
    np.testing.assert_allclose(pixels[in_reach, 0], u.ravel()[in_reach], atol=0.02)
    np.testing.assert_allclose(pixels[in_reach, 1], v.ravel()[in_reach], atol=0.02)
    assert undistortion_polynomial(lens)[-1] == pytest.approx(1.0, abs=1e-6)


def test_signed_distance_of_a_square():
    square = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 20.0], [0.0, 20.0]])
    x = y = np.arange(-4.75, 25.0, 0.5)
    distance = signed_distance(square, x, y)
    middle = 10.0 - np.maximum(np.abs(x[None, :] - 10.0), np.abs(y[:, None] - 10.0))
    near = np.abs(middle) < 2.0
    corner = (np.abs(x[None, :] - 10.0) > 10.0) & (np.abs(y[:, None] - 10.0) > 10.0)
    np.testing.assert_allclose(distance[near & ~corner], middle[near & ~corner], atol=1e-5)


def test_edge_of_the_plate_lies_where_it_should():
    """Light summed across the far rim gives its place to a twentieth of a pixel."""
    outline = violin_outline()
    plain = Look(wood="maple", flame=0.0, arching_mm=0.0, bed_colour=(0.003, 0.003, 0.003))
    picture = render_scene(
        outline, replace(POSE, face="inner"), SETTINGS, rng=np.random.default_rng(0), noise=0.0,
        plate_look=plain,
    )  # fmt: skip
    coded = picture.astype(np.float64) / 255.0
    light = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)[:, :, 2]
    lens = SETTINGS.camera.lens
    view = view_of_bed(500.0, 600.0, lens)
    far = np.flatnonzero((outline.rim[:, 0] > 95.0) & (outline.rim[:, 1] < 110.0))
    rim = replace(POSE, face="inner").to_bed(outline.rim[far])
    pixels = project(np.column_stack([rim, np.full(len(rim), 3.0)]), view, lens)
    pixels = pixels[np.argsort(pixels[:, 0])]
    errors = []
    for u, v in pixels:  # the far rim runs nearly level in this picture: look along columns
        column, row = round(u), round(v)
        line = light[row - 8 : row + 9, column]
        bed, wood = line[:4].mean(), line[-4:].mean()
        filled = np.sum(line - bed) / (wood - bed)  # pixels of wood among these 17
        errors.append(row + 8.5 - filled - np.interp(column, pixels[:, 0], pixels[:, 1]))
    assert abs(float(np.median(errors))) < 0.05


def test_same_seed_same_wood_other_noise():
    camera = VirtualCamera(violin_outline(), POSE, SETTINGS, seed=7)
    camera.open()
    first, second = camera.frame(), camera.frame()
    again = VirtualCamera(violin_outline(), POSE, SETTINGS, seed=7)
    again.open()
    assert first.pixels.shape == (1080, 1920, 3)
    assert first.pixels.dtype == np.uint8
    np.testing.assert_array_equal(again.frame().pixels, first.pixels)
    gap = second.pixels.astype(int) - first.pixels.astype(int)
    assert 0.2 < gap.std() < 4.0
    assert abs(gap.mean()) < 0.02
    assert first.utc.endswith("Z")


class StoppedClock:
    def now_s(self) -> float:
        return 0.0

    def sleep_s(self, duration_s: float) -> None:
        del duration_s

    def utc(self) -> str:
        return "2030-01-02T03:04:05Z"


def test_camera_role():
    camera = VirtualCamera(None, None, SETTINGS, clock=StoppedClock())
    with pytest.raises(CameraError, match="opened"):
        camera.frame()
    camera.open()
    empty = camera.frame()
    assert empty.utc == "2030-01-02T03:04:05Z"
    camera.close()
    camera.close()
    with pytest.raises(CameraError):
        camera.frame()


def test_missing_marker_cannot_be_detected():
    camera = VirtualCamera(None, None, SETTINGS, missing_markers=(2,))
    camera.open()
    grey = cv2.cvtColor(camera.frame().pixels, cv2.COLOR_BGR2GRAY)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    _, numbers, _ = detector.detectMarkers(grey)
    assert sorted(np.ravel(numbers).tolist()) == [0, 1, 3, 4, 5]


def test_inner_face_is_paler_and_plate_is_brighter_than_bed():
    outline = violin_outline()
    lens = SETTINGS.camera.lens
    view = view_of_bed(500.0, 600.0, lens)
    levels = {}
    for face in ("outer", "inner"):
        pose = replace(POSE, face=face)
        picture = render_scene(outline, pose, SETTINGS, rng=np.random.default_rng(3))
        at = project(np.array([[*pose.to_bed(np.array([[40.0, 80.0]]))[0], 3.0]]), view, lens)[0]
        u, v = np.round(at).astype(int)
        levels[face] = picture[v - 10 : v + 11, u - 10 : u + 11].mean(axis=(0, 1))
    assert levels["inner"][0] > levels["outer"][0]  # less blue is lost in pale wood
    assert levels["outer"][2] > 100.0


def test_no_lens_no_picture():
    blind = replace(SETTINGS, camera=replace(SETTINGS.camera, lens=None))
    with pytest.raises(UsageError, match="lens"):
        render_scene(None, None, blind, rng=np.random.default_rng(0))
