"""Local tone by inverting all taps of a scan together for one plate.

All taps' gated spectra must obey one free plate: the unknowns are its local tone h·√(E/ρ), its
elastic constants, damping, arch and the taps' errors. No mode is identified and nothing about
the sound's radiation is assumed. See `inversion_gate` for the principle.

What must be known: the outline. The weighed mass (with the handbook's density, or with the mean
thickness) only sets the scale of thickness: a flat plate's tone does not depend on it, so where
nothing is known the usual thickness is taken and the answer says so. An arched plate needs its
crown's height, within about 10 %.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rig.field.inversion_data import TapResponses, tap_responses
from rig.field.inversion_facts import said_of_heights, usable_bars, usable_heights
from rig.field.inversion_fit import ARCH_SCHEDULE, SCHEDULE, Fit, Freedom, Stage, fit_plate
from rig.field.inversion_start import check_grid, gate_start_s, start_belief
from rig.field.inversion_state import Belief, PlateGeometry
from rig.field.inversion_verdict import (
    IMPLAUSIBLE,
    REFUSED_MISFIT,
    judge,
    plausible,
    posterior_sd_cents,
)
from rig.model.errors import AnalysisError
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone
from rig.model.units import FloatArray
from rig.plate.arching import template_heights
from rig.plate.measured_arch import MeasuredArch, arch_through

ESTIMATOR = "whole-plate inversion"
REFERENCE_LENGTH_M = 0.050  # local tone: frequency of a bending wave this long
USUAL_CROWN_MM = 14.0
_NOT_FLAT = (
    "The plate was said to be flat, and the taps fit no flat plate: an arch was fitted along. "
    "Please enter the height of its crown."
)
_SURELY_FLAT_MISFIT = 8.0  # a flat fit of a plate arched by 12 mm leaves 30 and more


@dataclass(frozen=True)
class Options:
    """How the inversion is run; the defaults are what the product uses."""

    mesh_mm: float = 15.0
    spacing_mm: float = 14.0
    schedule: tuple[Stage, ...] = SCHEDULE
    freedom: Freedom = field(default_factory=Freedom)
    arch_within: float = 0.20  # sd of the arch's height as a share of the crown
    arching_mm: float | None = None  # overrides what the scan's facts say


@dataclass(frozen=True)
class Inversion:
    """One fitted plate, with what is needed to judge it and to start a comparison from it."""

    geometry: PlateGeometry
    data: TapResponses
    fit: Fit
    start: Belief
    gate_s: float
    reasons: tuple[str, ...]
    crown_mm: float | None
    mass_g: float | None = None

    def log_tone(self, xy_mm: FloatArray) -> FloatArray:
        """ln(h·√(C/ρ)) at (k, 2) places, C the geometric mean of c11 and c22; h in m."""
        belief = self.fit.belief
        stiff = np.sqrt(belief.stiffness.c11 * belief.stiffness.c22) / belief.density_kg_m3
        matrix = self.geometry.field.matrix(xy_mm)
        return np.asarray(matrix @ belief.log_thickness + 0.5 * np.log(stiff))


def invert(scan: ScanRecord, progress: Progress = silent, **options: object) -> TapTone:
    """Local tone at every tap by the whole-plate inversion.

    Keyword options: the fields of `Options`. Raises AnalysisError when the scan carries too few
    taps; a fit that must not be believed comes back with the verdict "refused" and its reasons.
    """
    return tap_tone_of(inverted(scan, progress, **options))


def inverted(scan: ScanRecord, progress: Progress = silent, **options: object) -> Inversion:
    """Fit the plate of a scan; see `invert`."""
    try:
        found = _inverted(scan, progress, **options)
    except (np.linalg.LinAlgError, FloatingPointError, RuntimeError) as error:
        raise _broken_down(scan) from error  # RuntimeError: SuperLU and ARPACK
    if not np.all(np.isfinite(found.fit.belief.log_thickness)):
        raise _broken_down(scan)
    return found


def _broken_down(scan: ScanRecord) -> AnalysisError:
    return AnalysisError(
        "The whole-plate fit broke down: the taps determine no plate.",
        where=scan.scan,
        remedy="Check outline, mass and arching of the plate; the wave fit needs none of them.",
    )


def _inverted(scan: ScanRecord, progress: Progress, **options: object) -> Inversion:
    settings = Options(**options)  # type: ignore[arg-type]
    data = tap_responses(scan)
    check_grid(scan, data)
    bars, bars_said = usable_bars(scan)
    heights, heights_said = usable_heights(scan)
    geometry = PlateGeometry(
        scan.outline, mesh_mm=settings.mesh_mm, spacing_mm=settings.spacing_mm, bars=bars
    )
    gate_s, gate_reason = gate_start_s(scan, data)
    start, said = start_belief(scan, geometry)
    reasons = [*data.notes, *gate_reason, *said, *bars_said, *heights_said]
    told = settings.arching_mm if settings.arching_mm is not None else scan.facts.arching_mm

    def attempt(
        crown_mm: float | None, told_within: float, measured: MeasuredArch | None = None
    ) -> Inversion:
        belief, freedom, schedule = start, settings.freedom, settings.schedule
        if crown_mm:
            if measured is None:
                places = geometry.model.places_mm
                surface = crown_mm * template_heights(scan.outline, places)
                arch = geometry.arch.field.fitted(places, surface)
            else:
                arch = measured.coefficients_mm - geometry.half_thickness_mm(start)
            belief = start.changed(arch=arch)
            freedom = freedom.with_arch(told_within * crown_mm, measured)
            schedule = schedule if schedule is not SCHEDULE else ARCH_SCHEDULE
        fit = fit_plate(
            geometry,
            data,
            belief,
            gate_s=gate_s,
            schedule=schedule,
            freedom=freedom,
            progress=progress,
        )
        return Inversion(
            geometry, data, fit, belief, gate_s, tuple(reasons), crown_mm, scan.facts.mass_g
        )

    if heights is not None:
        within, places = settings.arch_within, geometry.model.places_mm
        through = arch_through(scan.outline, geometry.arch, places, heights, within)
        reasons += said_of_heights(through, len(heights), told)
        told = through.crown_mm
        found = attempt(told if told > 0.5 else None, within, through)
        if found.fit.misfit <= REFUSED_MISFIT:
            return found
    if told is not None:
        found = attempt(told if told > 0.5 else None, settings.arch_within)
        cut_short = settings.schedule is not SCHEDULE  # no ground for a second opinion
        if found.fit.misfit <= REFUSED_MISFIT or cut_short:
            return found
        if told <= 0.5:
            reasons.append(_NOT_FLAT)
            arched = attempt(USUAL_CROWN_MM, 0.30)
            better = arched.fit.misfit <= REFUSED_MISFIT and plausible(geometry, arched.fit, start)
            return arched if better else found
        # The fit may have run into a wrong arch: once more, with more freedom for it.
        again = attempt(told, 0.35)
        return again if again.fit.misfit < found.fit.misfit else found
    flat = attempt(None, 0.0)
    if flat.fit.misfit < _SURELY_FLAT_MISFIT and plausible(geometry, flat.fit, start):
        return flat
    reasons.append(
        "The plate's arching is not known; the height of its crown was fitted along. "
        "Enter it for a surer map."
    )
    arched = attempt(USUAL_CROWN_MM, 0.30)
    # An arch is one more freedom: it must explain clearly more, and by a plate that can be.
    better = arched.fit.misfit < 0.7 * flat.fit.misfit
    return arched if better and plausible(geometry, arched.fit, start) else flat


def tap_tone_of(found: Inversion) -> TapTone:
    """The reading of a fitted plate at its taps."""
    fit, data = found.fit, found.data
    places = data.places_mm
    k = 2.0 * np.pi / REFERENCE_LENGTH_M
    tone = np.exp(found.log_tone(places)) * k**2 / (2.0 * np.pi * np.sqrt(12.0))
    sd = posterior_sd_cents(found.geometry, fit, places)
    verdict, reasons = judge(fit, arched=found.crown_mm is not None)
    if not plausible(found.geometry, fit, found.start):
        verdict, reasons = "refused", [IMPLAUSIBLE, *reasons]
    constants = dict(
        zip(
            ("c11_gpa", "c22_gpa", "c12_gpa", "c66_gpa"),
            (float(v) / 1e9 for v in fit.belief.stiffness.as_array()),
            strict=True,
        )
    )
    constants["density_kg_m3"] = fit.belief.density_kg_m3
    constants["loss_factor"] = float(np.mean(fit.belief.eta))
    for number, factor in enumerate(np.exp(fit.belief.bar_log), start=1):
        constants[f"bar_{number}_stiffness"] = float(factor)  # 1: as its section and wood say
    if found.crown_mm is not None:
        heights = found.geometry.arch.field.matrix(found.geometry.places_mm) @ fit.belief.arch
        constants["crown_mm"] = float(np.max(heights) - np.min(heights))
    return TapTone(
        reading="local",
        estimator=ESTIMATOR,
        taps=data.taps,
        places=places,  # type: ignore[arg-type]
        tone_hz=tone,
        sd_cents=sd,
        repeatability_cents=float(np.median(sd)),
        verdict=verdict,
        reasons=(*found.reasons, *reasons),
        misfit=fit.misfit,
        constants=constants,
    )


__all__ = ["ESTIMATOR", "Inversion", "Options", "invert", "inverted", "tap_tone_of"]
