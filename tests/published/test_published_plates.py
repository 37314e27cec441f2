"""The virtual shell against converged values of free plates, in the thin and flat limit.

Sources: free square and rectangular isotropic plates, λ = ωa²√(ρh/D), by an 18 × 18 Legendre-Ritz
solution converged to 1e-6 (the classical table of Leissa, J. Sound Vib. 31 (1973) 257, lies up
to 1 % above it); the orthotropic spruce plate by the same method, to 0.001 Hz. Thick free bars
after Timoshenko, by the exact T₁ of ASTM E1876 for a free bar in flexure.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.virtual.plate.mesh import triangulate
from rig.virtual.plate.modes import RIGID_MODES, solve
from rig.virtual.plate.shell import ShellFields, assemble

NU = 0.3
FREE_PLATES = {  # a/b: λ of the first ten modes, ν = 0.3
    1.0: (
        13.4682, 19.5961, 24.2702, 34.8009, 34.8009,
        61.0932, 61.0932, 63.6861, 69.2654, 77.1717,
    ),
    1.5: (
        20.0955, 21.4133, 46.3470, 49.9099, 57.7135,
        67.0297, 85.8548, 98.8337, 120.0281, 135.1039,
    ),
    2.5: (
        21.4539, 32.9890, 59.6287, 70.8032, 116.4208,
        118.2681, 140.2939, 152.7748, 179.6813, 196.5593,
    ),
}  # fmt: skip
ORTHOTROPIC_HZ = (
    58.379, 98.955, 123.159, 153.938, 169.310, 274.872, 285.112, 324.305, 338.075, 380.995,
    464.834, 498.510,
)  # fmt: skip


def free_plate_hz(
    width_mm: float,
    length_mm: float,
    thickness_mm: float,
    stiffness_pa: FloatArray,
    shear_pa: float,
    density: float,
    *,
    mesh_mm: float,
    top_hz: float,
    arch_mm: float = 0.0,
) -> FloatArray:
    """Frequencies of a flat, even, free rectangular plate by the virtual world's own shell."""
    corners = np.array([(0, 0), (width_mm, 0), (width_mm, length_mm), (0, length_mm)], dtype=float)
    outline = Outline(PlateXY(corners))

    def even(value: float | FloatArray, xy: FloatArray) -> FloatArray:
        return np.broadcast_to(value, (len(xy), *np.shape(value)))

    def height(xy: FloatArray) -> FloatArray:
        return arch_mm * np.sin(np.pi * xy[:, 0] / width_mm) * np.sin(np.pi * xy[:, 1] / length_mm)

    fields = ShellFields(
        thickness_mm=lambda xy: even(thickness_mm, xy),
        stiffness_pa=lambda xy: even(stiffness_pa, xy),
        shear_pa=lambda xy: even(np.full(2, shear_pa), xy),
        density_kg_m3=lambda xy: even(density, xy),
        height_mm=height,
    )
    modes = solve(assemble(triangulate(outline, mesh_mm), fields), top_hz)
    return modes.frequencies_hz[RIGID_MODES:]


def isotropic(modulus_pa: float, nu: float) -> tuple[FloatArray, float]:
    """Plane-stress matrix and shear modulus."""
    c11 = modulus_pa / (1.0 - nu**2)
    shear = modulus_pa / (2.0 * (1.0 + nu))
    return np.array([[c11, nu * c11, 0.0], [nu * c11, c11, 0.0], [0.0, 0.0, shear]]), shear


def thin_limit_error(ratio: float, parts: int, thickness_ratio: float) -> float:
    """Largest error of the first ten modes of a free isotropic plate, a along x.

    parts: elements along the shorter side; thickness_ratio: h/a.
    """
    a_mm, density = 200.0, 500.0
    thickness_mm = a_mm * thickness_ratio
    stiffness, shear = isotropic(10e9, NU)
    unit = np.sqrt(stiffness[0, 0] * (thickness_mm * 1e-3) ** 2 / (12.0 * density))
    expected = np.array(FREE_PLATES[ratio]) * unit / (2.0 * np.pi * (a_mm * 1e-3) ** 2)
    found = free_plate_hz(
        a_mm, a_mm / ratio, thickness_mm, stiffness, shear, density,
        mesh_mm=a_mm / ratio / parts, top_hz=1.2 * expected[-1],
    )  # fmt: skip
    return float(np.max(np.abs(found[:10] / expected - 1.0)))


