"""In-plane movements of an arched plate: cubic triangles on the bending mesh."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.plate.argyris import ArgyrisSpace

NODES = 10
UNKNOWNS = 2 * NODES
_POWERS = [(n - j, j) for n in range(4) for j in range(n + 1)]
_THIRD = 1.0 / 3.0
# Corners, two nodes on each edge (opposite corner 0, 1, 2; in the edge's own direction), middle.
_PLACES = np.array(
    [
        (0, 0), (1, 0), (0, 1),
        (2 * _THIRD, _THIRD), (_THIRD, 2 * _THIRD),
        (0, 2 * _THIRD), (0, _THIRD),
        (_THIRD, 0), (2 * _THIRD, 0),
        (_THIRD, _THIRD),
    ]
)  # fmt: skip


def _table(places: FloatArray, du: int, dv: int) -> FloatArray:
    """(k, 10) derivative of the monomials up to degree three."""
    u, v = places.T
    columns = []
    for a, b in _POWERS:
        if a < du or b < dv:
            columns.append(np.zeros(len(places)))
            continue
        factor = (a if du else 1) * (b if dv else 1)
        columns.append(factor * u ** (a - du) * v ** (b - dv))
    return np.column_stack(columns)


class InPlaneSpace:
    """Two displacements at ten nodes of every triangle; dof (m, 20) counts on after bending's.

    The first ten unknowns of a triangle are U (x), the last ten V (y).
    """

    def __init__(self, space: ArgyrisSpace) -> None:
        triangles = space.mesh.triangles
        corners, edges = len(space.mesh.points_mm), len(space.edges)
        nodes = corners + 2 * edges + len(triangles)
        columns = [triangles]
        for i in range(3):
            start, end = triangles[:, (i + 1) % 3], triangles[:, (i + 2) % 3]
            first = corners + 2 * space.edge_of[:, i] + (start > end)
            second = corners + 2 * space.edge_of[:, i] + (start < end)
            columns += [first[:, None], second[:, None]]
        columns.append(corners + 2 * edges + np.arange(len(triangles))[:, None])
        local = np.hstack(columns)
        self.size = 2 * nodes
        self.dof = space.size + np.hstack([local, nodes + local])
        a, b, c = (space.corner[:, i] * space.scale_m for i in range(3))
        self._inverse = np.linalg.inv(np.stack([b - a, c - a], axis=2))
        self._first_corner_m = a
        self._coefficients = np.linalg.inv(_table(_PLACES, 0, 0))

    def gradients(self, reference: FloatArray) -> FloatArray:
        """Slopes of the ten shapes at reference points (q, 2); (m, q, 10, 2), per metre."""
        slopes = np.stack(
            [_table(reference, 1, 0), _table(reference, 0, 1)], axis=2
        )  # (q, monomials, 2)
        slopes = np.einsum("qkr,ki->qir", slopes, self._coefficients)
        return np.asarray(np.einsum("qir,mrx->mqix", slopes, self._inverse))

    def reference_of(self, triangle: NDArray[np.intp], places_m: FloatArray) -> FloatArray:
        """(k, 2) places of the unit triangle that triangles (k,) carry to places_m (k, 2)."""
        offset = places_m - self._first_corner_m[triangle]
        return np.asarray(np.einsum("krx,kx->kr", self._inverse[triangle], offset))

    def gradients_at(self, triangle: NDArray[np.intp], reference: FloatArray) -> FloatArray:
        """Slopes of the ten shapes at one reference point in each of k triangles; (k, 10, 2)."""
        slopes = np.stack([_table(reference, 1, 0), _table(reference, 0, 1)], axis=2)
        slopes = np.einsum("kmr,mi->kir", slopes, self._coefficients)
        return np.asarray(np.einsum("kir,krx->kix", slopes, self._inverse[triangle]))

    def shapes(self, reference: FloatArray) -> FloatArray:
        """Ten cubic shapes at reference points (q, 2); (q, 10)."""
        return np.asarray(_table(reference, 0, 0) @ self._coefficients)

    def plain_strain(self, reference: FloatArray) -> FloatArray:
        """(m, q, 3, UNKNOWNS): (u_x, v_y, u_y + v_x) of the twenty in-plane unknowns."""
        slopes = self.gradients(reference)
        out = np.zeros((*slopes.shape[:2], 3, UNKNOWNS))
        out[:, :, 0, :NODES] = slopes[..., 0]
        out[:, :, 1, NODES:] = slopes[..., 1]
        out[:, :, 2, :NODES] = slopes[..., 1]
        out[:, :, 2, NODES:] = slopes[..., 0]
        return out

    def coupled_strain(
        self, reference: FloatArray, w: FloatArray, arch_curvature: FloatArray
    ) -> FloatArray:
        """Membrane strains (m, q, 3, 41) of 21 bending and 20 in-plane unknowns.

        w: (m, q, 21) bending shapes; arch_curvature (m, q, 3) = (z_xx, z_yy, 2 z_xy).
        """
        out = np.empty((*w.shape[:2], 3, 21 + UNKNOWNS))
        out[..., :21] = -arch_curvature[..., None] * w[:, :, None, :]
        out[..., 21:] = self.plain_strain(reference)
        return out

    def mass(
        self, reference: FloatArray, w: FloatArray, arch_slopes: FloatArray, load: FloatArray
    ) -> FloatArray:
        """(m, 41, 41) in-plane inertia ∫ρh|U − w∇z|²; load (m, q): weight × thickness × density."""
        shapes = self.shapes(reference)
        moved = np.zeros((*w.shape[:2], 2, 21 + UNKNOWNS))
        moved[..., :21] = -arch_slopes[..., None] * w[:, :, None, :]
        moved[:, :, 0, 21 : 21 + NODES] = shapes
        moved[:, :, 1, 21 + NODES :] = shapes
        weighted = (moved * load[:, :, None, None]).reshape(len(w), -1, 21 + UNKNOWNS)
        flat = moved.reshape(len(w), -1, 21 + UNKNOWNS)
        return np.asarray(np.matmul(flat.transpose(0, 2, 1), weighted))
