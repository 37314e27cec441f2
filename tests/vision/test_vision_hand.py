"""Marks and markers in pictures of the virtual bed; the truth is where they were painted."""

from __future__ import annotations

import numpy as np
import pytest

from rig.jobs.hand import rise_of
from rig.model.errors import PictureError, UsageError
from rig.model.frames import Pose
from rig.model.rig_settings import RigSettings
from rig.virtual.hand_scene import ChalkMark, HandScene
from rig.virtual.hand_stroke import HandMotion, hand_motion, lines_over
from rig.virtual.scene_surfaces import Look
from rig.virtual.shapes import violin_outline
from rig.vision import hand_film
from rig.vision.hand_colours import COLOUR_NAMES, chroma_of_name, white_of
from rig.vision.hand_marks import MarksSeen, find_marks
from rig.vision.hand_view import PlateView, camera_moved_mm, find_view, moved_too_far

RED, BLUE, YELLOW = (0.55, 0.06, 0.05), (0.04, 0.14, 0.5), (0.8, 0.62, 0.06)
CROWN_MM = 14.0  # of the virtual camera's ordinary look
SPOTS = ((-60.0, 60.0), (45.0, 300.0))
PLACES = ((-60.0, 60.0), (0.0, 40.0), (62.0, 95.0), (-20.0, 150.0), (15.0, 205.0), (-50.0, 270.0),
          (40.0, 300.0), (0.0, 330.0))  # fmt: skip


@pytest.fixture(scope="module")
def outer(settings: RigSettings, outer_pose: Pose, outer_picture: np.ndarray) -> HandScene:
    return HandScene(violin_outline(), outer_pose, settings, picture=outer_picture)


@pytest.fixture(scope="module")
def inner(settings: RigSettings, inner_pose: Pose, inner_picture: np.ndarray) -> HandScene:
    outline, look = violin_outline(sound_holes=True), Look(wood="spruce")
    return HandScene(outline, inner_pose, settings, look=look, picture=inner_picture)


def chalk(places=PLACES, higher=RED, lower=BLUE, opacity=0.8) -> list[ChalkMark]:
    return [
        ChalkMark(x, y, lower if k % 2 else higher, 7.0 + k, ("dot", "cross", "square")[k % 3],
                  opacity)
        for k, (x, y) in enumerate(places)
    ]  # fmt: skip


def view_of(picture, settings, *, holes=False, face="outer") -> PlateView:
    outline = violin_outline(sound_holes=holes)
    return find_view(picture, settings, outline, face, rise_of(face, CROWN_MM), rim_height_mm=3.0)[
        0
    ]


def check(found: MarksSeen, marks: list[ChalkMark], most_mm: float = 4.0) -> None:
    """Every mark once, on its place, with its side."""
    assert len(found.marks) == len(marks), found
    gaps = []
    for k, mark in enumerate(marks):
        gap = [np.hypot(m.x_mm - mark.x_mm, m.y_mm - mark.y_mm) for m in found.marks]
        nearest = found.marks[int(np.argmin(gap))]
        gaps.append(min(gap))
        assert nearest.side == ("lower" if k % 2 else "higher"), nearest
        if mark.shape != "cross":  # width: of the round mark of the same area
            round_mm = mark.width_mm * (np.sqrt(4.0 / np.pi) if mark.shape == "square" else 1.0)
            assert abs(nearest.width_mm - round_mm) < 2.0
    assert max(gaps) < most_mm
    assert np.sqrt(np.mean(np.square(gaps))) < 2.0


def colours(higher: str, lower: str) -> dict[str, np.ndarray]:
    return {"higher": chroma_of_name(higher), "lower": chroma_of_name(lower)}


def test_marks_on_the_outer_face(outer, settings):
    marks = chalk()
    picture = outer.chalked(marks)
    view = view_of(picture, settings)
    check(find_marks(picture, view, **colours("red", "blue"), size_mm=(4.0, 25.0)), marks)
    # the colours need not be told, and may be told the other way round
    found = find_marks(picture, view, higher=None, lower=None, size_mm=(4.0, 25.0))
    check(found, marks)
    assert "Warm colours" in found.notes[-1]
    turned = find_marks(picture, view, **colours("blue", "red"), size_mm=(4.0, 25.0))
    sides = {(m.x_mm, m.side) for m in turned.marks}
    assert sides.isdisjoint((m.x_mm, m.side) for m in found.marks)
    # of another colour than those two: said, not taken
    other = find_marks(picture, view, **colours("red", "yellow"), size_mm=(4.0, 25.0))
    assert all(m.side == "higher" for m in other.marks)
    assert "neither of the two colours" in " ".join(other.notes)
    # sizes out of range
    small = find_marks(picture, view, **colours("red", "blue"), size_mm=(2.0, 10.0))
    assert len(small.marks) < len(marks)
    assert "wider than 10 mm" in " ".join(small.notes)


def test_thin_chalk_of_the_colour_of_wood(outer, settings):
    marks = chalk(higher=YELLOW, opacity=0.5)
    picture = outer.chalked(marks)
    found = find_marks(
        picture, view_of(picture, settings), **colours("yellow", "blue"), size_mm=(4.0, 25.0)
    )
    check(found, marks)


def test_marks_on_the_inner_face_keep_their_x(inner, settings):
    # clear of the sound holes, which must not count although they are dark
    marks = chalk(places=tuple(p for p in PLACES if abs(p[1] - 190.0) > 36.0))
    picture = inner.chalked(marks)
    view = view_of(picture, settings, holes=True, face="inner")
    check(find_marks(picture, view, **colours("red", "blue"), size_mm=(4.0, 25.0)), marks)


