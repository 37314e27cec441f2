"""Lens and marker corners, checked against OpenCV's own functions."""

from __future__ import annotations

import cv2
import numpy as np

from rig.model.rig_settings import LensSettings
from rig.vision.lens import CameraPose, distort, linear_light, undistort
from rig.vision.marker_corners import refine_corners
from rig.vision.profiles import falling_edges

LENS = LensSettings(fx=1482.0, fy=1479.0, cx=968.0, cy=533.0, k1=-0.14, k2=0.035)


def camera() -> CameraPose:
    rotation = cv2.Rodrigues(np.array([2.4, 0.3, -0.5]))[0]
    return CameraPose(LENS, rotation, np.array([-180.0, 210.0, 900.0]))


def test_projection_equals_opencv():
    # outside check: cv2.projectPoints, OpenCV's documented camera model
    rng = np.random.default_rng(0)
    points = np.column_stack(
        [rng.uniform(0, 500, 40), rng.uniform(0, 600, 40), rng.uniform(0, 20, 40)]
    )
    view = camera()
    matrix = np.array([[LENS.fx, 0, LENS.cx], [0, LENS.fy, LENS.cy], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(
        points, cv2.Rodrigues(view.rotation)[0], view.shift_mm, matrix,
        np.array([LENS.k1, LENS.k2, 0.0, 0.0]),
    )  # fmt: skip
    np.testing.assert_allclose(view.project(points), theirs[:, 0], atol=1e-8)


def test_undistort_undoes_distort():
    grid = np.stack(np.meshgrid(np.linspace(-0.6, 0.6, 13), np.linspace(-0.35, 0.35, 9)), -1)
    ideal = grid.reshape(-1, 2)
    np.testing.assert_allclose(undistort(distort(ideal, LENS), LENS), ideal, atol=1e-12)


def test_level_places_return():
    places = np.array([[30.0, 40.0], [470.0, 560.0], [250.0, 300.0]])
    view = camera()
    np.testing.assert_allclose(
        view.meet_level(view.project_level(places, 7.5), 7.5), places, atol=1e-7
    )


def test_behind_the_camera_is_nowhere():
    view = camera()
    behind = view.eye_mm - 100.0 * view.rotation[2]
    assert np.all(np.isnan(view.project(behind[None])))


def test_linear_light_at_known_codes():
    # IEC 61966-2-1: code 188 is half the light (0.5029), 255 all of it
    light = linear_light(np.array([[0, 188, 255]], dtype=np.uint8))
    np.testing.assert_allclose(light, [[0.0, 0.5029, 1.0]], atol=1e-4)


def test_edge_place_to_a_hundredth_of_a_sample():
    s = np.arange(0.0, 20.0, 0.5)
    true = np.array([9.13, 10.0, 11.71])
    blurred = 0.5 * (1.0 - np.tanh((s[None, :] - true[:, None]) / 1.1))
    place, strength = falling_edges(blurred, 0.5, 1.0, most=1)
    np.testing.assert_allclose(place[:, 0], true, atol=0.01)
    assert np.all((strength > 0.5) & (strength < 1.1))


def test_a_rising_edge_is_none():
    profile = np.linspace(0.0, 1.0, 30)[None, :] ** 2
    place, strength = falling_edges(profile, 0.5, 1.0)
    assert np.all(np.isnan(place))
    assert np.all(strength == 0.0)


def test_corners_of_a_drawn_square_to_five_hundredths():
    corners = np.array([[60.3, 40.7], [131.2, 52.4], [120.9, 121.1], [52.6, 110.2]])
    fine = 16
    canvas = np.full((160 * fine, 190 * fine), 0.8, dtype=np.float32)
    v, u = np.mgrid[0 : 160 * fine, 0 : 190 * fine].astype(np.float32)
    u, v = (u + 0.5) / fine - 0.5, (v + 0.5) / fine - 0.5
    inside = np.ones_like(canvas, dtype=bool)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        inside &= (b[0] - a[0]) * (v - a[1]) - (b[1] - a[1]) * (u - a[0]) > 0
    canvas[inside] = 0.03
    light = cv2.GaussianBlur(
        cv2.resize(canvas, (190, 160), interpolation=cv2.INTER_AREA), (0, 0), 0.8
    )
    rough = corners + np.array([[1.2, -0.8], [-1.0, 0.9], [0.7, 1.1], [-0.6, -1.2]])
    np.testing.assert_allclose(refine_corners(light, rough), corners, atol=0.05)
