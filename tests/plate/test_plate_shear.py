"""Transverse shear and rotary inertia against a beam, and the thin limit."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import legendre
from scipy.linalg import eigh

from rig.model.outline import Outline
from rig.plate.plate_model import PlateModel
from rig.plate.wood import Stiffness

LENGTH_M, WIDTH_M, THICKNESS_M = 0.120, 0.020, 0.004
YOUNG_PA, SHEAR_PA, DENSITY = 1.4e9, 0.08e9, 600.0


@pytest.fixture(scope="module")
def strip() -> PlateModel:
    x, y = 500.0 * LENGTH_M, 1000.0 * WIDTH_M
    return PlateModel.of(Outline(rim=np.array([[-x, 0.0], [x, 0.0], [x, y], [-x, y]])), size_mm=7.0)


def solved(model: PlateModel, shear_pa: tuple[float, float] | None) -> np.ndarray:
    """Frequencies of a strip that is far stiffer in twist and across than along."""
    stiffness = Stiffness(YOUNG_PA, 60.0 * YOUNG_PA, 0.0, 20.0 * YOUNG_PA)
    thickness = np.full(len(model.places_mm), THICKNESS_M)
    modes = model.solve(thickness, stiffness, DENSITY, count=12, shear_pa=shear_pa)
    return modes.frequency_hz[3:]


def timoshenko_hz(count: int) -> np.ndarray:
    """Free beam after S. P. Timoshenko, Phil. Mag. 41 (1921) 744, by Legendre polynomials."""
    size = 24
    x, weight = legendre.leggauss(60)
    weight = weight * LENGTH_M / 2.0
    value = legendre.legvander(x, size - 1)
    slope = np.column_stack(
        [legendre.legval(x, legendre.legder(np.eye(size)[k])) for k in range(size)]
    ) * (2.0 / LENGTH_M)

    def gram(left: np.ndarray, right: np.ndarray) -> np.ndarray:
        return left.T @ (right * weight[:, None])

    zero = np.zeros((size, size))
    shear = 5.0 / 6.0 * SHEAR_PA * THICKNESS_M
    bend, rotary = YOUNG_PA * THICKNESS_M**3 / 12.0, DENSITY * THICKNESS_M**3 / 12.0
    k = shear * np.block(
        [[gram(slope, slope), -gram(slope, value)], [-gram(value, slope), gram(value, value)]]
    ) + np.block([[zero, zero], [zero, bend * gram(slope, slope)]])
    line = DENSITY * THICKNESS_M
    mass = np.block([[line * gram(value, value), zero], [zero, rotary * gram(value, value)]])
    omega2 = eigh(k, mass, eigvals_only=True)[2:]
    return np.sqrt(omega2[:count]) / (2.0 * np.pi)


def test_a_shear_soft_strip_is_a_timoshenko_beam(strip: PlateModel) -> None:
    beam = timoshenko_hz(5)
    found = solved(strip, (SHEAR_PA, 1e3 * SHEAR_PA))
    thin = solved(strip, None)
    assert thin[2] > 1.05 * beam[2]  # shear matters here
    nearest = found[np.argmin(np.abs(found[:, None] - beam), axis=0)]  # the strip also twists
    np.testing.assert_allclose(nearest, beam, rtol=2e-4)


def test_stiff_shear_leaves_the_thin_plate(strip: PlateModel) -> None:
    thin = solved(strip, None)
    stiff = solved(strip, (1e5 * SHEAR_PA, 1e5 * SHEAR_PA))
    share = (np.pi * THICKNESS_M / LENGTH_M) ** 2 / 12.0  # rotary inertia of the lowest mode
    np.testing.assert_allclose(stiff[:2], thin[:2], rtol=8.0 * share)
