"""How long bending waves are in an orthotropic plate, with the shear of thick or cross-grain wood.

Thin plate: ω² = c(θ)h²k⁴ / 12ρ with c(θ) = c11·cos⁴θ + 2(c12+2c66)·cos²θ·sin²θ + c22·sin⁴θ.
Transverse shear and rotary inertia slow short waves (Timoshenko 1921; Mindlin 1951), to first
order ω²·(1 + (kh)²/12·(1 + c/κG)) = c·h²k⁴/12ρ, which is solved for k in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.model.units import FloatArray

REFERENCE_LENGTH_M = 0.050  # the local tone is the frequency of a wave this long
SHEAR_FACTOR = 5.0 / 6.0


@dataclass(frozen=True)
class WoodRatios:
    """Elastic ratios of one piece of wood; x across the grain, y along it.

    along_across: c22/c11. twist: (c12+2c66)/√(c11·c22). shear_across, shear_along: c11/(κ·G_xz)
    and c22/(κ·G_yz); 0 is a plate without shear. density_kg_m3 and speed_m_s (√(c22/ρ)) serve
    as starting values only. thickness_mm: usual mean of a finished plate.
    """

    along_across: float
    twist: float
    shear_across: float
    shear_along: float
    density_kg_m3: float
    speed_m_s: float
    thickness_mm: float


# Ratios after USDA FPL Wood Handbook (FPL-GTR-190, 2010), ch. 5, quarter-cut plates (x radial,
# plate normal tangential). Rolling shear G_RT of maple is not tabled; 0.03·E_L is assumed.
_WOODS = {
    "maple": WoodRatios(7.5, 0.85, 5.3, 19.0, 620.0, 4250.0, 3.6),
    "spruce": WoodRatios(11.0, 0.66, 16.0, 18.0, 430.0, 5200.0, 3.0),
}
_SOFT = ("spruce", "fir", "cedar", "pine", "larch")


def wood_ratios(wood: str | None) -> WoodRatios:
    """Handbook ratios of a wood by name; any hardwood or unknown wood starts from maple's."""
    return _WOODS["spruce" if is_softwood(wood) else "maple"]


def is_softwood(wood: str | None) -> bool:
    """Whether the name is one of the softwoods used for tops."""
    return any(soft in (wood or "").lower() for soft in _SOFT)


def directions(count: int) -> FloatArray:
    """`count` directions evenly over half a turn, rad."""
    return np.asarray(np.pi * (np.arange(count) + 0.5) / count, dtype=np.float64)


@dataclass(frozen=True)
class PlateWaves:
    """Waves of one plate, whose only local unknown is the product h·√(c22/ρ) ("stiffness speed").

    thickness_m is the plate's mean, product_m2_s the product there; both only size the shear.
    """

    ratios: WoodRatios
    thickness_m: float
    product_m2_s: float

    def with_ratios(self, **changes: float) -> PlateWaves:
        """The same plate with some ratios changed."""
        return replace(self, ratios=replace(self.ratios, **changes))

    def wavenumber(self, theta: FloatArray, hz: FloatArray, product_m2_s: FloatArray) -> FloatArray:
        """Wavenumber in rad/m; arguments broadcast. theta: from +x, counter-clockwise, rad."""
        r = self.ratios
        c2, s2 = np.cos(theta) ** 2, np.sin(theta) ** 2
        c22 = r.along_across  # in units of c11
        twist = r.twist * np.sqrt(c22)
        stiffness = c2 * c2 + 2.0 * twist * c2 * s2 + c22 * s2 * s2
        relative = stiffness / c22
        # c(θ)/κG(θ) with G(θ) = G_xz·cos² + G_yz·sin², all in units of c11
        shear_modulus = c2 / max(r.shear_across, 1e-9) + s2 * c22 / max(r.shear_along, 1e-9)
        shear = stiffness / shear_modulus
        thickness = self.thickness_m * product_m2_s / self.product_m2_s
        omega2 = (2.0 * np.pi * hz) ** 2
        a = thickness**2 / 12.0 * (1.0 + shear)
        b = relative * product_m2_s**2 / 12.0
        k2 = (a * omega2 + np.sqrt((a * omega2) ** 2 + 4.0 * b * omega2)) / (2.0 * b)
        return np.asarray(np.sqrt(k2))

    def thin_tone_hz(self, product_m2_s: FloatArray) -> FloatArray:
        """Frequency of a 50 mm bending wave, mean over directions, proportional to h·√(E/ρ)."""
        theta = directions(16)
        r = self.ratios
        c2, s2 = np.cos(theta) ** 2, np.sin(theta) ** 2
        twist = r.twist * np.sqrt(r.along_across)
        stiffness = c2 * c2 + 2.0 * twist * c2 * s2 + r.along_across * s2 * s2
        mean_speed = np.exp(0.5 * np.mean(np.log(stiffness / r.along_across)))
        k = 2.0 * np.pi / REFERENCE_LENGTH_M
        return np.asarray(k**2 * product_m2_s * mean_speed / np.sqrt(12.0) / (2.0 * np.pi))
