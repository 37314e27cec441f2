"""Modes of the plate: sliced shift-invert Lanczos, and the shapes at any place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import LinearOperator, eigsh, splu
from scipy.spatial import cKDTree

from rig.model.errors import AnalysisError
from rig.model.units import FloatArray
from rig.virtual.plate.mesh import TriangleMesh
from rig.virtual.plate.shell import ShellSystem, quartic_values

RIGID_MODES = 6  # three of them out of plane, in this order after `_settle_rigid`
_SLICE = 48


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

    The spectrum is cut into slices of about 48 modes, each by shift-invert Lanczos (Ericsson and
    Ruhe, Math. Comp. 35 (1980) 1251). Sylvester's law of inertia numbers the modes of every
    slice, so that none is lost or counted twice between slices. Raises AnalysisError if a gap
    cannot be closed.
    """
    found: dict[int, tuple[float, FloatArray]] = {}
    shift_hz = 0.11 * top_hz
    for _attempt in range(40):
        first, values, vectors = _slice(system.stiffness, system.mass, shift_hz)
        hz = np.sqrt(np.maximum(values, 0.0)) / (2.0 * np.pi)
        for k, frequency in enumerate(hz):
            found.setdefault(first + k, (float(frequency), vectors[: system.deflection_count, k]))
        numbers = sorted(found)
        gap = next((n for n in range(len(numbers)) if numbers[n] != n), None)
        if gap is not None:  # overshot: fill between the neighbours of the gap
            below = found[numbers[gap - 1]][0] if gap else 0.0
            shift_hz = 0.5 * (below + found[numbers[gap]][0])
            continue
        highest = found[numbers[-1]][0]
        if highest >= top_hz:
            break
        half_width = float(hz[-1]) - shift_hz
        shift_hz = highest + 0.93 * half_width
    else:
        raise AnalysisError("The modes of the virtual plate could not all be found.")
    keep = [n for n in sorted(found) if found[n][0] <= top_hz]
    frequencies = np.array([found[n][0] for n in keep])
    nodal = np.column_stack([found[n][1] for n in keep])
    frequencies[:RIGID_MODES] = 0.0
    return PlateModes(frequencies, nodal, system.deflection_dofs, system.mesh, system.mass_kg)


def _slice(
    stiffness: sp.csc_matrix, mass: sp.csc_matrix, shift_hz: float
) -> tuple[int, FloatArray, FloatArray]:
    """Number of the first mode, eigenvalues ω² in order, and vectors nearest the shift."""
    shift = (2.0 * np.pi * shift_hz) ** 2
    factor = splu(
        (stiffness - shift * mass).tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    if not np.array_equal(factor.perm_r, factor.perm_c):
        raise AnalysisError("The virtual plate's matrix needed pivoting; shift is on a mode.")
    below = int(np.count_nonzero(factor.U.diagonal() < 0.0))
    size = stiffness.shape[0]
    start = np.random.default_rng(20).standard_normal(size)
    values, vectors = eigsh(
        stiffness,
        k=min(_SLICE, size - 2),
        M=mass,
        sigma=shift,
        v0=start,
        OPinv=LinearOperator((size, size), matvec=factor.solve, dtype=np.float64),
    )
    order = np.argsort(values)
    values, vectors = values[order], vectors[:, order]
    first = below - int(np.count_nonzero(values < shift))
    return first, values, vectors
