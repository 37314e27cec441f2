"""Sound holes taken from virtual pictures; each truth comes from the picture's own making."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rig.model import polygon
from rig.model.frames import PlateXY, Pose
from rig.model.outline import Outline
from rig.plan.grid import grid_plan
from rig.virtual.scene import render_scene
from rig.virtual.scene_surfaces import Look, Occluder
from rig.virtual.shapes import violin_outline
from rig.vision.lens import CameraPose, linear_light
from rig.vision.locate import Located, locate_plate
from rig.vision.sound_holes import find_sound_holes

HOLED = violin_outline(sound_holes=True)
WHOLE = violin_outline()
POSE = Pose(250.0, 122.5, 0.0, "outer")
SPRUCE = Look(wood="spruce", arching_mm=14.5)


@pytest.fixture(scope="module")
def holed_picture(settings) -> np.ndarray:
    return render_scene(HOLED, POSE, settings, rng=np.random.default_rng(2), plate_look=SPRUCE)


def in_true_frame(found: Located, truth: Pose, points: np.ndarray) -> np.ndarray:
    """Points of the found plate frame, where they truly lie on the wood."""
    assert found.pose is not None, found.reason
    return truth.to_plate(found.pose.to_bed(PlateXY(np.asarray(points))))


def gaps(found: Located, truth: Pose) -> list[float]:
    """Rms distance of each found hole's edge to that of the true hole nearest to it."""
    assert found.outline is not None
    out = []
    for hole in found.outline.holes:
        ring = in_true_frame(found, truth, hole)
        near = min(HOLED.holes, key=lambda h: np.hypot(*(h.mean(axis=0) - ring.mean(axis=0))))
        out.append(float(np.sqrt(np.mean(polygon.distance_to_edge_mm(near, ring) ** 2))))
    return out


@pytest.mark.parametrize("stored", [None, WHOLE])
def test_holes_are_found_whether_or_not_an_outline_is_stored(holed_picture, settings, stored):
    found = locate_plate(holed_picture, settings, stored, "outer")
    assert found.outline is not None
    assert len(found.outline.holes) == 2
    assert max(gaps(found, POSE)) < 0.8
    assert any("2 sound holes were taken" in note for note in found.notes)
    for hole, true in zip(
        sorted(found.outline.holes, key=lambda h: h[:, 0].mean()),
        sorted(HOLED.holes, key=lambda h: h[:, 0].mean()), strict=True,
    ):  # fmt: skip
        area, truth = polygon.signed_area_mm2(hole), abs(polygon.signed_area_mm2(true))
        assert 0.6 * truth < area < 1.15 * truth  # a slanted view hides part of it


def test_no_tap_is_planned_into_a_hole(holed_picture, settings):
    found = locate_plate(holed_picture, settings, None, "outer")
    for spacing_mm in (14.0, 9.0, 5.0):
        plan = grid_plan(found.outline, face="outer", strength="light", spacing_mm=spacing_mm)
        taps = in_true_frame(found, POSE, plan.places())
        assert bool(np.all(HOLED.contains(taps)))
        distance = min(polygon.distance_to_edge_mm(hole, taps).min() for hole in HOLED.holes)
        assert distance > 4.0  # of the margin of 6 mm


def test_inner_face_and_a_plate_that_lies_across(inner_picture, inner_pose, settings):
    found = locate_plate(inner_picture, settings, None, "inner")
    assert found.outline is not None
    assert len(found.outline.holes) == 2
    assert max(gaps(found, inner_pose)) < 1.2


def test_stored_holes_stay(holed_picture, settings):
    found = locate_plate(holed_picture, settings, HOLED, "outer")
    assert found.outline is HOLED


@pytest.mark.parametrize(
    "look",
    [
        Look(flame=1.0),
        Look(wood="spruce"),
        Look(varnish=1.0, flame=0.9),
    ],
)
def test_figure_grain_and_gloss_are_no_holes(settings, look):
    picture = render_scene(WHOLE, POSE, settings, rng=np.random.default_rng(3), plate_look=look)
    found = locate_plate(picture, settings, WHOLE, "outer")
    assert found.outline is not None
    assert found.outline.holes == ()
    assert not any("hole" in note for note in found.notes)


def test_a_tool_on_the_plate_is_no_hole(settings):
    pen = Occluder((225.0, 250.0), (238.0, 330.0), 4.0, 14.0, (0.02, 0.02, 0.02))
    picture = render_scene(
        WHOLE, POSE, settings, rng=np.random.default_rng(4), occluders=(pen,), plate_look=SPRUCE
    )
    found = locate_plate(picture, settings, WHOLE, "outer")
    assert found.outline is not None
    assert found.outline.holes == ()
    assert any("left out" in note for note in found.notes)
    # beside true holes it is left out too
    picture = render_scene(
        HOLED, POSE, settings, rng=np.random.default_rng(4), plate_look=SPRUCE,
        occluders=(Occluder((220.0, 200.0), (268.0, 230.0), 4.0, 14.0, (0.02, 0.02, 0.02)),),
    )  # fmt: skip
    found = locate_plate(picture, settings, WHOLE, "outer")
    assert len(found.outline.holes) == 2
    assert max(gaps(found, POSE)) < 1.0


# --- a plain picture from straight above, painted by OpenCV alone ------------------------------

PER_MM = 2.0
EYE_MM = 4000.0