def orthotropic_error(mesh_mm: float) -> float:
    """Largest error of the first twelve modes of the orthotropic plate, grain along y.

    Thin-plate frequencies go as h: solved at a tenth of the 3 mm, where shear plays no part.
    """
    e_along, e_across, g_plane, nu_along, density = 11.6e9, 0.73e9, 0.78e9, 0.40, 440.0
    mu = 1.0 - nu_along**2 * e_across / e_along
    c12 = nu_along * e_across / mu
    stiffness = np.array([[e_across / mu, c12, 0.0], [c12, e_along / mu, 0.0], [0, 0, g_plane]])
    found = free_plate_hz(
        200.0, 360.0, 0.3, stiffness, 1e9, density, mesh_mm=mesh_mm, top_hz=54.0
    )  # fmt: skip
    return float(np.max(np.abs(10.0 * found[:12] / np.array(ORTHOTROPIC_HZ) - 1.0)))


@pytest.mark.parametrize("ratio", sorted(FREE_PLATES))
def test_free_isotropic_plates_in_the_thin_limit(ratio: float) -> None:
    assert thin_limit_error(ratio, 6, 1e-3) < 1e-3


def test_the_square_converges_with_the_mesh_and_does_not_lock() -> None:
    """Even at a thickness of a/10 000 the error falls by more than ten per halving."""
    errors = [thin_limit_error(1.0, parts, 1e-4) for parts in (2, 4, 8)]
    assert errors[1] < 0.1 * errors[0]
    assert errors[2] < 0.1 * errors[1]
    assert errors[2] < 1e-4


def test_free_orthotropic_plate_converges() -> None:
    coarse, fine = orthotropic_error(40.0), orthotropic_error(25.0)
    assert coarse < 1e-3
    assert fine < 2e-4


def timoshenko_hz(length_m: float, thickness_m: float, modulus: float, density: float) -> float:
    """First free-free mode of a Timoshenko bar, ν = 0, κ = 5/6: root of its characteristic."""
    shear = (5.0 / 6.0) * modulus / 2.0
    inertia = thickness_m**2 / 12.0

    def determinant(hz: float) -> float:
        # w = e^(kx), θ = r·e^(kx); shear force and moment vanish at both ends.
        w2 = (2.0 * np.pi * hz) ** 2
        a = modulus * inertia * shear
        b = density * w2 * inertia * (modulus + shear)
        c = (density * w2 * inertia - shear) * density * w2
        roots = np.sqrt(np.roots([a, b, c]).astype(complex))
        k = np.concatenate([roots, -roots])
        ratio = (shear * k**2 + density * w2) / (shear * k)
        scale = np.exp(-np.abs(k.real) * length_m)
        ends = np.array([
            shear * (k - ratio) * scale,
            modulus * inertia * ratio * k * scale,
            shear * (k - ratio) * np.exp(k * length_m) * scale,
            modulus * inertia * ratio * k * np.exp(k * length_m) * scale,
        ])  # fmt: skip
        value = np.linalg.det(ends)
        return float(value.real if abs(value.real) > abs(value.imag) else value.imag)

    thin = 4.73004074**2 / (2.0 * np.pi * length_m**2) * np.sqrt(modulus * inertia / density)
    return float(brentq(determinant, 0.8 * thin, 0.9999 * thin))


@pytest.mark.parametrize("slenderness", [0.05, 0.1, 0.2])
def test_a_thick_free_bar_is_slowed_by_shear_as_timoshenko_says(slenderness: float) -> None:
    """Free-free bar with ν = 0 (no width effect): shear and rotatory inertia, κ = 5/6."""
    length_mm, modulus, density = 200.0, 10e9, 500.0
    stiffness, shear = isotropic(modulus, 0.0)
    thickness_mm = slenderness * length_mm
    expected = timoshenko_hz(0.2, thickness_mm * 1e-3, modulus, density)
    found = free_plate_hz(
        8.0, length_mm, thickness_mm, stiffness, shear, density, mesh_mm=8.0, top_hz=1.3 * expected
    )  # fmt: skip
    assert np.min(np.abs(found / expected - 1.0)) < 2e-4


def test_the_timoshenko_root_agrees_with_the_published_correction() -> None:
    """ASTM E1876 T₁ at ν = 0: 1 + 6.585·s² − 0.868·s⁴ − 8.340·s⁴/(1 + 6.338·s²), s = h/L."""
    for s in (0.05, 0.1):
        thin = 4.73004074**2 / (2.0 * np.pi * 0.2**2) * s * 0.2 * np.sqrt(10e9 / 12.0 / 500.0)
        corrected = 1 + 6.585 * s**2 - 0.868 * s**4 - 8.340 * s**4 / (1 + 6.338 * s**2)
        ratio = (thin / timoshenko_hz(0.2, s * 0.2, 10e9, 500.0)) ** 2
        assert ratio == pytest.approx(corrected, rel=5e-4)
