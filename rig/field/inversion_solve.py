"""One damped step: weighted, prior-bound least squares with a hard mass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.halves import side_by_side
from rig.field.inversion_system import Rows
from rig.model.units import FloatArray

_STUDENT = 4.0
_PIECE = 2048
# Single-precision products leave noise of this size, as a share of the diagonal; a direction of
# which the data know less must follow its prior and not the noise.
_ROUNDING = 1e-6
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


def _normal_equations(
    jac: NDArray[np.float32], weights: FloatArray, residual: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """J W J' and J W r in short pieces: no second copy of J, and sums in double precision."""
    root = np.sqrt(weights)
    single, right = root.astype(np.float32), (root * residual).astype(np.float32)
    matrix, slope = np.zeros((len(jac), len(jac))), np.zeros(len(jac))

    def products(start: int) -> tuple[NDArray[np.float32], FloatArray]:
        span = slice(start, start + _PIECE)
        piece = jac[:, span] * single[span]
        return np.asarray(piece @ piece.T), np.asarray(piece @ right[span], dtype=np.float64)

    starts = range(0, jac.shape[1], _PIECE)
    for first in range(0, len(starts), 8):  # a few at a time: every product is a whole matrix
        for square, part in side_by_side(products, starts[first : first + 8]):
            matrix += square
            slope += part
    return matrix, slope


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
        normal, slope = _normal_equations(jac, weights, residual)
        index = np.diag_indices(len(jac))
        normal[index] *= 1.0 + _ROUNDING
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
