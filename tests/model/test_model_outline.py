"""Outlines, polygons, frames and units."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point, Polygon

from rig.model import polygon
from rig.model.errors import OutlineError
from rig.model.frames import BedXY, PlateXY, Pose
from rig.model.outline import Outline
from rig.virtual.shapes import violin_outline


def test_area_and_inside_agree_with_shapely() -> None:
    """Reference library: shapely."""
    outline = violin_outline()
    reference = Polygon(outline.rim)
    assert outline.area_mm2 == pytest.approx(reference.area, rel=1e-12)
    places = np.random.default_rng(3).uniform((-120, -20), (120, 380), (400, 2))
    assert outline.contains(places).tolist() == [reference.contains(Point(p)) for p in places]
    distances = [reference.exterior.distance(Point(p)) for p in places]
    assert polygon.distance_to_edge_mm(outline.rim, places) == pytest.approx(distances)


def test_an_outline_that_crosses_itself_is_refused_with_the_place() -> None:
    bow_tie = np.array([[0, 0], [100, 100], [100, 0], [0, 100]], dtype=float)
    with pytest.raises(OutlineError, match="crosses itself: the edge after point 1"):
        Outline.checked(bow_tie, where="outline.csv")


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (np.zeros((5, 2)), "fewer than three"),
        (np.array([[0, 0], [1, 0], [0, 1.0]]), "less than 20 cm"),
        (np.array([[0, 0], [np.nan, 0], [0, 1.0]]), "not a number"),
        (np.zeros((4, 3)), "not a list"),
    ],
)
def test_things_that_are_no_outline(points: np.ndarray, words: str) -> None:
    with pytest.raises(OutlineError, match=words):
        Outline.checked(points)


def test_any_direction_and_a_repeated_end_give_the_same_outline() -> None:
    rim = violin_outline().rim
    closed_backwards = np.vstack([rim, rim[:1]])[::-1]
    again = Outline.checked(closed_backwards)
    assert again.area_mm2 == pytest.approx(violin_outline().area_mm2)
    assert polygon.signed_area_mm2(again.rim) > 0


def test_a_sound_hole_is_not_wood() -> None:
    outline = violin_outline(sound_holes=True)
    inside_hole = outline.holes[0].mean(axis=0, keepdims=True)
    assert not outline.contains(inside_hole)[0]
    assert violin_outline().contains(inside_hole)[0]


@given(
    st.floats(-400, 400),
    st.floats(-400, 400),
    st.floats(-180, 180),
    st.sampled_from(["outer", "inner"]),
)
def test_pose_there_and_back(x: float, y: float, angle: float, face: str) -> None:
    pose = Pose(x, y, angle, face)  # type: ignore[arg-type]
    wood = PlateXY(np.array([[0.0, 0.0], [30.0, 200.0], [-55.0, 17.0]]))
    assert pose.to_plate(pose.to_bed(wood)) == pytest.approx(wood, abs=1e-9)


def test_pose_of_the_inner_face_is_mirrored() -> None:
    """Design rule: bed = origin + f·x·(cos a, sin a) + y·(−sin a, cos a), f = −1 for inner."""
    pose = Pose(100.0, 50.0, 90.0, "inner")
    bed = pose.to_bed(PlateXY(np.array([[10.0, 0.0], [0.0, 10.0]])))
    assert bed == pytest.approx(np.array([[100.0, 40.0], [90.0, 50.0]]))
    assert pose.to_plate(BedXY(np.array([[100.0, 50.0]]))) == pytest.approx(np.zeros((1, 2)))
