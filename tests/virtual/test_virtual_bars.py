"""The virtual plate's bar: a handbook beam, convergence, and the estimator's own bar beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.model.arch_heights import checked_heights
from rig.model.glued_bars import checked_bars
from rig.model.outline import Outline
from rig.model.plate_facts import Bar
from rig.plate.arching import ArchSurface
from rig.plate.bars import bar_mass_kg
from rig.plate.plate_model import PlateModel
from rig.plate.wood import WOODS, Stiffness
from rig.virtual.plate.bars import GluedBar
from rig.virtual.plate.spec import Graduation, PlateSpec
from rig.virtual.plate.store import solve_plate
from rig.virtual.plate.wood import SPRUCE, Scatter, Wood
from rig.virtual.worlds import world_spec

SITKA = WOODS["sitka spruce"]
BAR_WOOD = Wood(
    "bar", SITKA.density_kg_m3, 1.0, SITKA.e_along / 1e9, 0.4,
    SITKA.ratio_shear * SITKA.e_along / 1e9, 0.05, 0.7,
)  # fmt: skip


def rectangle(width_mm: float, length_mm: float) -> Outline:
    corners = [[0, 0], [width_mm, 0], [width_mm, length_mm], [0, length_mm]]
    return Outline.checked(np.array(corners, dtype=float))


def panel(outline: Outline, bars: tuple[GluedBar, ...], mesh_mm: float, wood: Wood = SPRUCE):
    return PlateSpec(
        wood=wood,
        outline=outline,
        graduation=Graduation(3.0, 3.0),
        scatter=Scatter(0.0, 0.0, 0.0),
        bars=bars,
        mesh_mm=mesh_mm,
    )


def test_a_narrow_strip_with_a_bar_is_a_t_beam() -> None:
    """Transformed section (Gere, Mechanics of Materials, 6.3), free beam 4.730 (Rao, table 8.4)."""
    length, width, height, bar_mm = 600.0, 20.0, 6.0, 6.0
    wood = Wood("even", 500.0, 10.0, 10.0, 0.0, 5.0, 5.0, 5.0)
    bar = GluedBar((10.0, 0.0), (10.0, length), height, height, bar_mm, replace(wood, name="bar"))
    modes = solve_plate(panel(rectangle(width, length), (bar,), 22.0, wood), 1, top_hz=400.0)
    areas = 1e-6 * np.array([width * 3.0, bar_mm * height])
    z = 1e-3 * np.array([0.0, -0.5 * (3.0 + height)])
    axis = np.sum(areas * z) / np.sum(areas)
    own = areas * 1e-6 * np.array([3.0, height]) ** 2 / 12.0
    bending = 10e9 * np.sum(own + areas * (z - axis) ** 2)
    expected = (4.730041 / 0.6) ** 2 * np.sqrt(bending / (500.0 * np.sum(areas))) / (2.0 * np.pi)
    assert modes.mass_kg == pytest.approx(500.0 * 0.6 * np.sum(areas), rel=1e-3)
    found = modes.frequencies_hz[6:]
    assert np.min(np.abs(found / expected - 1.0)) < 0.01


def test_it_converges_and_the_estimators_bar_agrees() -> None:
    """Two codes, two elements, two ways of laying the bar: the same panel within a per cent."""
    outline = rectangle(110.0, 190.0)
    bar = GluedBar((40.0, 15.0), (62.0, 176.0), 9.0, 9.0, 5.5, BAR_WOOD)
    fine, coarse = (
        solve_plate(panel(outline, (bar,), size), 1, top_hz=1200.0).frequencies_hz[6:]
        for size in (20.0, 30.0)
    )
    np.testing.assert_allclose(coarse[:7], fine[:7], rtol=0.008)
    model = PlateModel.of(outline, size_mm=13.0)
    law = SPRUCE.plane_stiffness_pa()
    stiffness = Stiffness(law[0, 0], law[1, 1], law[0, 1], law[2, 2])
    shear = SPRUCE.transverse_shear_pa()
    lines = model.laid([Bar(40.0, 15.0, 62.0, 176.0, (9.0,), 5.5, "sitka spruce")])
    thickness = np.full(len(model.places_mm), 3e-3)
    settings = {"count": 12, "shear_pa": (float(shear[0]), float(shear[1]))}
    modes = model.solve(thickness, stiffness, SPRUCE.density_kg_m3, bars=lines, **settings)
    np.testing.assert_allclose(modes.frequency_hz[3:10], fine[:7], rtol=0.008)
    plain = model.solve(thickness, stiffness, SPRUCE.density_kg_m3, **settings)
    assert np.max(np.abs(plain.frequency_hz[3:10] / fine[:7] - 1.0)) > 0.1


def test_a_bar_on_an_arched_panel_agrees_too() -> None:
    outline = rectangle(110.0, 190.0)
    bar = GluedBar((40.0, 15.0), (62.0, 176.0), 9.0, 9.0, 5.5, BAR_WOOD)

    class Bowl:
        def at(self, xy_mm: np.ndarray) -> np.ndarray:
            x, y = np.asarray(xy_mm).T
            return 8.0 * (np.sin(np.pi * x / 110.0) * np.sin(np.pi * y / 190.0)) ** 2

    spec = replace(panel(outline, (bar,), 26.0), arching=Bowl())
    true = solve_plate(spec, 1, top_hz=1900.0).frequencies_hz[6:]
    model = PlateModel.of(outline, size_mm=13.0)
    surface = ArchSurface(model.places_mm, 12.0)
    arch = surface.arch(
        model.places_mm, surface.field.fitted(model.places_mm, Bowl().at(model.places_mm))
    )
    law, shear = SPRUCE.plane_stiffness_pa(), SPRUCE.transverse_shear_pa()
    modes = model.solve(
        np.full(len(model.places_mm), 3e-3),
        Stiffness(law[0, 0], law[1, 1], law[0, 1], law[2, 2]),
        SPRUCE.density_kg_m3,
        count=12,
        arch=arch,
        shear_pa=(float(shear[0]), float(shear[1])),
        bars=model.laid([Bar(40.0, 15.0, 62.0, 176.0, (9.0,), 5.5, "sitka spruce")]),
    )
    np.testing.assert_allclose(modes.frequency_hz[3:11], true[:8], rtol=0.015)


def test_the_barred_world_tells_what_can_be() -> None:
    spec = world_spec("spruce-top-barred")
    assert spec.facts.bars is not None
    assert spec.facts.arch_heights_mm is not None
    checked_bars(spec.facts.bars, spec.plate.outline)
    heights = np.array(checked_heights(spec.facts.arch_heights_mm, spec.plate.outline))
    assert heights[:, 2].max() == pytest.approx(14.5, abs=0.8)
    told, true = spec.facts.bars[0], spec.plate.bars[0]
    assert told.length_mm == pytest.approx(true.length_mm)
    assert bar_mass_kg(told) == pytest.approx(true.mass_kg, rel=0.08)  # handbook's density
