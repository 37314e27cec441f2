"""Properties of the thin-plate model that any plate must have."""

from __future__ import annotations

import numpy as np
import pytest

from rig.plate.arching import ArchSurface, template_heights
from rig.plate.plate_model import PlateModel
from rig.plate.sensitivity import thickness_sensitivity
from rig.plate.splines import SplineField
from rig.plate.wood import WOODS, wood_named
from rig.virtual.shapes import violin_outline

MAPLE = WOODS["red maple"]


@pytest.fixture(scope="module")
def model() -> PlateModel:
    return PlateModel.of(violin_outline(), size_mm=16.0)


def even(model: PlateModel, thickness_mm: float = 3.5) -> np.ndarray:
    return np.full(len(model.places_mm), thickness_mm * 1e-3)


def test_modes_are_mass_normalised(model: PlateModel) -> None:
    thickness = even(model)
    modes = model.solve(thickness, MAPLE.stiffness(), MAPLE.density_kg_m3, count=20)
    w = modes.at(model.places_mm)
    load = model.weights_m2 * thickness * MAPLE.density_kg_m3
    np.testing.assert_allclose(w.T @ (w * load[:, None]), np.eye(23), atol=2e-5)


def test_frequencies_follow_thickness_and_stiffness(model: PlateModel) -> None:
    base = model.solve(even(model), MAPLE.stiffness(), MAPLE.density_kg_m3, count=10)
    thicker = model.solve(even(model, 3.85), MAPLE.stiffness(), MAPLE.density_kg_m3, count=10)
    stiffer = model.solve(
        even(model), MAPLE.stiffness().scaled(np.full(4, 0.1)), MAPLE.density_kg_m3, count=10
    )
    np.testing.assert_allclose(thicker.frequency_hz[3:] / base.frequency_hz[3:], 1.1, rtol=1e-6)
    np.testing.assert_allclose(
        stiffer.frequency_hz[3:] / base.frequency_hz[3:], np.exp(0.05), rtol=1e-6
    )


def test_slopes_are_derivatives_of_the_shape(model: PlateModel) -> None:
    modes = model.solve(even(model), MAPLE.stiffness(), MAPLE.density_kg_m3, count=12)
    xy = model.places_mm[::97]
    step = 0.01
    for axis, order in enumerate(((1, 0), (0, 1))):
        aside = np.zeros(2)
        aside[axis] = step
        rise = (modes.at(xy + aside) - modes.at(xy - aside)) / (2e-3 * step)
        np.testing.assert_allclose(modes.at(xy, *order), rise, rtol=1e-3, atol=0.5)


def test_sensitivity_predicts_the_shift_of_the_partials(model: PlateModel) -> None:
    xy = model.places_mm
    thickness = even(model)
    bump = 1e-5 * np.exp(-(((xy[:, 0] - 30.0) / 20.0) ** 2 + ((xy[:, 1] - 90.0) / 20.0) ** 2))
    stiffness, density = MAPLE.stiffness(), MAPLE.density_kg_m3
    before = model.solve(thickness, stiffness, density, count=15, tolerance=1e-12)
    after = model.solve(thickness + bump, stiffness, density, count=15, tolerance=1e-12)
    kernel = thickness_sensitivity(before, xy, thickness, stiffness, density)
    predicted = (model.weights_m2 * bump) @ kernel
    found = np.log(after.frequency_hz[3:] / before.frequency_hz[3:])
    np.testing.assert_allclose(predicted[3:], found, rtol=0.01, atol=1e-7)


def test_refined_modes_agree_with_fresh_ones(model: PlateModel) -> None:
    xy = model.places_mm
    stiffness, density = MAPLE.stiffness(), MAPLE.density_kg_m3
    start = model.solve(even(model), stiffness, density, count=60)
    changed = even(model) * (1.0 + 0.05 * np.sin(xy[:, 0] / 30.0))
    fresh = model.solve(changed, stiffness, density, count=60)
    refined = model.solve(changed, stiffness, density, count=60, start=start)
    np.testing.assert_allclose(refined.omega2[3:50], fresh.omega2[3:50], rtol=2e-4)


def test_an_arch_raises_the_low_modes_and_converges() -> None:
    outline = violin_outline()
    found = []
    for size_mm in (18.0, 12.0):
        model = PlateModel.of(outline, size_mm=size_mm)
        surface = ArchSurface(model.places_mm)
        heights = 12.0 * template_heights(outline, model.places_mm)
        arch = surface.arch(model.places_mm, surface.field.fitted(model.places_mm, heights))
        modes = model.solve(
            even(model), MAPLE.stiffness(), MAPLE.density_kg_m3, count=25, arch=arch
        )
        found.append(modes.frequency_hz[3:])
    flat = model.solve(even(model), MAPLE.stiffness(), MAPLE.density_kg_m3, count=25)
    assert np.all(found[1][:5] > 1.1 * flat.frequency_hz[3:8])
    np.testing.assert_allclose(found[0][4:25], found[1][4:25], rtol=0.02)


def test_template_is_level_at_the_rim_and_reaches_its_crown() -> None:
    outline = violin_outline()
    xy = PlateModel.of(outline, size_mm=14.0).places_mm
    heights = template_heights(outline, xy)
    edge = outline.edge_distance_mm(xy)
    assert heights[edge < 1.0].max() < 0.1
    assert heights.max() == pytest.approx(1.0, abs=0.02)
    assert np.all(heights >= -1e-9)


@pytest.mark.parametrize("degree", [2, 3])
def test_splines_carry_a_straight_slope(degree: int) -> None:
    outline = violin_outline()
    xy = PlateModel.of(outline, size_mm=20.0).places_mm
    field = SplineField(xy, 20.0, degree)
    values = 0.3 + 0.02 * xy[:, 0] - 0.01 * xy[:, 1]
    coefficients = field.fitted(xy, values, 1e-9)
    np.testing.assert_allclose(field.matrix(xy) @ coefficients, values, atol=1e-4)
    np.testing.assert_allclose(field.matrix(xy, 1, 0) @ coefficients, 0.02, atol=1e-3)
    np.testing.assert_allclose(np.asarray(field.matrix(xy).sum(axis=1)).ravel(), 1.0, atol=1e-9)


@pytest.mark.parametrize(
    ("written", "taken"),
    [("Maple", "red maple"), ("sitka spruce", "sitka spruce"), ("pear", "red maple")],
)
def test_every_wood_finds_a_start(written: str, taken: str) -> None:
    wood, said = wood_named(written)
    assert wood.name == taken
    assert taken in said
