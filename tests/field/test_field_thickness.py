"""Thickness between caliper readings, and local tone taken apart into thick and stiff."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.field.thickness import ThicknessField, newest_readings, parted, share_of
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.thickness import ThicknessReadings
from rig.model.tone_map import ToneMap
from rig.virtual.shapes import violin_outline

CENTS = 1200.0 / np.log(2.0)
SPOT = (-45.0, 95.0)


def thickness_mm(xy: np.ndarray) -> np.ndarray:
    """A graded back with one thick place."""
    r2 = (xy[:, 0] / 95.0) ** 2 + ((xy[:, 1] - 175.0) / 165.0) ** 2
    spot = np.hypot(xy[:, 0] - SPOT[0], xy[:, 1] - SPOT[1])
    return 2.6 + 1.8 * np.exp(-1.6 * r2) + 0.30 * np.exp(-0.5 * (spot / 17.0) ** 2)


def readings(
    outline: Outline, spacing: float, rng: np.random.Generator, day: str = "2026-11-01"
) -> ThicknessReadings:
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    x, y = np.meshgrid(*(np.arange(low[k], high[k], spacing) for k in range(2)))
    xy = np.column_stack([x.ravel(), y.ravel()]) + rng.uniform(-3, 3, (x.size, 2))
    xy = xy[outline.contains(xy) & (outline.edge_distance_mm(xy) > 5.0)]
    told = thickness_mm(xy) + rng.normal(0.0, 0.05, len(xy))
    return ThicknessReadings(PlateXY(xy), told, np.full(len(xy), 0.05), "outer", day, "list.csv")


def tone_map_of(outline: Outline, stiff_cents: np.ndarray | float, rng: np.random.Generator,
                target: str = "flat") -> ToneMap:  # fmt: skip
    x, y = np.meshgrid(np.arange(-96.0, 97.0, 12.0), np.arange(12.0, 350.0, 12.0))
    xy = np.column_stack([x.ravel(), y.ravel()])
    xy = xy[outline.contains(xy) & (outline.edge_distance_mm(xy) > 6.0)]
    cents = CENTS * np.log(thickness_mm(xy)) + stiff_cents + rng.normal(0.0, 12.0, len(xy))
    cents -= np.median(cents)
    return ToneMap(
        scan="S0001", face="outer", reading="local", estimator="test", target=target,  # type: ignore[arg-type]
        taps=tuple(range(len(xy))), places=PlateXY(xy), tone_cents=cents,
        sd_cents=np.full(len(xy), 12.0), excess_cents=cents.copy(), middle_hz=3000.0,
        evenness_cents=500.0, evenness_low_cents=480.0, evenness_high_cents=520.0,
        repeatability_cents=12.0, ring=(),
    )  # fmt: skip


@pytest.fixture(scope="module")
def outline() -> Outline:
    return violin_outline()


@pytest.mark.parametrize("spacing", [18.0, 30.0, 45.0])
def test_doubt_of_the_thickness_covers_its_error(outline: Outline, spacing: float) -> None:
    rng = np.random.default_rng(3)
    field = ThicknessField(readings(outline, spacing, rng), outline)
    at = rng.uniform(outline.rim.min(axis=0), outline.rim.max(axis=0), (600, 2))
    at = at[outline.contains(at)]
    told = field.at(at)
    z = (told.mm - thickness_mm(at)) / told.sd_mm
    assert np.mean(np.abs(z) < 2.0) > 0.93
    assert np.mean(np.abs(z)) > 0.15  # the doubt is no empty shield
    near, far = told.nearest_mm < 5.0, told.nearest_mm > 0.6 * spacing
    assert np.median(told.sd_mm[near]) < 0.07
    assert np.median(told.sd_mm[far]) > np.median(told.sd_mm[near])


def test_a_single_reading_tells_of_its_own_place_only(outline: Outline) -> None:
    one = ThicknessReadings(
        PlateXY(np.array([[0.0, 175.0]])), np.array([4.0]), np.array([0.05]), "outer",
        "2026-11-01", "",
    )  # fmt: skip
    told = ThicknessField(one, outline).at(np.array([[0.0, 175.0], [40.0, 60.0]]))
    assert told.mm[0] == pytest.approx(4.0, abs=0.02)
    assert told.sd_mm[0] == pytest.approx(0.05, rel=0.1)
    assert told.sd_mm[1] > 0.4
    assert list(told.known) == [True, False]


def test_newer_readings_stand_for_the_same_place(outline: Outline) -> None:
    rng = np.random.default_rng(4)
    old = readings(outline, 40.0, rng, "2026-10-01")
    place = np.asarray(old.places_mm)[:1]
    new = ThicknessReadings(
        PlateXY(place + 1.0), np.array([2.0]), np.array([0.05]), "inner", "2026-11-02", "new.csv"
    )
    for lists in ([old, new], [new, old]):
        both = newest_readings(lists)
        assert both is not None
        assert len(both.thickness_mm) == len(old.thickness_mm)
        assert both.thickness_mm[0] == 2.0
        assert both.measured_on == "2026-11-02"
    assert newest_readings([]) is None


def test_thick_and_stiff_are_told_apart(outline: Outline) -> None:
    rng = np.random.default_rng(5)
    field = ThicknessField(readings(outline, 16.0, rng), outline)
    plain = parted(tone_map_of(outline, 0.0, rng), field)
    assert plain.of_spread.value > 0.9
    z = plain.stiffness_cents / plain.stiffness_sd_cents
    assert np.mean(np.abs(z) < 2.0) > 0.93

    grid = np.asarray(tone_map_of(outline, 0.0, rng).places)
    stiff = np.where(grid[:, 0] > 0.0, 90.0, -90.0)  # one half of the wood is 10 % stiffer
    found = parted(tone_map_of(outline, stiff, rng), field)
    right = found.places[:, 0] > 5.0
    left = found.places[:, 0] < -5.0
    apart = np.median(found.stiffness_cents[right]) - np.median(found.stiffness_cents[left])
    assert apart == pytest.approx(180.0, abs=15.0)
    ratio = np.median(found.stiffness_ratio[right]) / np.median(found.stiffness_ratio[left])
    assert ratio == pytest.approx(2.0 ** (180.0 / 1200.0), abs=0.01)
    assert np.allclose(found.tone_cents, found.thickness_cents + found.stiffness_cents)
    assert found.of_spread.value < plain.of_spread.value - 0.1


def test_share_of_an_excess_and_its_doubt() -> None:
    share, sd = share_of(
        np.array([100.0, 100.0, 10.0]), np.array([10.0, 10.0, 10.0]),
        np.array([50.0, 0.0, 5.0]), np.array([20.0, 20.0, 1.0]),
    )  # fmt: skip
    assert share[0] == 0.5
    assert sd[0] == pytest.approx(np.hypot(20.0, 0.5 * 10.0) / 100.0)
    assert share[1] == 0.0
    assert np.isnan(share[2])  # the excess itself is in doubt
    assert np.isnan(sd[2])


def test_other_readings_and_few_places_are_refused(outline: Outline) -> None:
    rng = np.random.default_rng(6)
    made = tone_map_of(outline, 0.0, rng)
    field = ThicknessField(readings(outline, 30.0, rng), outline)
    with pytest.raises(AnalysisError, match="does not go with thickness"):
        parted(replace(made, reading="attack"), field)
    few = ThicknessReadings(
        PlateXY(np.array([[0.0, 356.0]])), np.array([4.0]), np.array([0.05]), "outer",
        "2026-11-01", "",
    )  # fmt: skip
    with pytest.raises(AnalysisError, match="taps have a thickness reading within 15 mm"):
        parted(made, ThicknessField(few, outline))
