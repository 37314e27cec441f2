"""A bar glued to the plate: against handbook beams, and as the mesh gets finer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.model.outline import Outline
from rig.model.plate_facts import Bar
from rig.plate.bars import bar_mass_kg, section_of
from rig.plate.plate_model import PlateModel
from rig.plate.wood import WOODS, Stiffness
from rig.virtual.shapes import violin_outline

SPRUCE, MAPLE = WOODS["engelmann spruce"], WOODS["red maple"]
# Roots of cos x cosh x = 1, a free beam: Rao, Mechanical Vibrations, table 8.4 (from memory).
FREE_BEAM = np.array([4.730041, 7.853205])


def strip(length_mm: float, width_mm: float) -> Outline:
    return Outline.checked(
        np.array([[0, 0], [width_mm, 0], [width_mm, length_mm], [0, length_mm]], dtype=float)
    )


def along(length_mm: float, width_mm: float, height_mm: float, bar_mm: float, wood: str) -> Bar:
    middle = 0.5 * width_mm
    return Bar(middle, 0.0, middle, length_mm, (height_mm,), bar_mm, wood)


def bending_hz(model: PlateModel, modes, width_mm: float) -> np.ndarray:
    """Frequencies of the modes whose end does not twist."""
    left, right = modes.at(np.array([[0.5, 0.5], [width_mm - 0.5, 0.5]]))[:, 3:]
    level = np.abs(left + right) > 5.0 * np.abs(left - right)
    return modes.frequency_hz[3:][level]


@pytest.mark.parametrize("size_mm", [18.0, 12.0])
def test_plate_and_bar_bend_as_one_section(size_mm: float) -> None:
    """T-section: Euler-Bernoulli with the transformed section (Gere, Mechanics of Materials, 6.3).

    Shear and rotary inertia, which the formula leaves out, take off under a per cent here.
    """
    length, width, h, height, bar_mm = 600.0, 20.0, 3.0, 6.0, 6.0
    plate = Stiffness.from_engineering(e_x=2e9, e_y=10e9, g_xy=5e9, nu_xy=0.0)
    model = PlateModel.of(strip(length, width), size_mm=size_mm)
    lines = model.laid([along(length, width, height, bar_mm, "red maple")])
    thickness = np.full(len(model.places_mm), h * 1e-3)
    modes = model.solve(thickness, plate, 500.0, count=6, bars=lines)
    areas = 1e-6 * np.array([width * h, bar_mm * height])
    young = np.array([10e9, MAPLE.e_along])
    z = 1e-3 * np.array([0.0, -0.5 * (h + height)])
    axis = np.sum(young * areas * z) / np.sum(young * areas)
    own = areas * 1e-6 * np.array([h, height]) ** 2 / 12.0
    bending = np.sum(young * (own + areas * (z - axis) ** 2))
    line = 500.0 * areas[0] + MAPLE.density_kg_m3 * areas[1]
    expected = (FREE_BEAM / (length * 1e-3)) ** 2 * np.sqrt(bending / line) / (2.0 * np.pi)
    found = bending_hz(model, modes, width)[:2]
    assert np.all(found < 1.001 * expected)
    np.testing.assert_allclose(found, expected, rtol=0.012)
    # without the common section: both bend about their own middles
    apart = np.sqrt(np.sum(young * own) / bending)
    assert apart < 0.6


def test_a_stiff_bar_on_a_soft_plate_is_a_free_beam() -> None:
    length, width, height, bar_mm = 500.0, 20.0, 8.0, 5.0
    soft = Stiffness.from_engineering(e_x=1e6, e_y=1e6, g_xy=1e6, nu_xy=0.0)
    model = PlateModel.of(strip(length, width), size_mm=20.0)
    line = model.laid([along(length, width, height, bar_mm, "sugar maple")])
    thickness = np.full(len(model.places_mm), 1e-4)
    modes = model.solve(thickness, soft, 1.0, count=60, bars=line)
    wood = WOODS["sugar maple"]
    section = np.sqrt(wood.e_along / wood.density_kg_m3 * (height * 1e-3) ** 2 / 12.0)
    expected = (FREE_BEAM[0] / (length * 1e-3)) ** 2 * section / (2.0 * np.pi)
    # the bar's mode has nearly all its movement at the bar: mass-normalised over the bar's mass
    ends = modes.at(np.array([[0.5 * width, 1.0], [0.5 * width, length - 1.0]]))[:, 3:]
    moved = np.min(np.abs(ends), axis=0) * np.sqrt(bar_mass_kg(line[0].bar))
    beam = np.flatnonzero((moved > 1.0) & (ends[0] * ends[1] > 0.0))
    assert len(beam)
    best = np.min(np.abs(np.log(modes.frequency_hz[3:][beam] / expected)))
    assert best < 0.015


def test_modes_with_a_bar_converge_and_start_quickly() -> None:
    outline = violin_outline()
    bar = Bar(-17.0, 55.0, -21.0, 320.0, (3.0, 11.0, 3.0), 5.5)
    found = []
    for size_mm in (20.0, 14.0):
        model = PlateModel.of(outline, size_mm=size_mm)
        thickness = np.full(len(model.places_mm), 2.8e-3)
        modes = model.solve(
            thickness, SPRUCE.stiffness(), SPRUCE.density_kg_m3, count=40, bars=model.laid([bar]),
            quick=size_mm > 15.0,
        )  # fmt: skip
        found.append(modes.frequency_hz[3:])
    np.testing.assert_allclose(found[0][:35], found[1][:35], rtol=0.01)
    plain = model.solve(thickness, SPRUCE.stiffness(), SPRUCE.density_kg_m3, count=10)
    assert found[1][1] > 1.2 * plain.frequency_hz[4]  # the bar runs along the plate's bend
    # a rigid plate with a bar stays free: no strain, the masses of both
    w = modes.at(model.places_mm)[:, :3]
    load = model.weights_m2 * thickness * SPRUCE.density_kg_m3
    share = np.linalg.eigvalsh(w.T @ (w * load[:, None]))
    mass = model.mass_kg(thickness, SPRUCE.density_kg_m3)
    assert 0.8 * mass / (mass + bar_mass_kg(bar)) < share.min() < 1.0


def test_its_part_of_the_stiffness_predicts_a_change_of_its_stiffness() -> None:
    """δλ/λ by Rayleigh's principle, held against two solutions."""
    model = PlateModel.of(violin_outline(), size_mm=20.0)
    thickness = np.full(len(model.places_mm), 2.8e-3)
    lines = model.laid(
        [Bar(-17.0, 55.0, -21.0, 320.0, (9.0,), 5.5), Bar(30, 60, 60, 90, (5.0,), 6)]
    )
    wood = SPRUCE.stiffness(), SPRUCE.density_kg_m3
    before, after = (
        model.solve(thickness, *wood, count=12, bars=lines, bar_stiffness=np.exp([step, 0.0]))
        for step in (0.0, 0.02)
    )
    assert before.bar_energy is not None
    predicted = 0.02 * np.diag(before.bar_energy[0])[3:]
    # the in-plane inertia, which follows afterwards, is not in it
    np.testing.assert_allclose(
        after.omega2[3:] - before.omega2[3:], predicted, rtol=0.05, atol=20.0
    )


def test_a_tapering_section_and_its_mass() -> None:
    bar = Bar(0.0, 0.0, 0.0, 200.0, (4.0, 12.0, 4.0), 6.0, "sitka spruce")
    section = section_of(bar, np.array([0.0, 0.25, 0.5, 1.0]))
    np.testing.assert_allclose(section.height_m, [4e-3, 8e-3, 12e-3, 4e-3])
    np.testing.assert_allclose(section.rise[[0, 1, 3]], [0.08, 0.08, -0.08])
    expected = WOODS["sitka spruce"].density_kg_m3 * 0.2 * 6e-3 * 8e-3
    assert bar_mass_kg(bar) == pytest.approx(expected, rel=1e-4)
    # a square: 0.1406 a⁴ (Timoshenko and Goodier, §109, table)
    square = section_of(replace(bar, heights_mm=(6.0,)), np.array([0.5]))
    assert square.twist_m4[0] == pytest.approx(0.1406 * 6e-3**4, rel=0.005)
