"""Before the fit: is the grid dense enough, when is the plate free, where does the fit start?"""

from __future__ import annotations

import numpy as np

from rig.field.inversion_data import SOUND_M_S, TapResponses
from rig.field.inversion_fit import first_belief
from rig.field.inversion_state import Belief, PlateGeometry
from rig.model.errors import AnalysisError
from rig.model.scan_record import ScanRecord
from rig.plate.wood import wood_named

_AFTER_SWEEP_S = 0.9e-3


def gate_start_s(scan: ScanRecord, data: TapResponses) -> tuple[float, list[str]]:
    """When the plate is free: after the sound from the microphone's place has swept over it."""
    if scan.microphone_xyz_mm is not None:
        x, y, z = scan.microphone_xyz_mm
        far = np.sqrt(np.sum((scan.outline.rim - np.array([x, y])) ** 2, axis=1) + z**2)
        return float(np.max(far)) * 1e-3 / SOUND_M_S + _AFTER_SWEEP_S, []
    response = np.fft.irfft(data.spectrum, data.length)[:, : int(4e-3 * data.rate_hz)]
    loud = np.abs(response) > 0.3 * np.max(np.abs(response), axis=1)[:, None]
    first = np.argmax(loud, axis=1) / data.rate_hz
    reason = "The microphone's place is not known; its farthest distance was heard in the clips."
    return float(np.quantile(first, 0.98)) + 0.1e-3 + _AFTER_SWEEP_S, [reason]


def check_grid(scan: ScanRecord, data: TapResponses) -> None:
    """Raise AnalysisError for a grid too coarse for the shortest waves that are used."""
    pitch = float(np.sqrt(scan.outline.area_mm2 / len(data.taps)))
    if pitch > 15.0:
        raise AnalysisError(
            f"The taps lie about {pitch:.0f} mm apart; the whole-plate inversion needs 14 mm.",
            where=scan.scan,
            remedy="Scan again on a grid of 9 to 12 mm.",
        )


def start_belief(scan: ScanRecord, geometry: PlateGeometry) -> tuple[Belief, list[str]]:
    """An even plate of the right mass."""
    wood, said = wood_named(scan.facts.wood)
    area = float(np.sum(geometry.weights_m2))
    mass, mean = scan.facts.mass_g, scan.facts.mean_thickness_mm
    density = wood.density_kg_m3
    reasons = [f"The constants {said}."]
    if mass is not None and mean is not None:
        density, thickness = mass * 1e-3 / (area * mean * 1e-3), mean * 1e-3
    elif mass is not None:
        thickness = mass * 1e-3 / (area * density)
    elif mean is not None:
        thickness = mean * 1e-3
    else:
        thickness = 3.3e-3 if density > 500.0 else 2.8e-3
        reasons.append(
            "Neither mass nor mean thickness is known; differences of tone do not need them, "
            "the arch's share does a little."
        )
    return (
        first_belief(
            geometry,
            thickness_m=thickness,
            density_kg_m3=density,
            stiffness=wood.stiffness(),
            shear_pa=(
                wood.ratio_shear_across * wood.e_along,
                wood.ratio_shear_along * wood.e_along,
            ),
        ),
        reasons,
    )
