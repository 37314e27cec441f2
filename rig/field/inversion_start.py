"""Before the fit: is the grid dense enough, when is the plate free, where does the fit start?"""

from __future__ import annotations

import numpy as np

from rig.field.inversion_data import SOUND_M_S, TapResponses
from rig.field.inversion_fit import first_belief
from rig.field.inversion_state import Belief, PlateGeometry
from rig.model.errors import AnalysisError
from rig.model.outline import Outline
from rig.model.scan_record import ScanRecord
from rig.model.units import FloatArray
from rig.plate.bars import bar_mass_kg
from rig.plate.wood import wood_named

_AFTER_SWEEP_S = 0.9e-3
_OFF_WOOD_MM = 4.0
_NEAR_MM = 18.0
_MOST_BARE = 0.10
_LEAST_SHARE = 0.5  # of the weighed mass that is the plate's, whatever its bars are told to be


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
    """Raise AnalysisError for taps off the wood, gaps, or a grid too coarse for the waves used."""
    outside = ~scan.outline.contains(data.places_mm)
    outside[outside] = scan.outline.edge_distance_mm(data.places_mm[outside]) > _OFF_WOOD_MM
    if np.mean(outside) > 0.05:
        raise AnalysisError(
            f"{int(np.sum(outside))} of {len(data.taps)} taps lie off the plate's outline.",
            where=scan.scan,
            remedy="Check the outline and the plate's place on the bed.",
        )
    pitch = float(np.sqrt(scan.outline.area_mm2 / len(data.taps)))
    if pitch > 15.0:
        raise AnalysisError(
            f"The taps lie about {pitch:.0f} mm apart; the whole-plate inversion needs 14 mm.",
            where=scan.scan,
            remedy="Scan again on a grid of 9 to 12 mm.",
        )
    bare = _bare_share(scan.outline, data.places_mm)
    if bare > _MOST_BARE:
        raise AnalysisError(
            f"{100 * bare:.0f} % of the plate lies more than {_NEAR_MM:.0f} mm from any tap.",
            where=scan.scan,
            remedy="Tap the rest of the plate too; the whole-plate inversion needs all of it.",
        )


def _bare_share(outline: Outline, places_mm: FloatArray) -> float:
    """Share of the wood without a tap nearby."""
    from scipy.spatial import cKDTree

    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    x, y = np.meshgrid(*(np.arange(low[k], high[k], 4.0) for k in range(2)))
    wood = np.column_stack([x.ravel(), y.ravel()])
    wood = wood[outline.contains(wood)]
    gap = cKDTree(places_mm).query(wood)[0]
    return float(np.mean(gap > _NEAR_MM))


def start_belief(scan: ScanRecord, geometry: PlateGeometry) -> tuple[Belief, list[str]]:
    """An even plate of the right mass, its bars left out."""
    wood, said = wood_named(scan.facts.wood)
    area = float(np.sum(geometry.weights_m2))
    mass, mean = scan.facts.mass_g, scan.facts.mean_thickness_mm
    density = wood.density_kg_m3
    reasons = [f"The constants {said}."]
    bars = tuple(line.bar for line in geometry.bars)
    if bars:
        many = len(bars) > 1
        reasons.append(
            f"{'Bars' if many else 'A bar'} glued inside {'are' if many else 'is'} in the model: "
            f"the tone is of the plate's own wood, not of the {'bars' if many else 'bar'}."
        )
    if mass is not None and bars:
        glued = 1e3 * sum(bar_mass_kg(bar) for bar in bars)
        mass = max(mass - glued, _LEAST_SHARE * mass)
        reasons.append(f"About {glued:.0f} g of the weighed mass are taken to be glued on.")
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
