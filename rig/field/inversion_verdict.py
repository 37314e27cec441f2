"""May a fitted plate be believed, and how well is each spot known?"""

from __future__ import annotations

import numpy as np

from rig.field.inversion_fit import Fit
from rig.field.inversion_state import Belief, PlateGeometry
from rig.model.tone_map import Verdict
from rig.model.units import FloatArray

_CENTS = 1200.0 / np.log(2.0)
GOOD_MISFIT = 10.0
REFUSED_MISFIT = 40.0
# Set on thin and on shear-soft arched plates, by pickup and by sound, one strike and three
# (tests/bench/bench_inversion.py prints how well it holds on others): the formal posterior, which
# takes the model as exact, is short of the error by a factor; a little is common to all plates.
_FORMAL_FACTOR = 5.5
_MODEL_SD_CENTS = 8.0
_MOST_SPREAD = 1.4  # of ln thickness: thickest four times the thinnest
_MOST_RATIO = 1.0  # of ln constants against each other, from the handbook's
IMPLAUSIBLE = (
    "The fit ended at a plate that cannot be; its thickness or constants are out of reach."
)


def posterior_sd_cents(geometry: PlateGeometry, fit: Fit, xy_mm: FloatArray) -> FloatArray:
    """One standard deviation of ln tone at (k, 2) places in cents, the common level left out."""
    span = fit.rows.blocks["log_thickness"]
    matrix = geometry.field.matrix(xy_mm).toarray()
    matrix = matrix - matrix.mean(axis=0)
    formal = np.einsum("ij,jk,ik->i", matrix, fit.step.covariance[span, span], matrix)
    scaled = _FORMAL_FACTOR * _CENTS * np.sqrt(np.maximum(formal, 0.0))
    return np.asarray(np.hypot(scaled, _MODEL_SD_CENTS))


def plausible(geometry: PlateGeometry, fit: Fit, start: Belief) -> bool:
    """Is this a plate that can be: thickness within a factor of its own middle, usual ratios?"""
    thickness = geometry.on_places @ fit.belief.log_thickness
    spread = np.quantile(thickness, 0.99) - np.quantile(thickness, 0.01)
    ratios = np.log(fit.belief.stiffness.as_array() / start.stiffness.as_array())[[0, 1, 3]]
    return bool(spread < _MOST_SPREAD and np.ptp(ratios) < _MOST_RATIO)


def judge(fit: Fit, *, arched: bool) -> tuple[Verdict, list[str]]:
    """Good, use with care or refused, from the misfit per row."""
    misfit = fit.misfit
    if misfit > REFUSED_MISFIT:
        remedy = "" if arched else " If the plate is arched, enter the height of its crown."
        return "refused", [
            f"The taps do not fit any plate of this outline (misfit {misfit:.1f} per row).{remedy}"
        ]
    if misfit > GOOD_MISFIT:
        return "use with care", [f"The fit leaves more than noise (misfit {misfit:.1f} per row)."]
    return "good", []
