"""In-plane movements of an arched plate: quadratic triangles on the bending mesh."""

from __future__ import annotations

import numpy as np

from rig.model.units import FloatArray
from rig.plate.argyris import ArgyrisSpace


class InPlaneSpace:
    """Two displacements at corners and edge middles; dof (m, 12) counts on after bending's.

    The first six unknowns of a triangle are u (x), the last six v (y).
    """

    def __init__(self, space: ArgyrisSpace) -> None:
        corners = len(space.mesh.points_mm)
        nodes = corners + len(space.edges)
        local = np.hstack([space.mesh.triangles, corners + space.edge_of])
        self.size = 2 * nodes
        self.dof = space.size + np.hstack([local, nodes + local])
        a, b, c = (space.corner[:, i] * space.scale_m for i in range(3))
        jacobian = np.stack([b - a, c - a], axis=2)  # columns: along u, along v
        self._inverse = np.linalg.inv(jacobian)

    def gradients(self, reference: FloatArray) -> FloatArray:
        """Slopes of the six shapes at reference points (q, 2); (m, q, 6, 2), per metre."""
        u, v = reference[:, 0], reference[:, 1]
        w = 1.0 - u - v
        zero = np.zeros_like(u)
        by_u = np.stack([1 - 4 * w, 4 * u - 1, zero, 4 * v, -4 * v, 4 * (w - u)], axis=1)
        by_v = np.stack([1 - 4 * w, zero, 4 * v - 1, 4 * u, 4 * (w - v), -4 * u], axis=1)
        reference_slopes = np.stack([by_u, by_v], axis=2)  # (q, 6, 2)
        return np.asarray(np.einsum("qir,mrx->mqix", reference_slopes, self._inverse))

    @staticmethod
    def shapes(reference: FloatArray) -> FloatArray:
        """Six quadratic shapes at reference points (q, 2); (q, 6)."""
        u, v = reference[:, 0], reference[:, 1]
        w = 1.0 - u - v
        return np.stack(
            [w * (2 * w - 1), u * (2 * u - 1), v * (2 * v - 1), 4 * u * v, 4 * v * w, 4 * w * u],
            axis=1,
        )

    def plain_strain(self, reference: FloatArray) -> FloatArray:
        """(m, q, 3, 12): (u_x, v_y, u_y + v_x) of the twelve in-plane unknowns."""
        slopes = self.gradients(reference)
        out = np.zeros((*slopes.shape[:2], 3, 12))
        out[:, :, 0, :6] = slopes[..., 0]
        out[:, :, 1, 6:] = slopes[..., 1]
        out[:, :, 2, :6] = slopes[..., 1]
        out[:, :, 2, 6:] = slopes[..., 0]
        return out

    def coupled_strain(
        self,
        reference: FloatArray,
        slopes: tuple[FloatArray, FloatArray],
        arch_slopes: FloatArray,
    ) -> FloatArray:
        """Membrane strains (m, q, 3, 33) of 21 bending and 12 in-plane unknowns.

        slopes: (m, q, 21) each, w_x and w_y of the bending shapes; arch_slopes (m, q, 2).
        """
        w_x, w_y = slopes
        z_x, z_y = arch_slopes[..., 0, None], arch_slopes[..., 1, None]
        out = np.zeros((*w_x.shape[:2], 3, 33))
        out[:, :, 0, :21] = z_x * w_x
        out[:, :, 1, :21] = z_y * w_y
        out[:, :, 2, :21] = z_x * w_y + z_y * w_x
        out[..., 21:] = self.plain_strain(reference)
        return out

    def mass(self, reference: FloatArray, load: FloatArray) -> FloatArray:
        """(m, 12, 12) in-plane inertia; load (m, q): weight × thickness × density."""
        shapes = self.shapes(reference)
        one = np.einsum("mq,qi,qj->mij", load, shapes, shapes)
        out = np.zeros((len(load), 12, 12))
        out[:, :6, :6] = one
        out[:, 6:, 6:] = one
        return out
