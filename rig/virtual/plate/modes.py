"""Modes of the plate: sliced shift-invert block Lanczos, and the shapes at any place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy.sparse as sp
from scipy.linalg import cholesky, eigh, solve_triangular
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from rig.model.errors import AnalysisError
from rig.model.units import FloatArray
from rig.virtual.plate.mesh import TriangleMesh
from rig.virtual.plate.shell import ShellSystem, quartic_values

RIGID_MODES = 6  # three of them out of plane, in this order after `_settle_rigid`
_SLICES = 2
_BLOCK = 16
_LARGEST_BASIS = 800


@dataclass(frozen=True)
class PlateModes:
    """Mass-normalised modes (kg^-1/2), deflection only, ordered by frequency.

    frequencies_hz (m,): rigid motions first, as 0. nodal (n, m): unknowns of the quartic
    deflection; dofs (t, 15): those of each triangle.
    """

    frequencies_hz: FloatArray
    nodal: FloatArray
    dofs: np.ndarray
    mesh: TriangleMesh
    mass_kg: float

    def at(self, xy_mm: FloatArray) -> FloatArray:
        """Shapes (n, m) at the (n, 2) places; just outside the mesh the nearest triangle counts."""
        xy = np.atleast_2d(np.asarray(xy_mm, dtype=np.float64))
        triangle, local = self._locate(xy)
        values = quartic_values(local)
        return np.asarray(np.einsum("nk,nkm->nm", values, self.nodal[self.dofs[triangle]]))

    def sampled(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Surface integration: places (p, 2) mm, areas (p,) m², shapes (p, m)."""
        a, b = 0.445948490915965, 0.091576213509771  # Dunavant (1985), degree 4
        local = np.array(
            [[a, a], [1 - 2 * a, a], [a, 1 - 2 * a], [b, b], [1 - 2 * b, b], [b, 1 - 2 * b]]
        )
        weights = np.array([0.223381589678011] * 3 + [0.109951743655322] * 3)
        corner = self.mesh.points_mm[self.mesh.triangles]
        edge1, edge2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
        places = (
            corner[:, None, 0]
            + local[None, :, :1] * edge1[:, None]
            + local[None, :, 1:] * edge2[:, None]
        )
        areas = np.abs(self.mesh.areas_mm2)[:, None] * 1e-6 * weights[None, :]
        shapes = np.matmul(quartic_values(local)[None], self.nodal[self.dofs])
        count = self.nodal.shape[1]
        return places.reshape(-1, 2), areas.ravel(), shapes.reshape(-1, count)

    def _locate(self, xy: FloatArray) -> tuple[np.ndarray, FloatArray]:
        corner = self.mesh.points_mm[self.mesh.triangles]
        near = (
            cKDTree(corner.mean(axis=1)).query(xy, k=min(12, len(corner)))[1].reshape(len(xy), -1)
        )
        origin = corner[near, 0]
        edge1, edge2 = corner[near, 1] - origin, corner[near, 2] - origin
        offset = xy[:, None, :] - origin
        det = edge1[..., 0] * edge2[..., 1] - edge1[..., 1] * edge2[..., 0]
        s = (offset[..., 0] * edge2[..., 1] - offset[..., 1] * edge2[..., 0]) / det
        t = (edge1[..., 0] * offset[..., 1] - edge1[..., 1] * offset[..., 0]) / det
        inside = np.min(np.stack([s, t, 1.0 - s - t]), axis=0)
        best = np.argmax(inside, axis=1)
        row = np.arange(len(xy))
        return near[row, best], np.column_stack([s[row, best], t[row, best]])


def solve(system: ShellSystem, top_hz: float) -> PlateModes:
    """All modes up to `top_hz`.

    The spectrum is cut into slices, each found by block Lanczos on (K − σM)⁻¹M about its own
    shift σ (Ericsson and Ruhe, Math. Comp. 35 (1980) 1251; Grimes, Lewis and Simon, SIAM J.
    Matrix Anal. 15 (1994) 228). Sylvester's law of inertia numbers the modes of every slice and
    counts all below the top, so that none is lost or counted twice; else AnalysisError.
    """
    edges = np.linspace(0.0, (2.0 * np.pi * 1.002 * top_hz), _SLICES + 1) ** 2
    edges[0] = -0.02 * edges[1]  # rounding leaves the rigid motions a little off zero
    found: dict[int, tuple[float, FloatArray]] = {}
    for low, high in pairwise(edges.tolist()):
        first, values, vectors = _slice(system.stiffness, system.mass, low, high)
        for k, value in enumerate(values):
            entry = (float(value), vectors[: system.deflection_count, k])
            known = found.setdefault(first + k, entry)
            if abs(known[0] - entry[0]) > 1e-5 * high:
                raise AnalysisError("Two slices of the virtual plate's spectrum disagree.")
    numbers = sorted(found)
    top = float((2.0 * np.pi * top_hz) ** 2)
    keep = [n for n in numbers if found[n][0] <= top]
    below_top, _solver = _factored(system.stiffness, system.mass, top)
    if numbers != list(range(len(numbers))) or len(keep) != below_top:
        raise AnalysisError("Modes of the virtual plate were missed.")
    frequencies = np.sqrt(np.maximum([found[n][0] for n in keep], 0.0)) / (2.0 * np.pi)
    frequencies[:RIGID_MODES] = 0.0
    nodal = np.column_stack([found[n][1] for n in keep])
    return PlateModes(frequencies, nodal, system.deflection_dofs, system.mesh, system.mass_kg)


