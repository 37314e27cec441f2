"""The wood of a virtual plate and its unevenness.

Axes: x across the grain (radial, as in a quarter-sawn plate), y along the grain, z through the
thickness. Ratios follow the Wood Handbook, FPL-GTR-190 (2010), tables 5-1 to 5-3, red maple and
Sitka/Engelmann spruce; the absolute values are invented within its spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.units import FloatArray

SHEAR_FACTOR = 5.0 / 6.0  # Reissner (1945), homogeneous section


@dataclass(frozen=True)
class Wood:
    """Elastic constants in GPa at 20 °C; nu_along_across is the Poisson ratio of a pull along y."""

    name: str
    density_kg_m3: float
    e_across_gpa: float
    e_along_gpa: float
    nu_along_across: float
    g_plane_gpa: float
    g_across_normal_gpa: float  # rolling shear, x–z
    g_along_normal_gpa: float  # y–z

    def plane_stiffness_pa(self) -> FloatArray:
        """Plane-stress matrix (3, 3) on (ε_xx, ε_yy, γ_xy): c11 across, c22 along."""
        nu_across_along = self.nu_along_across * self.e_across_gpa / self.e_along_gpa
        mu = 1.0 - self.nu_along_across * nu_across_along
        stiffness = np.zeros((3, 3))
        stiffness[0, 0] = self.e_across_gpa / mu
        stiffness[1, 1] = self.e_along_gpa / mu
        stiffness[0, 1] = stiffness[1, 0] = self.nu_along_across * self.e_across_gpa / mu
        stiffness[2, 2] = self.g_plane_gpa
        return stiffness * 1e9

    def transverse_shear_pa(self) -> FloatArray:
        """Shear moduli (2,) of the x–z and y–z planes."""
        return np.array([self.g_across_normal_gpa, self.g_along_normal_gpa]) * 1e9


MAPLE = Wood("maple", 610.0, 1.42, 10.4, 0.43, 1.20, 0.27, 0.78)
SPRUCE = Wood("spruce", 425.0, 0.98, 12.4, 0.40, 0.80, 0.075, 0.76)


@dataclass(frozen=True)
class SmoothField:
    """A smooth random field of mean 0 and sd 1 by random Fourier features (Rahimi, Recht 2007).

    The covariance tends to exp(−d²/2ℓ²), ℓ = length_mm. The same seed gives the same field at any
    place and in any order.
    """

    seed: tuple[int, ...]
    length_mm: float

    def at(self, xy_mm: FloatArray) -> FloatArray:
        """Values (n,) at the (n, 2) places."""
        rng = np.random.default_rng(self.seed)
        waves = rng.standard_normal((160, 2)) / self.length_mm
        phases = rng.uniform(0.0, 2.0 * np.pi, 160)
        total = np.cos(np.asarray(xy_mm) @ waves.T + phases).sum(axis=1)
        return np.asarray(total * np.sqrt(2.0 / 160.0), dtype=np.float64)


@dataclass(frozen=True)
class Scatter:
    """How uneven the wood is: standard deviations (1 = 100 %) and correlation length.

    `common` moves all elastic constants together; `single` moves each constant by itself.
    """

    common: float = 0.027
    single: float = 0.013
    density: float = 0.006
    length_mm: float = 38.0

    def factors(self, seed: int, xy_mm: FloatArray) -> dict[str, FloatArray]:
        """Multipliers (n,) of c11, c22, c66 and the density."""

        def field(number: int) -> FloatArray:
            return SmoothField((seed, number), self.length_mm).at(xy_mm)

        common = self.common * field(0)
        stiffness = {
            name: np.exp(common + self.single * field(number))
            for number, name in enumerate(("c11", "c22", "c66"), start=1)
        }
        return {**stiffness, "density": np.exp(self.density * field(4))}
