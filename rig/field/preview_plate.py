"""The plate that a preview cuts: as its taps were read, or as outline, mass and wood let expect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.field.inversion import REFERENCE_LENGTH_M
from rig.field.inversion_start import start_belief
from rig.field.inversion_state import Belief, PlateGeometry
from rig.field.plate_modes import PlateModes
from rig.field.preview import FITTED, FROM_OUTLINE, CutEffect, Doubts
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone
from rig.model.units import FloatArray
from rig.plate.arching import template_heights
from rig.plate.wood import Stiffness

# Local tone of the wave fit gives the graduation, not the constants.
GRADED = Doubts(FROM_OUTLINE.constants, 0.04, 40.0, FROM_OUTLINE.level)
_CONSTANTS = ("c11_gpa", "c22_gpa", "c12_gpa", "c66_gpa")
_UNKNOWN_MASS = 0.10  # thickness without mass and mean thickness; usual spread of graduations
FITTED_REACH, GUESSED_REACH = 0.15, 0.35  # of a frequency: how far the model may be off


@dataclass(frozen=True)
class PreviewPlate:
    """A believed plate, how doubtful it is, what it was made of, and why not of more."""

    geometry: PlateGeometry
    belief: Belief
    doubts: Doubts
    source: str
    reach: float  # share of the frequency within which a partial heard may be one of its modes
    notes: tuple[str, ...] = ()


def preview_plate(
    scan: ScanRecord, tones: TapTone | None = None, *, mesh_mm: float = 15.0
) -> PreviewPlate:
    """Make the plate of a scan, or of an empty one (outline and facts only).

    tones: its local tone; with the constants of the whole-plate inversion the fitted plate is built
    again from them. The outline alone gives an even plate of the weighed mass or mean thickness.
    """
    geometry = PlateGeometry(scan.outline, mesh_mm=mesh_mm, bars=scan.facts.bars or ())
    start, said = start_belief(scan, geometry)
    known = scan.facts.mass_g is not None or scan.facts.mean_thickness_mm is not None
    constants = {} if tones is None else tones.constants
    fitted = all(name in constants for name in (*_CONSTANTS, "density_kg_m3"))
    crown = constants.get("crown_mm") if fitted else scan.facts.arching_mm
    belief = start
    if crown:
        model = geometry.model.places_mm
        heights = crown * template_heights(scan.outline, model)
        belief = belief.changed(arch=geometry.arch.field.fitted(model, heights))
    if tones is None:
        doubts = FROM_OUTLINE if known else _looser(FROM_OUTLINE)
        notes = (*said, "No local tone is known: the plate is taken to be equally thick all over.")
        return PreviewPlate(geometry, belief, doubts, "outline and mass", GUESSED_REACH, notes)
    if not fitted:
        belief = _graded(geometry, belief, tones)
        doubts = GRADED if known else _looser(GRADED)
        return PreviewPlate(
            geometry, belief, doubts, "outline, mass and local tone", GUESSED_REACH, tuple(said)
        )
    gpa = [constants[name] * 1e9 for name in _CONSTANTS]
    belief = belief.changed(
        stiffness=Stiffness(c11=gpa[0], c22=gpa[1], c12=gpa[2], c66=gpa[3]),
        density_kg_m3=constants["density_kg_m3"],
        bar_log=np.array(
            [
                np.log(constants.get(f"bar_{k + 1}_stiffness", 1.0))
                for k in range(len(geometry.bars))
            ]
        ),
    )
    belief = _weighed(geometry, _graded(geometry, belief, tones), start)
    doubts = FITTED if known else _looser(FITTED)
    return PreviewPlate(geometry, belief, doubts, "plate fitted to all taps", FITTED_REACH)


def _graded(geometry: PlateGeometry, belief: Belief, tones: TapTone) -> Belief:
    """Put the local tone's graduation into the plate; its mass stays."""
    k = 2.0 * np.pi / REFERENCE_LENGTH_M
    stiff = 0.5 * np.log(
        np.sqrt(belief.stiffness.c11 * belief.stiffness.c22) / belief.density_kg_m3
    )
    log_h = np.log(tones.tone_hz * 2.0 * np.pi * np.sqrt(12.0) / k**2) - stiff
    found = geometry.field.fitted(np.asarray(tones.places), log_h, stiffness=0.02)
    graded = belief.changed(log_thickness=found)
    excess = np.log(geometry.mass_kg(graded) / geometry.mass_kg(belief))
    return graded.changed(log_thickness=found - excess)


def _weighed(geometry: PlateGeometry, belief: Belief, start: Belief) -> Belief:
    """Give a fitted plate the start's mass and keep its tones: thinner is then stiffer wood."""
    excess = float(np.log(geometry.mass_kg(belief) / geometry.mass_kg(start)))
    return belief.changed(
        log_thickness=belief.log_thickness - excess,
        stiffness=belief.stiffness.scaled(np.full(4, 2.0 * excess)),
    )


def _looser(doubts: Doubts) -> Doubts:
    """Neither mass nor mean thickness is known: the level is a guess."""
    level = float(np.hypot(doubts.level, _UNKNOWN_MASS))
    return Doubts(doubts.constants, doubts.thickness, doubts.length_mm, level)


def likeness_to_model(heard: PlateModes, effect: CutEffect) -> FloatArray:
    """Modal assurance criterion of every shape heard with every mode told; (heard, told).

    (Σ φa·φb)² / (Σ φa² · Σ φb²) at the taps (R. J. Allemang, D. L. Brown, IMAC 1 (1982) 110).
    """
    told = len(effect.hz)
    model = effect.shapes.modes.at(np.asarray(heard.places))[:, 3 : 3 + told]
    taps = np.column_stack([mode.amplitude for mode in heard.modes])
    energy = np.outer(np.sum(taps**2, axis=0), np.sum(model**2, axis=0))
    return np.asarray((taps.T @ model) ** 2 / np.maximum(energy, 1e-300))
