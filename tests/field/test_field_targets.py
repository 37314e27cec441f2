"""Targets that come from elsewhere: mirror side, another scan, a drawn profile; start by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.field import surface, tone_map, work_order
from rig.field.given_targets import OtherTones
from rig.field.stop_rules import stopped
from rig.field.thickness import ThicknessField
from rig.model.drawn_profile import DrawnProfile, checked_profile
from rig.model.errors import AnalysisError, UsageError
from rig.model.frames import PlateXY
from rig.model.plate_facts import Bar, PlateFacts
from rig.model.scan_record import ScanRecord
from rig.model.thickness import ThicknessReadings
from rig.model.tone_map import TapTone, ToneMap
from rig.virtual.shapes import violin_outline

OUTLINE = violin_outline()
SPOT = (45.0, 90.0)
SD = 12.0


def places(step: float = 11.0, shift: float = 0.0) -> np.ndarray:
    x, y = np.meshgrid(np.arange(-99.0, 100.0, step) + shift, np.arange(8.0, 352.0, step))
    xy = np.column_stack([x.ravel(), y.ravel()])
    return xy[OUTLINE.contains(xy) & (OUTLINE.edge_distance_mm(xy) > 5.0)]


def graduation(xy: np.ndarray) -> np.ndarray:
    """500 cents from the middle to the edge, the same left and right."""
    return 400.0 - 400.0 * (xy[:, 0] / 100.0) ** 2 - 250.0 * ((xy[:, 1] - 175.0) / 175.0) ** 2


def high_at(xy: np.ndarray, spot: tuple[float, float] = SPOT, cents: float = 140.0) -> np.ndarray:
    return cents * np.exp(-0.5 * (np.hypot(*(xy - np.array(spot)).T) / 16.0) ** 2)


def tones(xy: np.ndarray, cents: np.ndarray, seed: int, level_hz: float = 3000.0) -> TapTone:
    heard = cents + np.random.default_rng(seed).normal(0.0, SD, len(xy))
    return TapTone(
        "rebound", "made by hand", tuple(range(len(xy))), PlateXY(xy),
        level_hz * 2.0 ** (heard / 1200.0), np.full(len(xy), SD), 12.0,
    )  # fmt: skip


def scan(name: str = "S0002", **facts: object) -> ScanRecord:
    told = PlateFacts("targets", **facts)  # type: ignore[arg-type]
    return ScanRecord(name, "outer", "light", 11.0, OUTLINE, told, ())


def drawing(step: float = 40.0) -> DrawnProfile:
    x, y = np.meshgrid(np.arange(-100.0, 101.0, step), np.arange(0.0, 361.0, step))
    xy = np.column_stack([x.ravel(), y.ravel()])
    told = graduation(xy) + 77.0  # the level of a drawing means nothing
    points = [(float(a), float(b), float(c)) for (a, b), c in zip(xy, told, strict=True)]
    return checked_profile(points, name="wanted.csv")


def against_all(seed: int, cents: float) -> dict[str, ToneMap]:
    """One plate, high at the spot, against each given target that is without it."""
    xy = places()
    here = tones(xy, graduation(xy) + high_at(xy, cents=cents), seed)
    other_xy = places(12.0, 3.0)
    other = tones(other_xy, graduation(other_xy), seed + 500, 2200.0)
    return {
        "mirror side": tone_map(scan(), here, "mirror side"),
        "other face": tone_map(
            scan(), here, "other face", against=OtherTones("S0003", "inner", other)
        ),
        "earlier scan": tone_map(
            scan(), here, "earlier scan", against=OtherTones("S0001", "outer", other)
        ),
        "drawn profile": tone_map(scan(), here, "drawn profile", against=drawing()),
    }


@pytest.fixture(scope="module")
def high() -> dict[str, ToneMap]:
    return against_all(1, 140.0)


def test_only_the_high_place_stands_above_each_target(high: dict[str, ToneMap]) -> None:
    named = {
        "mirror side": "above the mirror side (rebound)",
        "other face": "above the other face at the same spot (S0003)",
        "earlier scan": "above the earlier scan S0001",
        "drawn profile": "above the drawn profile wanted.csv",
    }
    for kind, made in high.items():
        order = work_order(made, scan())
        assert made.target == kind
        assert len(order.zones) == 1, kind
        (zone,) = order.zones
        assert np.hypot(zone.x_mm - SPOT[0], zone.y_mm - SPOT[1]) < 8.0
        assert 80.0 < zone.excess_cents < 150.0  # a scraper's pass flattens the peak of 140
        assert named[kind] in order.sentence


def test_doubt_of_the_excess_covers_its_error(high: dict[str, ToneMap]) -> None:
    """Truth: the bump alone. The z of what is left must have a spread of about 1."""
    for kind, made in high.items():
        xy = np.asarray(made.places)
        truth = high_at(xy) - (high_at(xy * [-1.0, 1.0]) if kind == "mirror side" else 0.0)
        told = np.isfinite(made.excess_cents)
        inner = told & (OUTLINE.edge_distance_mm(xy) > 12.0) & (np.abs(xy[:, 0]) > 12.0)
        assert made.target_sd_cents is not None
        assert np.all(made.excess_sd_cents[told] > made.sd_cents[told])
        z = (made.excess_cents - truth)[inner] / made.excess_sd_cents[inner]
        assert 0.7 < np.std(z) < 1.35, kind
        if kind != "mirror side":
            assert np.nanmedian(made.excess_cents) == pytest.approx(0.0, abs=1e-6)


def test_nothing_there_names_no_place() -> None:
    claimed = {
        kind: sum(
            bool(work_order(against_all(10 * seed, 0.0)[kind], scan()).zones)
            for seed in range(1, 4)
        )
        for kind in ("mirror side", "earlier scan", "drawn profile")
    }
    assert max(claimed.values()) <= 1, claimed


def test_mirror_speaks_only_of_wood_on_both_sides_and_tells_of_a_bar() -> None:
    xy = places()
    xy = xy[(xy[:, 0] > -30.0) | (xy[:, 1] < 150.0)]  # the upper left was not tapped
    made = tone_map(
        scan(bars=(Bar(-17.0, 55.0, -21.0, 320.0, (11.0,), 5.5),)),
        tones(xy, graduation(xy), 3), "mirror side",
    )  # fmt: skip
    told = np.isfinite(made.excess_cents)
    assert not told[(xy[:, 0] > 45.0) & (xy[:, 1] > 165.0)].any()
    assert told[np.abs(xy[:, 0]) < 20.0].all()
    assert f"{(~told).sum()} of {len(xy)} taps are held against nothing" in made.target_notes[0]
    assert "glued on the left of the centre line" in made.target_notes[1]
    assert np.isfinite(surface(made, OUTLINE, 4.0, excess=True).cents).any()
    assert work_order(made, scan()).zones == ()
    right = xy[xy[:, 0] > 15.0]
    with pytest.raises(AnalysisError, match="mirror place on tapped wood"):
        tone_map(scan(), tones(right, graduation(right), 4), "mirror side")


def test_a_slope_is_followed_to_the_edge() -> None:
    """A plane of 6 cents per mm, without noise: the mirror shows it to a cent everywhere."""
    xy = places()
    plain = replace(tones(xy, 0.0 * xy[:, 0], 5), tone_hz=3000.0 * 2.0 ** (xy[:, 0] * 6.0 / 1200.0))
    made = tone_map(scan(), plain, "mirror side")
    told = np.isfinite(made.excess_cents)
    assert told.mean() > 0.95
    assert made.excess_cents[told] == pytest.approx(12.0 * xy[told, 0], abs=15.0)
    assert np.median(np.abs(made.excess_cents[told] - 12.0 * xy[told, 0])) < 1.5


def test_targets_that_do_not_cover_the_plate_are_refused() -> None:
    xy = places()
    here = tones(xy, graduation(xy), 6)
    half = drawing()
    lower = half.places[:, 1] < 170.0
    with pytest.raises(AnalysisError, match="does not cover the plate") as caught:
        tone_map(
            scan(), here, "drawn profile",
            against=DrawnProfile("half.csv", half.places[lower], half.cents[lower]),
        )  # fmt: skip
    assert "half.csv" in str(caught.value)
    upper = xy[xy[:, 1] > 300.0]
    few = OtherTones("S0001", "outer", tones(upper[:2], 0.0 * upper[:2, 0], 7))
    with pytest.raises(AnalysisError, match="taps lie where S0001 was tapped"):
        tone_map(scan(), here, "earlier scan", against=few)
    with pytest.raises(UsageError, match="was not given"):
        tone_map(scan(), here, "other face", against=replace(few, face="outer"))
    with pytest.raises(UsageError, match="was not given"):
        tone_map(scan(), here, "drawn profile", against=few)


def test_another_estimator_and_a_poor_scan_are_said() -> None:
    xy = places()
    poor = replace(
        tones(xy, graduation(xy), 8), estimator="something else", verdict="use with care"
    )
    made = tone_map(
        scan(), tones(xy, graduation(xy), 9), "earlier scan",
        against=OtherTones("S0001", "outer", poor),
    )  # fmt: skip
    said = " ".join(made.target_notes)
    assert "matched by the median" in said
    assert "read by the something else" in said
    assert "use with care" in said


def test_thickness_over_a_graduation_explains_no_excess_over_a_mirror_side(
    high: dict[str, ToneMap],
) -> None:
    xy = places(16.0)
    told = ThicknessReadings(
        PlateXY(xy), 3.0 + 0.002 * high_at(xy), np.full(len(xy), 0.04), "outer", "2026-11-01", "a"
    )
    field = ThicknessField(told, OUTLINE)
    smooth = tone_map(scan(), tones(places(), high_at(places()), 21))
    own, given = (
        stopped(work_order(made, scan()), made, field).depths[0]
        for made in (smooth, high["mirror side"])
    )
    assert own.explained is not None
    assert given.explained is None
    assert given.depth_mm == pytest.approx(own.depth_mm, rel=0.5)


def test_the_start_put_by_hand_turns_the_order_round() -> None:
    xy = places()
    cents = high_at(xy, (45.0, 90.0), 160.0) + high_at(xy, (-40.0, 290.0), 160.0)
    made = tone_map(scan(), tones(xy, cents, 12), "flat")
    by_itself = work_order(made, scan())
    low, up = (work_order(made, scan(), start_mm=start) for start in ((40.0, 60.0), (0.0, 330.0)))
    assert [round(z.y_mm, -1) for z in low.zones] == [90.0, 290.0]
    assert [round(z.y_mm, -1) for z in up.zones] == [290.0, 90.0]
    assert [z.rank for z in up.zones] == [1, 2]
    assert up.starting_spot_mm == (0.0, 330.0)
    assert up.starting_spot_reason.startswith("Put here by hand; the highest tone near the middle")
    assert "Put here" not in by_itself.starting_spot_reason
    with pytest.raises(UsageError, match="not on the wood"):
        work_order(made, scan(), start_mm=(130.0, 100.0))


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([(0.0, 10.0 * k, 0.0) for k in range(5)], "6 at least"),
        ([(0.0, 10.0 * k, float("nan") if k == 2 else 0.0) for k in range(8)], "no plate has"),
        ([(0.0, 10.0 * (k % 7), float(k)) for k in range(8)], "twice"),
    ],
)
def test_drawings_that_cannot_be(points: list[tuple[float, float, float]], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        checked_profile(points, name="a.csv")
