"""Lowest modes of a sparse symmetric pencil K x = λ M x."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import sparse

from rig.model.units import FloatArray

_SHIFT = -((2.0 * np.pi * 60.0) ** 2)  # the free plate has rigid movements at 0


def lowest_modes(
    k: sparse.csc_matrix,
    mass: sparse.csc_matrix,
    count: int,
    *,
    start: FloatArray | None = None,
    tolerance: float = 1e-9,
) -> tuple[FloatArray, FloatArray]:
    """Return `count` smallest eigenvalues, rising, and M-orthonormal vectors.

    Shift-and-invert Lanczos; with at least `count` vectors of a similar plate in `start`, one step
    of block inverse iteration with a Rayleigh-Ritz solution in the doubled space, which leaves an
    error of second order in the difference of the plates (larger for the last tenth of the modes).
    """
    from scipy.sparse.linalg import splu

    factor = splu(
        (k - _SHIFT * mass).tocsc(),
        permc_spec="COLAMD",
        options={"SymmetricMode": True},
        diag_pivot_thresh=0.0,
    )
    if start is not None and start.shape[1] >= count:
        values, vectors = _refined(k, mass, start, factor.solve)
        return values[:count], vectors[:, :count]
    return _lanczos(k, mass, count, factor.solve, tolerance)


def _lanczos(
    k: sparse.csc_matrix,
    mass: sparse.csc_matrix,
    count: int,
    solve: Callable[[FloatArray], FloatArray],
    tolerance: float,
) -> tuple[FloatArray, FloatArray]:
    from scipy.sparse.linalg import LinearOperator, eigsh

    values, vectors = eigsh(
        k,
        count,
        M=mass,
        sigma=_SHIFT,
        OPinv=LinearOperator(k.shape, matvec=solve, dtype=np.float64),
        v0=np.ones(k.shape[0]),
        tol=tolerance,
        ncv=min(k.shape[0] - 1, int(1.6 * count) + 20),
    )
    order = np.argsort(values)
    return values[order], vectors[:, order]


def _refined(
    k: sparse.csc_matrix,
    mass: sparse.csc_matrix,
    start: FloatArray,
    solve: Callable[[FloatArray], FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Rayleigh-Ritz in the span of `start` and of its inverse iterate."""
    from scipy.linalg import eigh

    basis = start
    weighed = mass @ basis
    corner = np.linalg.inv(np.linalg.cholesky(basis.T @ weighed))
    basis, weighed = basis @ corner.T, np.ascontiguousarray(weighed @ corner.T)
    further = solve(weighed)
    for _ in range(2):  # twice, since `further` lies almost in the span of `basis`
        further = further - basis @ (weighed.T @ further)
    gram = further.T @ (mass @ further)
    size = 1.0 / np.sqrt(np.maximum(np.diag(gram), 1e-300))
    spread, turn = np.linalg.eigh(gram * np.outer(size, size))
    solid = spread > 1e-8 * spread[-1]
    further = further @ (size[:, None] * turn[:, solid] / np.sqrt(spread[solid]))
    both = np.hstack([basis, further])
    small_k = both.T @ (k @ both)
    small_m = both.T @ (mass @ both)
    values, turn = eigh(
        0.5 * (small_k + small_k.T),
        0.5 * (small_m + small_m.T),
        subset_by_index=(0, basis.shape[1] - 1),
    )
    return np.asarray(values), np.asarray(both @ turn)
