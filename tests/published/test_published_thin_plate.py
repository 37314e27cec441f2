"""The thin-plate model against converged values of the free plate.

Square and rectangular plates: Legendre-Ritz 18×18, converged to 1.3e-6; the classical values of
A. W. Leissa, "The free vibration of rectangular plates", J. Sound Vib. 31 (1973) 257-293 are upper
bounds 0.2-1 % above them. Orthotropic case: the same Ritz method, 14×14 and 18×18 agree to 1 mHz.
"""

from __future__ import annotations

import numpy as np
import pytest

from rig.model.outline import Outline
from rig.plate.plate_model import PlateModel
from rig.plate.wood import Stiffness

SQUARE = {
    0.225: (14.1161, 20.3868, 23.8779, 35.9768, 35.9768, 61.3694, 61.3694, 65.6449, 71.6307),
    0.3: (13.4682, 19.5961, 24.2702, 34.8009, 34.8009, 61.0932, 61.0932, 63.6861, 69.2654),
    0.35: (13.0105, 19.0258, 24.4962, 33.9268, 33.9268, 60.8380, 60.8380, 62.2619, 67.5189),
}
RECTANGLE = {
    0.4: (3.4326, 5.2782, 9.5406, 11.3285, 18.6273, 18.9229, 22.4470, 24.4440, 28.7490),
    1.5: (20.0955, 21.4133, 46.3470, 49.9099, 57.7135, 67.0297, 85.8548, 98.8337, 120.0281),
    2.5: (21.4539, 32.9890, 59.6287, 70.8032, 116.4208, 118.2681, 140.2939, 152.7748, 179.6813),
}
LEISSA_1973_SQUARE = (13.489, 19.789, 24.432, 35.024, 35.024, 61.526)


def rectangle(width_mm: float, length_mm: float) -> Outline:
    corners = [(0, 0), (width_mm, 0), (width_mm, length_mm), (0, length_mm)]
    return Outline.checked(np.array(corners, dtype=np.float64))


def isotropic_lambda(a_mm: float, b_mm: float, nu: float, size_mm: float) -> np.ndarray:
    """ω a² √(ρh/D) of the lowest nine modes."""
    modulus, density, thickness = 10e9, 700.0, 3e-3
    plane = modulus / (1 - nu**2)
    stiffness = Stiffness(plane, plane, nu * plane, modulus / (2 * (1 + nu)))
    model = PlateModel.of(rectangle(a_mm, b_mm), size_mm=size_mm)
    modes = model.solve(np.full(len(model.places_mm), thickness), stiffness, density, count=9)
    bending = modulus * thickness**3 / (12 * (1 - nu**2))
    omega = np.sqrt(modes.omega2[3:])
    return omega * (a_mm * 1e-3) ** 2 * np.sqrt(density * thickness / bending)


@pytest.mark.parametrize("nu", sorted(SQUARE))
def test_free_square_plate(nu: float) -> None:
    np.testing.assert_allclose(isotropic_lambda(300, 300, nu, 50.0), SQUARE[nu], rtol=1e-4)


@pytest.mark.parametrize("ratio", sorted(RECTANGLE))
def test_free_rectangular_plate(ratio: float) -> None:
    found = isotropic_lambda(300, 300 / ratio, 0.3, 30.0)
    np.testing.assert_allclose(found, RECTANGLE[ratio], rtol=1e-4)


def test_values_of_1973_are_upper_bounds() -> None:
    found = isotropic_lambda(300, 300, 0.3, 50.0)[:6]
    excess = np.array(LEISSA_1973_SQUARE) / found - 1
    assert np.all(excess > 0)
    assert np.all(excess < 0.011)


def test_orthotropic_plate() -> None:
    expected = [58.379, 98.955, 123.159, 153.938, 169.310, 274.872]
    expected += [285.112, 324.305, 338.075, 380.995, 464.834, 498.510]
    stiffness = Stiffness.from_engineering(
        e_x=0.73e9, e_y=11.6e9, g_xy=0.78e9, nu_xy=0.40 * 0.73 / 11.6
    )
    model = PlateModel.of(rectangle(200, 360), size_mm=30.0)
    modes = model.solve(np.full(len(model.places_mm), 3e-3), stiffness, 440.0, count=12)
    np.testing.assert_allclose(modes.frequency_hz[3:], expected, rtol=2e-5)


def test_mesh_convergence() -> None:
    """Halving the mesh shrinks the error at least eightfold, and it is small to begin with."""
    expected = np.array(SQUARE[0.3])
    coarse = np.abs(isotropic_lambda(300, 300, 0.3, 150.0) / expected - 1).max()
    fine = np.abs(isotropic_lambda(300, 300, 0.3, 75.0) / expected - 1).max()
    assert coarse < 5e-3
    assert fine < coarse / 8
