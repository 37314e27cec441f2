"""May a fitted plate be believed, and how well is each spot known?"""

from __future__ import annotations

import numpy as np

from rig.field.inversion_fit import Fit
from rig.field.inversion_state import PlateGeometry
from rig.model.tone_map import Verdict
from rig.model.units import FloatArray

_CENTS = 1200.0 / np.log(2.0)
GOOD_MISFIT = 6.0
REFUSED_MISFIT = 40.0
# The formal posterior takes neighbouring rows as independent and the model as exact. Set on thin
# and on shear-soft arched plates (tests/bench/bench_inversion.py prints how well it holds).
_ROWS_PER_FACT = 2.5
_MODEL_SD_CENTS = 9.0
_MODEL_SD_PER_MISFIT = 1.7
_ARCH_SD_CENTS = 18.0  # an arch of another shape than believed
_CHANGE_SD_CENTS = 4.0


def posterior_sd_cents(geometry: PlateGeometry, fit: Fit, xy_mm: FloatArray) -> FloatArray:
    """One standard deviation of ln tone at (k, 2) places in cents, the common level left out."""
    span = fit.rows.blocks["log_thickness"]
    matrix = geometry.field.matrix(xy_mm).toarray()
    matrix = matrix - matrix.mean(axis=0)
    formal = np.einsum("ij,jk,ik->i", matrix, fit.step.covariance[span, span], matrix)
    arch = _ARCH_SD_CENTS if len(fit.belief.arch) else 0.0
    return np.asarray(
        np.sqrt(
            (_ROWS_PER_FACT * _CENTS) ** 2 * np.maximum(formal, 0.0)
            + (_MODEL_SD_CENTS + _MODEL_SD_PER_MISFIT * fit.misfit) ** 2
            + arch**2
        )
    )


def change_sd_cents(geometry: PlateGeometry, fit: Fit, xy_mm: FloatArray) -> FloatArray:
    """One standard deviation of a change in cents; common model errors are in both and cancel."""
    span = fit.rows.blocks["log_thickness"]
    matrix = geometry.field.matrix(xy_mm)
    formal = np.einsum("ij,ij->i", matrix @ fit.step.covariance[span, span], matrix.toarray())
    scaled = _ROWS_PER_FACT * _CENTS * np.sqrt(np.maximum(formal, 0.0))
    return np.asarray(np.hypot(scaled, _CHANGE_SD_CENTS))


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