def _slice(
    stiffness: sp.csc_matrix, mass: sp.csc_matrix, low: float, high: float
) -> tuple[int, FloatArray, FloatArray]:
    """Number of the first mode, eigenvalues ω² in order, and vectors from `low` past `high`."""
    shift = 0.5 * (low + high)
    below, solve_shifted = _factored(stiffness, mass, shift)
    values, vectors = _block_lanczos(solve_shifted, mass.tocsr(), shift, 0.5 * (high - low))
    first = below - int(np.count_nonzero(values < shift))
    return first, values, vectors


def _factored(
    stiffness: sp.csc_matrix, mass: sp.csc_matrix, shift: float
) -> tuple[int, Callable[[FloatArray], FloatArray]]:
    """How many eigenvalues lie below the shift, and the solver of (K − σM)x = b."""
    factor = splu(
        (stiffness - shift * mass).tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    if not np.array_equal(factor.perm_r, factor.perm_c):
        raise AnalysisError("The virtual plate's matrix needed pivoting; a shift is on a mode.")
    return int(np.count_nonzero(factor.U.diagonal() < 0.0)), factor.solve


def _block_lanczos(
    solve_shifted: Callable[[FloatArray], FloatArray],
    mass: sp.csr_matrix,
    shift: float,
    radius: float,
) -> tuple[FloatArray, FloatArray]:
    """Every eigenpair within `radius` of the shift and at least one beyond, in order.

    Full reorthogonalisation in the mass inner product; a pair counts as found when its residual
    is below 1e-6 of its own value, which leaves the eigenvalue itself exact to about 1e-12.
    """
    size, block = mass.shape[0], _BLOCK
    start = np.random.default_rng(20).standard_normal((size, block))
    basis = np.empty((size, _LARGEST_BASIS), order="F")
    weighed = np.empty((size, _LARGEST_BASIS), order="F")  # M times the basis
    projected = np.zeros((_LARGEST_BASIS, _LARGEST_BASIS))
    fresh = _orthonormal(solve_shifted(np.asfortranarray(mass @ start)), mass)[0]
    fresh, fresh_weighed, _ = _orthonormal(fresh, mass)
    count = block
    basis[:, :count], weighed[:, :count] = fresh, fresh_weighed
    while True:
        last = count - block
        fresh = solve_shifted(np.asfortranarray(weighed[:, last:count]))
        for _pass in range(2):
            overlap = weighed[:, :count].T @ fresh
            fresh = fresh - basis[:, :count] @ overlap
            projected[:count, last:count] += overlap
        projected[last:count, :last] = projected[:last, last:count].T
        fresh, fresh_weighed, corner = _orthonormal(fresh, mass)
        full = count + block > min(_LARGEST_BASIS, size)
        if full or (count // block) % 4 == 0:
            inverse, ritz = eigh(projected[:count, :count])
            order = np.argsort(-np.abs(inverse))
            residual = np.linalg.norm(corner @ ritz[last:count][:, order], axis=0)
            settled = residual < 1e-6 * np.abs(inverse[order])
            good = len(settled) if settled.all() else int(np.argmin(settled))
            if good and abs(1.0 / inverse[order[good - 1]]) > radius:
                chosen = order[:good]
                values = shift + 1.0 / inverse[chosen]
                chosen, values = chosen[np.argsort(values)], np.sort(values)
                return values, np.asarray(basis[:, :count] @ ritz[:, chosen])
            if full:
                raise AnalysisError("The modes of the virtual plate did not settle.")
        basis[:, count : count + block] = fresh
        weighed[:, count : count + block] = fresh_weighed
        count += block


def _orthonormal(
    vectors: FloatArray, mass: sp.csr_matrix
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Q, M·Q and R of vectors = Q·R with QᵀMQ = 1 (Cholesky of the Gram matrix)."""
    weighed = mass @ np.ascontiguousarray(vectors)
    corner = cholesky(vectors.T @ weighed)
    basis = solve_triangular(corner, vectors.T, trans="T").T
    return basis, solve_triangular(corner, weighed.T, trans="T").T, corner
