"""One damped step: weighted, prior-bound least squares with a hard mass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.inversion_system import Rows
from rig.model.units import FloatArray

_STUDENT = 4.0
_MEDIAN_OF_CHI2 = 0.4549  # of one degree of freedom


@dataclass(frozen=True)
class Step:
    """change (unknowns,); misfit: χ² per near-resonant row of the linearised fit, before: at the
    belief itself; covariance (unknowns, unknowns): posterior, scaled by the χ² of all rows.
    """

    change: FloatArray
    misfit: float
    before: float
    covariance: FloatArray


def _weighted_normal(jac: NDArray[np.float32], weights: FloatArray) -> FloatArray:
    """J W J' in pieces, so that no second copy of J is needed."""
    out = np.zeros((len(jac), len(jac)))
    root = np.sqrt(weights).astype(np.float32)
    for start in range(0, jac.shape[1], 8192):
        piece = jac[:, start : start + 8192] * root[start : start + 8192]
        out += piece @ piece.T
    return out


def _row_misfit(residual: FloatArray) -> float:
    """χ² per row, from the median square so that a few wild rows do not decide it."""
    return float(np.median(residual**2) / _MEDIAN_OF_CHI2)


def solve_step(
    rows: Rows,
    prior_precision: FloatArray,
    offset: FloatArray,
    *,
    passes: int = 2,
) -> Step:
    """Minimise Σ ρ(r + J x) / T + (x + offset)' P (x + offset).

    prior_precision (unknowns, unknowns); offset: belief minus prior mean. Student-t weights with
    4 degrees of freedom; T = max(1, χ² per row), so that a misfit loosens the data. The rows'
    jacobian is scaled in place.
    """
    jac = rows.jacobian
    scale = 1.0 / np.sqrt(rows.variance)
    residual = rows.residual * scale
    jac *= scale.astype(np.float32)  # in place: the largest array of the whole fit
    change = np.zeros(len(jac))
    before = _row_misfit(residual[rows.near_resonance])
    # The weights are relative to the present misfit: a belief far off must not keep only the rows
    # that agree with it by chance.
    temper = max(1.0, _row_misfit(residual))
    weights = (_STUDENT + 1.0) / (_STUDENT + residual**2 / temper)
    system = np.empty((len(jac), len(jac)))
    left = residual
    for _ in range(passes):
        normal = _weighted_normal(jac, weights)
        slope = np.asarray(jac @ (weights * residual).astype(np.float32), dtype=np.float64)
        system = normal / temper + prior_precision
        right = slope / temper + prior_precision @ offset
        change = np.asarray(-np.linalg.solve(system, right), dtype=np.float64)
        left = residual + change.astype(np.float32) @ jac
        temper = max(1.0, _row_misfit(left))
        weights = (_STUDENT + 1.0) / (_STUDENT + left**2 / temper)
    misfit = _row_misfit(left[rows.near_resonance])
    return Step(
        change=change,
        misfit=misfit,
        before=before,
        covariance=np.asarray(np.linalg.inv(system), dtype=np.float64),
    )
