"""Elastic constants of tone woods, as starting values.

Ratios: USDA Forest Products Laboratory, Wood Handbook, FPL-GTR-190 (2010), chapter 5, tables 5-1
and 5-2, about 12 % moisture. Density at 12 % is about 1120 × specific gravity; the modulus along
the grain is 1.10 × the bending modulus of table 5-3. The spread within a species is about 22 % in
modulus and 10 % in density, so these are where a fit starts, never a result.

A plate's frame: x across the grain, y along it. Plates are cut on the quarter, so "across" is the
radial direction and the plane of the plate is the LR plane.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.units import FloatArray


@dataclass(frozen=True)
class Stiffness:
    """Plane-stress constants in Pa: moment (mxx, myy, mxy) = h³/12 · C · (wxx, wyy, 2 wxy).

    c11 across the grain (x), c22 along it (y), c12 coupling, c66 in-plane shear.
    """

    c11: float
    c22: float
    c12: float
    c66: float

    @classmethod
    def from_engineering(cls, *, e_x: float, e_y: float, g_xy: float, nu_xy: float) -> Stiffness:
        """From Young's moduli, shear modulus (Pa) and nu_xy (contraction along y, load along x)."""
        nu_yx = nu_xy * e_y / e_x
        mu = 1.0 - nu_xy * nu_yx
        return cls(c11=e_x / mu, c22=e_y / mu, c12=nu_xy * e_y / mu, c66=g_xy)

    def matrix(self) -> FloatArray:
        """(3, 3), acting on (exx, eyy, gamma_xy)."""
        return np.array(
            [[self.c11, self.c12, 0.0], [self.c12, self.c22, 0.0], [0.0, 0.0, self.c66]]
        )

    def bending_matrix(self) -> FloatArray:
        """(3, 3), acting on (wxx, wyy, wxy) from both sides: the twist entry is 4 c66."""
        out = self.matrix()
        out[2, 2] *= 4.0
        return out

    def scaled(self, log_factors: FloatArray) -> Stiffness:
        """Multiply c11, c22, c12, c66 by exp(log_factors)."""
        values = np.array([self.c11, self.c22, self.c12, self.c66]) * np.exp(log_factors)
        return Stiffness(*map(float, values))

    def as_array(self) -> FloatArray:
        """c11, c22, c12, c66."""
        return np.array([self.c11, self.c22, self.c12, self.c66])


@dataclass(frozen=True)
class Wood:
    """One species: density kg/m³, modulus along the grain Pa, and ratios to it.

    shear_across, shear_along: transverse shear moduli (planes RT and LT) as ratios.
    """

    name: str
    density_kg_m3: float
    e_along: float
    ratio_across: float
    ratio_shear: float
    nu_along_across: float
    ratio_shear_across: float
    ratio_shear_along: float

    def stiffness(self) -> Stiffness:
        """Starting constants of a quarter-cut plate, x across and y along the grain."""
        e_across = self.ratio_across * self.e_along
        return Stiffness.from_engineering(
            e_x=e_across,
            e_y=self.e_along,
            g_xy=self.ratio_shear * self.e_along,
            nu_xy=self.nu_along_across * self.ratio_across,
        )


# The handbook gives no G_RT for maple; about 1/40 of E_L is usual for dense hardwoods (common
# practice, no source).
WOODS: dict[str, Wood] = {
    "sitka spruce": Wood("sitka spruce", 448.0, 11.9e9, 0.078, 0.064, 0.372, 0.003, 0.061),
    "engelmann spruce": Wood("engelmann spruce", 392.0, 9.8e9, 0.128, 0.124, 0.422, 0.010, 0.120),
    "sugar maple": Wood("sugar maple", 706.0, 13.9e9, 0.132, 0.111, 0.424, 0.025, 0.063),
    "red maple": Wood("red maple", 605.0, 12.4e9, 0.140, 0.133, 0.434, 0.025, 0.074),
}
_NEAREST = {"spruce": "sitka spruce", "maple": "red maple"}


def wood_named(name: str | None) -> tuple[Wood, str]:
    """Return a species for whatever the maker wrote, and a sentence saying what was taken."""
    text = (name or "").strip().lower()
    if text in WOODS:
        return WOODS[text], f"started from handbook values of {text}"
    for key, species in _NEAREST.items():
        if key in text:
            return WOODS[species], f"started from handbook values of {species}"
    species = "red maple"
    said = f"“{name}” is not in the table of woods" if text else "the wood is not named"
    return WOODS[species], f"{said}; started from handbook values of {species}"
