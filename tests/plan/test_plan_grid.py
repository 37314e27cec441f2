"""The tap plan: inside the wood, out of the way, in a short order."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.model.errors import UsageError
from rig.model.frames import Pose
from rig.model.rig_settings import RigSettings
from rig.plan import KeepOut, grid_plan, path_length_mm, reachable, short_route, unreached_words
from rig.virtual.shapes import violin_outline


def test_taps_lie_on_wood_and_keep_the_margin() -> None:
    outline = violin_outline(sound_holes=True)
    plan = grid_plan(outline, face="outer", strength="light", spacing_mm=9.0, margin_mm=7.0)
    places = plan.places()
    assert np.all(outline.contains(places))
    assert outline.edge_distance_mm(places).min() >= 7.0 - 1e-3
    assert {entry.reason for entry in plan.left_out} == {
        "in a sound hole",
        "nearer than 7 mm to an edge",
    }


def test_nothing_that_should_be_tapped_is_forgotten() -> None:
    """The count agrees with the area: one tap per grid cell of the shrunken plate."""
    outline = violin_outline()
    plan = grid_plan(outline, face="outer", strength="light", spacing_mm=5.0, margin_mm=0.0)
    assert len(plan.taps) == pytest.approx(outline.area_mm2 / 25.0, rel=0.02)


def test_supports_are_left_out_and_named() -> None:
    outline = violin_outline()
    spot = KeepOut(0.0, 177.0, 15.0, "support under the middle")
    plan = grid_plan(outline, face="inner", strength="firm", spacing_mm=9.0, keep_out=[spot])
    gaps = np.hypot(*(plan.places() - [0.0, 177.0]).T)
    assert gaps.min() > 15.0
    assert any(entry.reason == "support under the middle" for entry in plan.left_out)


def test_the_same_question_gives_the_same_plan_and_hash() -> None:
    outline = violin_outline()
    first, again, other = (
        grid_plan(outline, face="outer", strength="light", spacing_mm=s) for s in (12, 12, 13)
    )
    assert first == again
    assert first.hash() == again.hash() != other.hash()


def test_route_is_nearly_as_short_as_a_route_can_be() -> None:
    """n places on a grid need at least (n-1) steps of one spacing."""
    plan = grid_plan(violin_outline(), face="outer", strength="light", spacing_mm=9.0)
    shortest = (len(plan.taps) - 1) * 9.0
    assert path_length_mm(plan.places()) <= 1.08 * shortest


@settings(deadline=None, max_examples=25)
@given(st.integers(1, 60), st.integers(0, 2**31))
def test_route_visits_every_place_once(count: int, seed: int) -> None:
    xy = np.random.default_rng(seed).uniform(0, 100, (count, 2))
    assert sorted(short_route(xy).tolist()) == list(range(count))


def test_taps_over_the_edge_of_the_bed_are_left_out_and_said() -> None:
    plan = grid_plan(violin_outline(), face="outer", strength="light", spacing_mm=9.0)
    hanging = Pose(x_mm=60.0, y_mm=100.0, angle_deg=0.0, face="outer")
    kept = reachable(plan, hanging, RigSettings())
    assert 0 < len(kept.taps) < len(plan.taps)
    assert hanging.to_bed(kept.places())[:, 0].min() >= 0.0
    dropped = next(e for e in kept.left_out if e.reason == "over the edge of the bed")
    assert dropped.count == len(plan.taps) - len(kept.taps)
    assert [tap.number for tap in kept.taps] == list(range(len(kept.taps)))
    (said,) = unreached_words(kept)
    assert said.startswith(f"{dropped.count} of {len(plan.taps)} places are not tapped")
    assert "edge of the bed" in said
    assert unreached_words(plan) == ()


def test_a_plate_beside_the_bed_is_refused() -> None:
    plan = grid_plan(violin_outline(), face="outer", strength="light", spacing_mm=9.0)
    with pytest.raises(UsageError, match="within reach"):
        reachable(plan, Pose(5000.0, 0.0, 0.0, "outer"), RigSettings())


@pytest.mark.parametrize(
    "values",
    [{"spacing_mm": 0.0}, {"spacing_mm": -3.0}, {"spacing_mm": 9.0, "margin_mm": 60.0}],
)
def test_impossible_values_are_refused(values: dict[str, float]) -> None:
    with pytest.raises(UsageError):
        grid_plan(violin_outline(), face="outer", strength="light", **values)
