"""What a little wood more or less does to the plate's partials (first order)."""

from __future__ import annotations

import numpy as np

from rig.model.units import FloatArray
from rig.plate.plate_model import PlateModes
from rig.plate.wood import Stiffness


def thickness_sensitivity(
    modes: PlateModes,
    xy_mm: FloatArray,
    thickness_m: FloatArray,
    stiffness: Stiffness,
    density_kg_m3: float,
) -> FloatArray:
    """Kernel g so that δ ln f_m = ∫ g_m δh dS; (k, n) per m³, zero for the rigid movements.

    g = ½ [(h²/4) κ:C:κ / ω² − ρ φ²] with mass-normalised φ (Rayleigh's principle; Lord Rayleigh,
    The Theory of Sound, §90). thickness_m (k,) at the places. For an arched plate this is the
    bending part only.
    """
    kappa = np.stack([modes.at(xy_mm, 2, 0), modes.at(xy_mm, 0, 2), modes.at(xy_mm, 1, 1)])
    phi = modes.at(xy_mm)
    energy = np.einsum("akm,ab,bkm->km", kappa, stiffness.bending_matrix(), kappa)
    flexible = modes.omega2 > 0
    out = np.zeros_like(phi)
    bending = (thickness_m**2 / 4.0)[:, None] * energy[:, flexible] / modes.omega2[flexible]
    out[:, flexible] = 0.5 * (bending - density_kg_m3 * phi[:, flexible] ** 2)
    return out
