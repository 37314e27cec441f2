"""Lowest modes of a sparse symmetric pencil K x = λ M x."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from scipy import sparse

from rig.model.units import FloatArray

_SHIFT = -((2.0 * np.pi * 60.0) ** 2)  # the free plate has rigid movements at 0
_PARTS = 2  # of a block solve; always two, so that every machine computes the same bits
_NEGLIGIBLE = 1e-11  # of the largest direction in a basis


def lowest_modes(
    k: sparse.csc_matrix,
    mass: sparse.csc_matrix,
    count: int,
    *,
    start: FloatArray | None = None,
    rounds: int = 1,
    tolerance: float = 1e-9,
) -> tuple[FloatArray, FloatArray]:
    """Return `count` smallest eigenvalues, rising, and M-orthonormal vectors.

    Shift-and-invert Lanczos; with at least `count` vectors of a similar plate in `start`, `rounds`
    steps of block inverse iteration, each with a Rayleigh-Ritz solution in the doubled space,
    which leaves an error of second order in the difference of the plates, larger for the last
    modes: give a fifth more than wanted; as many as in `start` come back. A block of solutions
    costs a fifth of as many single ones.
    """
    from scipy.sparse.linalg import splu

    factor = splu(
        (k - _SHIFT * mass).tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        options={"SymmetricMode": True},
        diag_pivot_thresh=0.0,
    )
    if start is None or start.shape[1] < count:
        return _lanczos(k, mass, count, factor.solve, tolerance)
    vectors = start
    for _ in range(rounds):
        values, vectors = _refined(k, mass, vectors, factor.solve)
    return values, vectors


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
    """Rayleigh-Ritz in the span of `start` and of its inverse iterate.

    The second half of the basis is d = (λ − s)(K − s M)⁻¹ M x − x, which vanishes for a mode.
    """
    from scipy.linalg import eigh

    count = start.shape[1]
    with ThreadPoolExecutor(_PARTS) as pool:

        def by_parts(
            operation: Callable[[FloatArray], FloatArray], columns: FloatArray
        ) -> FloatArray:
            parts = np.array_split(columns, _PARTS, axis=1)
            return np.hstack(list(pool.map(operation, parts)))

        m_start = np.asarray(mass @ start)
        k_start = np.asarray(k @ start)
        size = np.einsum("ij,ij->j", start, m_start)
        above = np.einsum("ij,ij->j", start, k_start) / size - _SHIFT
        inverse = by_parts(lambda part: solve(np.asfortranarray(part)), m_start)
        change = inverse * above - start
        m_change = np.asarray(mass @ change)
        length = np.sqrt(np.maximum(np.einsum("ij,ij->j", change, m_change), 1e-300) / size)
        change /= length
        basis = np.hstack([start, change])
        m_basis = np.hstack([m_start, m_change / length])
        # K times the change itself: by way of M x it would carry the solver's rounding.
        k_basis = np.hstack([k_start, np.asarray(k @ change)])
        small_m = by_parts(lambda part: basis.T @ part, m_basis)
        small_k = by_parts(lambda part: basis.T @ part, k_basis)
        # Sought as the largest 1 / (λ − s) in the norm of K − s M: there the few directions that
        # are mere rounding, of enormous stiffness, do not drown the lowest modes.
        small_k = small_k - _SHIFT * small_m
        unit = 1.0 / np.sqrt(np.diag(small_k))
        scale = np.outer(unit, unit)
        spread, turn = eigh(0.5 * (small_k + small_k.T) * scale)
        solid = spread > _NEGLIGIBLE * spread[-1]
        frame = unit[:, None] * turn[:, solid] / np.sqrt(spread[solid])
        inner = frame.T @ (0.5 * (small_m + small_m.T)) @ frame
        last = len(inner) - 1
        shares, rotation = eigh(0.5 * (inner + inner.T), subset_by_index=(last - count + 1, last))
        shares, rotation = shares[::-1], rotation[:, ::-1]
        values = 1.0 / shares + _SHIFT
        vectors = by_parts(lambda part: basis @ part, frame @ (rotation / np.sqrt(shares)))
    return np.asarray(values), vectors
