"""Young's and shear modulus of a bar from its tap tones (impulse excitation).

The formulas are those of ASTM E1876 for a free bar of rectangular section: length L, width b,
thickness t, mass m. They hold for isotropic material; wood's low shear stiffness along the grain
makes the correction T1 too small, so the result for a thick wooden bar reads low (keep L/t ≥ 20).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.errors import AnalysisError


@dataclass(frozen=True)
class Bar:
    """A rectangular bar: mm and g."""

    length_mm: float
    width_mm: float
    thickness_mm: float
    mass_g: float

    def __post_init__(self) -> None:
        for name in ("length_mm", "width_mm", "thickness_mm", "mass_g"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0.0):
                raise AnalysisError(
                    f"The bar's {name} is {value}.",
                    remedy="Give length, width and thickness in mm and the mass in g, above zero.",
                )
        if self.length_mm < 5.0 * max(self.thickness_mm, 1e-9):
            raise AnalysisError(
                "The bar is too stubby: its length is under five times its thickness.",
                remedy="Cut a longer or thinner bar; L/t of 20 or more is best.",
            )

    @property
    def density_kg_m3(self) -> float:
        """Mass by volume."""
        volume_mm3 = self.length_mm * self.width_mm * self.thickness_mm
        return self.mass_g / volume_mm3 * 1e6


@dataclass(frozen=True)
class BarModuli:
    """What the taps of a bar say; None where the tap for it was not given.

    speed_m_s: √(E/ρ), the speed of sound along the bar.
    """

    young_gpa: float
    speed_m_s: float
    density_kg_m3: float
    shear_gpa: float | None
    poisson: float | None


def flexural_correction(bar: Bar, poisson: float) -> float:
    """T1 of ASTM E1876: what shear and rotation take off the lowest flexural tone."""
    t = bar.thickness_mm / bar.length_mm
    above = 8.340 * (1.0 + 0.2023 * poisson + 2.173 * poisson**2) * t**4
    below = 1.0 + 6.338 * (1.0 + 0.1408 * poisson + 1.536 * poisson**2) * t**2
    linear = 6.585 * (1.0 + 0.0752 * poisson + 0.8109 * poisson**2) * t**2
    return float(1.0 + linear - 0.868 * t**4 - above / below)


def young_modulus_gpa(bar: Bar, flexural_hz: float, poisson: float | None = 0.3) -> float:
    """E = 0.9465·(m·f²/b)·(L³/t³)·T1 from the lowest flexural tone (nodes at 0.224 L).

    poisson None: the short correction 1 + 6.585·(t/L)², allowed for L/t ≥ 20.
    """
    slenderness = bar.thickness_mm / bar.length_mm
    if poisson is None:
        correction = 1.0 + 6.585 * slenderness**2
    else:
        correction = flexural_correction(bar, poisson)
    mass_kg, width_m = bar.mass_g * 1e-3, bar.width_mm * 1e-3
    pascal = 0.9465 * (mass_kg * flexural_hz**2 / width_m) / slenderness**3 * correction
    return float(pascal * 1e-9)


def shear_modulus_gpa(bar: Bar, torsional_hz: float) -> float:
    """G = (4·L·m·f²/(b·t))·R from the lowest torsional tone (nodes: the two middle lines)."""
    wide, ratio = bar.width_mm, bar.width_mm / bar.thickness_mm
    inverse = 1.0 / ratio
    tail = 1.0 - 1.991 / (np.exp(np.pi * ratio) + 1.0)
    shape = (1.0 + ratio**2) / (4.0 - 2.521 * inverse * tail)
    across = wide / bar.length_mm
    stretch = 1.0 + 0.00851 * across**2
    shape = shape * stretch - 0.060 * across**1.5 * (ratio - 1.0) ** 2
    length_m, mass_kg = bar.length_mm * 1e-3, bar.mass_g * 1e-3
    section_m2 = bar.width_mm * bar.thickness_mm * 1e-6
    return float(4.0 * length_m * mass_kg * torsional_hz**2 / section_m2 * shape * 1e-9)


def bar_moduli(
    bar: Bar, flexural_hz: float, torsional_hz: float | None = None, *, poisson: float = 0.3
) -> BarModuli:
    """Read a bar. With both tones Poisson's ratio, E/2G − 1, is found along with the moduli.

    It is iterated as the standard asks; where the material is not isotropic (wood) E/2G − 1 falls
    outside 0 … 0.5, then the ratio given is kept and None is returned for it.
    """
    shear = None if torsional_hz is None else shear_modulus_gpa(bar, torsional_hz)
    young = young_modulus_gpa(bar, flexural_hz, poisson)
    found: float | None = None
    if shear is not None:
        trial = poisson
        for _ in range(20):
            young = young_modulus_gpa(bar, flexural_hz, trial)
            trial = young / (2.0 * shear) - 1.0
            if not 0.0 <= trial <= 0.5:
                break
        found = trial if 0.0 <= trial <= 0.5 else None
        if found is None:
            young = young_modulus_gpa(bar, flexural_hz, poisson)
    density = bar.density_kg_m3
    return BarModuli(young, float(np.sqrt(young * 1e9 / density)), density, shear, found)
