"""What a virtual plate is: wood, outline, thickness, arching. Plain data and plain functions."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.virtual.plate.bars import GluedBar
from rig.virtual.plate.wood import Scatter, Wood


@dataclass(frozen=True)
class Zone:
    """Wood left on (depth_mm > 0) or taken off (< 0): a smooth bump, width at half depth."""

    x_mm: float
    y_mm: float
    width_mm: float
    depth_mm: float

    def at(self, xy_mm: FloatArray) -> FloatArray:
        """Change of thickness (n,) in mm."""
        distance2 = np.sum((np.asarray(xy_mm) - np.array([self.x_mm, self.y_mm])) ** 2, axis=1)
        half = 0.5 * self.width_mm
        return np.asarray(self.depth_mm * np.exp2(-distance2 / half**2), dtype=np.float64)


@dataclass(frozen=True)
class Graduation:
    """Thickness falling smoothly from `middle_mm` at a centre to `edge_mm` far out."""

    middle_mm: float
    edge_mm: float
    centre_mm: tuple[float, float] = (0.0, 172.0)
    reach_mm: tuple[float, float] = (74.0, 112.0)

    def at(self, xy_mm: FloatArray) -> FloatArray:
        """Thickness (n,) in mm, before any zone."""
        reduced = (np.asarray(xy_mm) - np.array(self.centre_mm)) / np.array(self.reach_mm)
        fall = 1.0 / (1.0 + np.sum(reduced**2, axis=1) ** 1.25)
        return np.asarray(self.edge_mm + (self.middle_mm - self.edge_mm) * fall, dtype=np.float64)


@dataclass(frozen=True)
class Arching:
    """Height of the plate's middle surface above its rim: long arch times cross arch.

    Both fall to a level channel at the edge; half_width_mm is the half width that the cross arch
    spans at the lower bout, the waist and the upper bout.
    """

    crown_mm: float
    length_mm: float = 355.0
    half_width_mm: tuple[float, float, float] = (98.0, 64.0, 80.0)

    def at(self, xy_mm: FloatArray) -> FloatArray:
        """Height (n,) in mm."""
        x, y = np.asarray(xy_mm).T
        along = np.clip(2.0 * y / self.length_mm - 1.0, -1.0, 1.0)
        lower, waist, upper = self.half_width_mm
        bouts = waist + (lower - waist) * np.exp2(-(((along + 0.52) / 0.27) ** 2))
        half_width = bouts + (upper - waist) * np.exp2(-(((along - 0.56) / 0.24) ** 2))
        across = np.clip(x / half_width, -1.0, 1.0)
        long_arch = (1.0 - np.abs(along) ** 2.6) ** 2
        return np.asarray(self.crown_mm * long_arch * (1.0 - across**2) ** 2, dtype=np.float64)


@dataclass(frozen=True)
class PlateSpec:
    """One free plate.

    temperature_c softens the wood by 0.15 % a kelvin (a round value). mesh_mm: size of the
    solver's elements; softer and thinner wood carries shorter waves and needs smaller ones.
    """

    wood: Wood
    outline: Outline
    graduation: Graduation
    zones: tuple[Zone, ...] = ()
    arching: Arching = field(default_factory=lambda: Arching(0.0))
    scatter: Scatter = field(default_factory=Scatter)
    bars: tuple[GluedBar, ...] = ()
    temperature_c: float = 20.0
    mesh_mm: float = 18.0

    def thickness_mm(self, xy_mm: FloatArray) -> FloatArray:
        """Thickness (n,) in mm, zones included."""
        total = self.graduation.at(xy_mm)
        for zone in self.zones:
            total = total + zone.at(xy_mm)
        return total

    def stiffness_pa(self, wood_seed: int, xy_mm: FloatArray) -> FloatArray:
        """Plane-stress matrices (n, 3, 3) at the places."""
        factors = self.scatter.factors(wood_seed, xy_mm)
        base = self.wood.plane_stiffness_pa() * (1.0 - 0.0015 * (self.temperature_c - 20.0))
        out = np.zeros((len(xy_mm), 3, 3))
        out[:, 0, 0] = base[0, 0] * factors["c11"]
        out[:, 1, 1] = base[1, 1] * factors["c22"]
        out[:, 2, 2] = base[2, 2] * factors["c66"]
        out[:, 0, 1] = out[:, 1, 0] = base[0, 1] * np.sqrt(factors["c11"] * factors["c22"])
        return out

    def density_kg_m3(self, wood_seed: int, xy_mm: FloatArray) -> FloatArray:
        """Density (n,)."""
        return self.wood.density_kg_m3 * self.scatter.factors(wood_seed, xy_mm)["density"]
