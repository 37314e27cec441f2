"""Where no wood is to come off, how deep a zone asks for, and what is said of it."""

from __future__ import annotations

import numpy as np
import pytest
from test_field_thickness import SPOT, readings, thickness_mm, tone_map_of

from rig.field.stop_rules import depth_for, stopped
from rig.field.thickness import ThicknessField
from rig.model.errors import UsageError
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.thickness import ThicknessReadings
from rig.model.tone_map import HighZone, ToneMap, WorkOrder
from rig.virtual.shapes import violin_outline

OTHER = (40.0, 290.0)


@pytest.fixture(scope="module")
def outline() -> Outline:
    return violin_outline()


@pytest.fixture(scope="module")
def made(outline: Outline) -> ToneMap:
    return tone_map_of(outline, 0.0, np.random.default_rng(7), "smooth graduation")


def order_of(made: ToneMap, *centres: tuple[float, float]) -> WorkOrder:
    zones = []
    for rank, (x, y) in enumerate(centres, start=1):
        gap = np.hypot(*(np.asarray(made.places) - np.array([x, y])).T)
        taps = tuple(int(t) for t in np.flatnonzero(gap < 18.0))
        zones.append(HighZone(rank, x, y, 1000.0, 140.0, 18.0, 0.99, taps))
    return WorkOrder("S0001", (0.0, 175.0), "", tuple(zones), "2 places stand above.")


def only(*rows: tuple[float, float, float]) -> ThicknessReadings:
    told = np.array(rows)
    return ThicknessReadings(
        PlateXY(told[:, :2]), told[:, 2], np.full(len(told), 0.05), "outer", "2026-11-01", ""
    )


def test_depth_is_what_brings_the_tone_down() -> None:
    depth, sd = depth_for(165.0, 0.0, 3.0, 0.0)
    assert depth == pytest.approx(0.273, abs=0.002)  # 10 % thicker is 165 cents higher
    assert sd == 0.0
    rng = np.random.default_rng(8)
    excess, mm = rng.normal(150.0, 20.0, 200_000), rng.normal(3.2, 0.06, 200_000)
    drawn = mm * (1.0 - 2.0 ** (-excess / 1200.0))
    depth, sd = depth_for(150.0, 20.0, 3.2, 0.06)
    assert depth == pytest.approx(drawn.mean(), rel=0.01)
    assert sd == pytest.approx(drawn.std(), rel=0.02)


def test_zone_with_wood_to_spare_gets_its_depth(outline: Outline, made: ToneMap) -> None:
    field = ThicknessField(readings(outline, 12.0, np.random.default_rng(9)), outline)
    found = stopped(order_of(made, SPOT), made, field, floor_mm=2.4)
    (depth,) = found.depths
    assert depth.allowed
    assert depth.thickness_mm == pytest.approx(float(thickness_mm(np.array([SPOT]))[0]), abs=0.1)
    assert depth.depth_mm == pytest.approx(depth.thickness_mm * (1 - 2 ** (-140 / 1200)), rel=1e-6)
    assert depth.explained is not None
    assert depth.explained > 0.5
    assert "thickness" in depth.sentence
    assert found.order.sentence == "2 places stand above."


def test_no_zone_where_a_reading_is_at_the_floor(outline: Outline, made: ToneMap) -> None:
    field = ThicknessField(only((*SPOT, 3.4), (OTHER[0], OTHER[1] + 6.0, 2.45)), outline)
    order = order_of(made, OTHER, SPOT)
    free = stopped(order, made, field)
    assert len(free.order.zones) == 2
    found = stopped(order, made, field, floor_mm=2.4)
    assert [d.allowed for d in found.depths] == [False, True]  # 2.45 less two doubts is below
    assert "2.45 ± 0.05 mm" in found.depths[0].sentence
    assert "2.40 mm" in found.depths[0].sentence
    assert [(z.rank, z.x_mm) for z in found.order.zones] == [(1, SPOT[0])]
    assert "x -45, y 95" in found.order.sentence
    assert "Left out, being at the floor already: x 40, y 290 mm" in found.order.sentence
    spared = stopped(order, made, field, floor_mm=2.3)
    assert len(spared.order.zones) == 2
    assert spared.depths[0].spare_mm == pytest.approx(0.05)
    assert "The floor of 2.30 mm leaves 0.05 mm of it." in spared.depths[0].sentence


def test_when_no_zone_is_left_it_is_said(outline: Outline, made: ToneMap) -> None:
    field = ThicknessField(only((*SPOT, 2.5), (*OTHER, 2.5)), outline)
    found = stopped(order_of(made, SPOT, OTHER), made, field, floor_mm=2.6)
    assert found.order.zones == ()
    assert found.order.sentence.startswith("Nothing is to be taken off")
    assert "even within what this rig can tell" in found.order.sentence
    assert "x -45, y 95 mm, x 40, y 290 mm" in found.order.sentence


def test_without_a_reading_near_no_depth_is_told(outline: Outline, made: ToneMap) -> None:
    far = ThicknessField(only((0.0, 40.0, 2.0)), outline)
    for field in (None, far):
        found = stopped(order_of(made, OTHER), made, field, floor_mm=2.4)
        assert len(found.order.zones) == 1
        assert found.depths[0].depth_mm is None
        assert "measure here first" in found.depths[0].sentence
    assert "stops nothing" in stopped(order_of(made, OTHER), made, None, 2.4).notes[0]
    empty = WorkOrder("S0001", None, "", (), "Even within what this rig can tell: nothing.")
    assert stopped(empty, made, None, 2.4).order == empty


def test_stiff_wood_is_not_called_thick(outline: Outline, made: ToneMap) -> None:
    rng = np.random.default_rng(10)
    field = ThicknessField(readings(outline, 12.0, rng), outline)
    found = stopped(order_of(made, OTHER), made, field)  # nothing is thick there
    assert found.depths[0].sentence.endswith("the rest is the wood.")
    assert "Stiff rather than thick" in found.depths[0].sentence


@pytest.mark.parametrize("floor", [0.0, -1.0, 0.0022, 22.0, float("nan")])
def test_a_floor_that_is_none_is_refused(outline: Outline, made: ToneMap, floor: float) -> None:
    with pytest.raises(UsageError, match="no thickness to stop at"):
        stopped(order_of(made, SPOT), made, None, floor)