def test_bare_wood_has_no_marks(outer_picture, inner_picture, settings):
    for picture, holes, face in ((outer_picture, False, "outer"), (inner_picture, True, "inner")):
        view = view_of(picture, settings, holes=holes, face=face)
        for told in ((None, None), ("red", "blue"), ("yellow", "white")):
            told_colours = [None if name is None else chroma_of_name(name) for name in told]
            found = find_marks(picture, view, higher=told_colours[0], lower=told_colours[1],
                               size_mm=(4.0, 25.0))  # fmt: skip
            assert found.marks == ()


def test_no_plate_no_marks(empty_picture, settings):
    with pytest.raises(PictureError, match="not found"):
        view_of(empty_picture, settings)


def test_colours_by_name_and_number():
    for name in COLOUR_NAMES:
        assert np.all(np.isfinite(chroma_of_name(name)))
    np.testing.assert_allclose(chroma_of_name("#808080"), 0.0, atol=1e-9)
    np.testing.assert_allclose(chroma_of_name(" White "), 0.0, atol=1e-9)
    assert chroma_of_name("#ff0000")[0] > 2.0
    with pytest.raises(UsageError, match="no colour"):
        chroma_of_name("mauvish")


@pytest.fixture(scope="module")
def motion() -> HandMotion:
    return hand_motion(lines_over(violin_outline(), 60.0), SPOTS, np.random.default_rng(3))


Frames = list[tuple[float, np.ndarray]]


@pytest.fixture(scope="module")
def frames(outer: HandScene, motion: HandMotion) -> Frames:
    return list(outer.film(motion, pictures_per_s=1.3, tool_height_mm=8.0))


@pytest.fixture(scope="module")
def still(frames: Frames) -> np.ndarray:
    return hand_film.without_hand([picture for _, picture in frames])


def rms(errors: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.sum(errors**2, axis=1))))


def test_the_marker_is_followed_and_its_height_counts(frames, still, settings, motion):
    """How well over a whole film: test_jobs_hand_track.py and the bench."""
    view = view_of(still, settings)
    box = hand_film.box_of(view, still.shape[:2])
    sample, white = [picture for _, picture in frames], white_of(still, view.markers)
    told = hand_film.marker_colour(sample, still, box, white, chroma_of_name("green"))
    found = hand_film.marker_colour(sample, still, box, white, None)
    assert told is not None
    assert found is not None
    np.testing.assert_allclose(told, found, atol=0.15)
    assert hand_film.marker_colour(sample, still, box, white, chroma_of_name("blue")) is None
    finder = hand_film.MarkerFinder(still, box, told, view)
    pixels, true, last = [], [], None
    for time_s, picture in frames:
        seen = finder.find(picture, last)
        assert seen is not None
        last = seen.uv
        if np.interp(time_s, motion.time_s, motion.lift_mm) < 0.1:
            pixels.append(seen.uv)
            true.append([np.interp(time_s, motion.time_s, motion.place_mm[:, k]) for k in (0, 1)])
    assert len(pixels) > 8
    assert rms(view.to_plate(np.array(pixels), 8.0) - np.array(true)) < 2.2
    assert rms(view.to_plate(np.array(pixels), 0.0) - np.array(true)) > 4.0
    assert finder.find(still) is None


def test_a_stray_place_is_left_out():
    time = np.arange(40) / 20.0
    path = np.column_stack([5.0 * np.arange(40.0), np.zeros(40)])
    path[17] += [0.0, 35.0]
    keep = hand_film.without_strays(time, path)
    assert np.flatnonzero(~keep).tolist() == [17]


def test_a_knocked_camera_is_noticed(frames, settings):
    first = frames[0][1]
    assert not moved_too_far(camera_moved_mm(first, frames[-1][1], settings))
    knocked = np.roll(first, 9, axis=1)
    assert moved_too_far(camera_moved_mm(first, knocked, settings))
    assert camera_moved_mm(first, np.zeros_like(first), settings) is None


def test_rays_meet_the_crowned_face(still, settings):
    view = view_of(still, settings)
    places = np.array(PLACES)
    assert np.max(view.rise_mm(places)) > 8.0
    np.testing.assert_allclose(view.to_plate(view.to_picture(places, 5.0), 5.0), places, atol=0.02)


def coded(light: tuple[float, float, float]) -> list[int]:
    """Blue, green, red codes (sRGB) of linear red, green, blue."""
    return [round(255.0 * (1.055 * v ** (1 / 2.4) - 0.055)) for v in reversed(light)]


@pytest.mark.parametrize("told", ["red", None])
def test_a_red_dot_on_a_pale_red_finger(told):
    wood = np.full((160, 160, 3), coded((0.56, 0.36, 0.19)), dtype=np.uint8)
    pictures = []
    for k in range(8):
        picture = wood.copy()
        picture[60:130, 10 + 12 * k : 40 + 12 * k] = coded((0.50, 0.30, 0.22))
        picture[64:71, 20 + 12 * k : 27 + 12 * k] = coded(RED)
        pictures.append(picture)
    box = (slice(0, 160), slice(0, 160))
    name = None if told is None else chroma_of_name(told)
    found = hand_film.marker_colour(pictures, wood, box, np.zeros(2), name)
    assert found is not None
    np.testing.assert_allclose(found, np.log([RED[0] / RED[1], RED[2] / RED[1]]), atol=0.25)
    blue = hand_film.marker_colour(pictures, wood, box, np.zeros(2), chroma_of_name("blue"))
    assert blue is None
