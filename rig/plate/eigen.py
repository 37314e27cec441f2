"""Lowest modes of a sparse symmetric pencil K x = λ M x."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from rig.model.units import FloatArray


def lowest_modes(
    k: sparse.csc_matrix,
    mass: sparse.csc_matrix,
    count: int,
    *,
    start: FloatArray | None = None,
    tolerance: float = 1e-9,
) -> tuple[FloatArray, FloatArray]:
    """Return `count` smallest eigenvalues, rising, and M-orthonormal vectors.

    Shift-and-invert Lanczos about a small negative shift, since the free plate has rigid
    movements at 0.
    """
    from scipy.sparse.linalg import LinearOperator, eigsh, splu

    shift = -((2.0 * np.pi * 60.0) ** 2)
    factor = splu(
        (k - shift * mass).tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        options={"SymmetricMode": True},
        diag_pivot_thresh=0.01,
    )
    solve = LinearOperator(k.shape, matvec=factor.solve, dtype=np.float64)
    first = np.ones(k.shape[0]) if start is None else start.sum(axis=1)
    values, vectors = eigsh(
        k,
        count,
        M=mass,
        sigma=shift,
        OPinv=solve,
        v0=first,
        tol=tolerance,
        ncv=min(k.shape[0] - 1, int(1.6 * count) + 20),
    )
    order = np.argsort(values)
    return values[order], vectors[:, order]