def painted(settings, *shapes: tuple[np.ndarray, tuple[int, int, int]]):
    """Picture, camera and the plate's pose: wood-coloured plate, dark green bed, painted shapes."""
    lens = replace(settings.camera.lens, fx=PER_MM * EYE_MM, fy=PER_MM * EYE_MM, cx=300.0,
                   cy=500.0, k1=0.0, k2=0.0)  # fmt: skip
    rotation = np.array([[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]])
    eye = np.array([150.0, 250.0, EYE_MM])
    camera = CameraPose(lens, rotation, -rotation @ eye)
    pose = Pose(150.0, 70.0, 0.0, "outer")
    fine = 4
    canvas = np.full((1000 * fine, 600 * fine, 3), (70, 75, 40), dtype=np.uint8)

    def fill(ring: np.ndarray, colour: tuple[int, int, int]) -> None:
        pixels = camera.project_level(pose.to_bed(PlateXY(ring)), 0.0)
        cv2.fillPoly(canvas, [np.round(((pixels + 0.5) * fine - 0.5) * 16).astype(np.int32)],
                     colour, shift=4)  # fmt: skip

    fill(WHOLE.rim, (120, 170, 210))
    for ring, colour in shapes:
        fill(ring, colour)
    light = cv2.resize(linear_light(canvas), (600, 1000), interpolation=cv2.INTER_AREA)
    picture = 255.0 * np.where(light < 0.0031, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    noise = np.random.default_rng(1).normal(0.0, 2.0, picture.shape)
    return np.clip(picture + noise, 0, 255).astype(np.uint8), camera, pose


def disc(x: float, y: float, radius: float) -> np.ndarray:
    turn = np.linspace(0.0, 2.0 * np.pi, 80, endpoint=False)
    return np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)])


def line(x0: float, y0: float, x1: float, y1: float, width: float) -> np.ndarray:
    along = np.array([x1 - x0, y1 - y0]) / np.hypot(x1 - x0, y1 - y0)
    across = 0.5 * width * np.array([-along[1], along[0]])
    a, b = np.array([x0, y0]), np.array([x1, y1])
    return np.vstack([a - across, b - across, b + across, a + across])


HOLE = (33, 36, 17)  # the bed with a quarter of its light
BLACK = (12, 12, 12)


def test_edges_to_a_tenth_of_a_millimetre(settings):
    picture, camera, pose = painted(settings, *((hole, HOLE) for hole in HOLED.holes))
    seen = find_sound_holes(linear_light(picture), camera, pose, np.asarray(WHOLE.rim), 0.0)
    assert len(seen.holes) == 2
    for hole in seen.holes:
        true = min(HOLED.holes, key=lambda h: np.hypot(*(h.mean(axis=0) - hole.mean(axis=0))))
        gap = polygon.distance_to_edge_mm(true, hole)
        assert np.sqrt(np.mean(gap**2)) < 0.12
        area = polygon.signed_area_mm2(hole)
        assert area == pytest.approx(abs(polygon.signed_area_mm2(true)), rel=0.04)


def test_round_hole_on_the_centre_line_and_one_alone_of_the_beds_colour(settings):
    for ring, colour in ((disc(0.0, 250.0, 11.0), BLACK), (disc(40.0, 90.0, 9.0), HOLE)):
        picture, camera, pose = painted(settings, (ring, colour))
        seen = find_sound_holes(linear_light(picture), camera, pose, np.asarray(WHOLE.rim), 0.0)
        assert len(seen.holes) == 1
        assert np.hypot(*(seen.holes[0].mean(axis=0) - ring.mean(axis=0))) < 0.2


@pytest.mark.parametrize(
    ("shapes", "said"),
    [
        ([(disc(40.0, 90.0, 9.0), BLACK)], True),  # a black thing, alone
        ([(disc(40.0, 90.0, 9.0), (85, 120, 150))], False),  # a varnish spot
        ([(disc(x, 90.0, 5.0), (82, 120, 152)) for x in (-40.0, 40.0)], False),  # a pair of them
        ([(line(40.0, 60.0, 44.0, 130.0, 8.0), BLACK), (disc(-30.0, 290.0, 7.0), BLACK)], True),
        ([(line(-130.0, 180.0, 130.0, 200.0, 25.0), BLACK)], False),  # a ruler right across
        ([(line(35.0, 150.0, 30.0, 230.0, 0.8), BLACK),
          (line(-35.0, 150.0, -30.0, 230.0, 0.8), BLACK)], False),  # pencil lines
    ],
)  # fmt: skip
def test_what_may_be_anything_is_left_out(settings, shapes, said):
    picture, camera, pose = painted(settings, *shapes)
    seen = find_sound_holes(linear_light(picture), camera, pose, np.asarray(WHOLE.rim), 0.0)
    assert seen.holes == ()
    assert any("left out" in note for note in seen.notes) is said


def test_purfling_is_no_hole(settings):
    inner = (np.asarray(WHOLE.rim) - [0.0, 180.0]) * 0.955 + [0.0, 180.0]
    inmost = (np.asarray(WHOLE.rim) - [0.0, 180.0]) * 0.94 + [0.0, 180.0]
    picture, camera, pose = painted(settings, (inner, BLACK), (inmost, (120, 170, 210)))
    seen = find_sound_holes(linear_light(picture), camera, pose, np.asarray(WHOLE.rim), 0.0)
    assert seen.holes == ()


def test_found_holes_make_a_sound_outline(holed_picture, settings):
    found = locate_plate(holed_picture, settings, None, "outer")
    again = Outline.checked(
        np.asarray(found.outline.rim), tuple(np.asarray(h) for h in found.outline.holes)
    )
    assert len(again.holes) == 2
    assert again.area_mm2 == pytest.approx(found.outline.area_mm2)
