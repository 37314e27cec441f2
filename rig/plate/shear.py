"""Transverse shear of a thick or shear-soft plate: quadratic shear strains on the bending mesh.

R. D. Mindlin, "Influence of rotatory inertia and shear on flexural motions of isotropic, elastic
plates", J. Appl. Mech. 18 (1951) 31-38. With the deflection w and the shear strains γ as unknowns,
the section's rotation is ∇w − γ, so that thin plates (γ → 0) do not lock. Shear factor 5/6 after
E. Reissner, "The effect of transverse shear deformation on the bending of elastic plates",
J. Appl. Mech. 12 (1945) A69-A77.
"""

from __future__ import annotations

import numpy as np

from rig.model.units import FloatArray
from rig.plate.argyris import ArgyrisSpace

SHEAR_FACTOR = 5.0 / 6.0
_NODES = 6
UNKNOWNS = 2 * _NODES


class ShearSpace:
    """Two shear strains at the corners and edge middles of every triangle.

    dof (m, 12): the first six unknowns of a triangle are γ_x, the last six γ_y; counted from 0.
    """

    def __init__(self, space: ArgyrisSpace) -> None:
        triangles = space.mesh.triangles
        corners = len(space.mesh.points_mm)
        nodes = corners + len(space.edges)
        local = np.hstack([triangles, corners + space.edge_of])
        self.size = 2 * nodes
        self.dof = np.hstack([local, nodes + local])
        a, b, c = (space.corner[:, i] * space.scale_m for i in range(3))
        self._inverse = np.linalg.inv(np.stack([b - a, c - a], axis=2))

    def shapes(self, reference: FloatArray) -> FloatArray:
        """Six quadratic shapes at reference points (q, 2); (q, 6)."""
        share = _shares(reference)
        corner = share * (2.0 * share - 1.0)
        return np.hstack([corner, 4.0 * _opposite(share)])

    def bending(self, reference: FloatArray) -> FloatArray:
        """(m, q, 3, 12): what the shear strains add to (w_xx, w_yy, w_xy) of the rotations."""
        share = _shares(reference)[:, :, None]
        along = np.array([[-1.0, -1.0], [1.0, 0.0], [0.0, 1.0]])  # gradient of the shares
        corner = (4.0 * share - 1.0) * along
        edge = [4.0 * (share[:, i] * along[j] + share[:, j] * along[i]) for i, j in _PAIRS]
        local = np.concatenate([corner, np.stack(edge, axis=1)], axis=1)  # (q, 6, 2)
        slopes = np.einsum("qir,mrx->mqix", local, self._inverse)
        out = np.zeros((*slopes.shape[:2], 3, UNKNOWNS))
        out[:, :, 0, :_NODES] = -slopes[..., 0]
        out[:, :, 1, _NODES:] = -slopes[..., 1]
        out[:, :, 2, :_NODES] = -0.5 * slopes[..., 1]
        out[:, :, 2, _NODES:] = -0.5 * slopes[..., 0]
        return out

    def strain(self, reference: FloatArray) -> FloatArray:
        """(q, 2, 12): the shear strains themselves."""
        shapes = self.shapes(reference)
        out = np.zeros((len(reference), 2, UNKNOWNS))
        out[:, 0, :_NODES] = shapes
        out[:, 1, _NODES:] = shapes
        return out


_PAIRS = ((1, 2), (2, 0), (0, 1))  # corners of the edge opposite each corner


def _shares(reference: FloatArray) -> FloatArray:
    return np.column_stack([1.0 - reference.sum(axis=1), reference])


def _opposite(share: FloatArray) -> FloatArray:
    return np.column_stack([share[:, i] * share[:, j] for i, j in _PAIRS])
