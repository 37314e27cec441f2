"""Argyris triangle: complete quintics with continuous slopes, for plates in bending.

J. H. Argyris, I. Fried and D. W. Scharpf, "The TUBA family of plate elements for the matrix
displacement method", Aeronautical Journal 72 (1968) 701-709. 21 unknowns per triangle: w, its two
slopes and three second derivatives at each corner, the normal slope at each edge's middle.
All lengths inside are in units of `scale_m`, so that the unknowns are of one size.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.plate.mesh import PlateMesh

_POWERS = np.array([(n - j, j) for n in range(6) for j in range(n + 1)])  # (21, 2)
_CORNER_DERIVATIVES = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))


def monomials(x: FloatArray, y: FloatArray, dx: int, dy: int) -> FloatArray:
    """The (dx, dy) derivative of the 21 monomials up to degree five at (...); (..., 21)."""
    out = np.zeros((*x.shape, 21))
    x_powers = [np.ones_like(x)]
    y_powers = [np.ones_like(y)]
    for _ in range(5):
        x_powers.append(x_powers[-1] * x)
        y_powers.append(y_powers[-1] * y)
    for k, (a, b) in enumerate(_POWERS):
        if a < dx or b < dy:
            continue
        factor = np.prod(np.arange(a - dx + 1, a + 1)) * np.prod(np.arange(b - dy + 1, b + 1))
        out[..., k] = factor * x_powers[a - dx] * y_powers[b - dy]
    return out


class ArgyrisSpace:
    """Shape functions of every triangle of a mesh, and how their unknowns are numbered.

    dof (m, 21): global unknowns of each triangle; coefficients (m, 21, 21): monomials × shapes,
    about each triangle's own middle, lengths in `scale_m`.
    """

    def __init__(self, mesh: PlateMesh) -> None:
        self.mesh = mesh
        points_m = mesh.points_mm * 1e-3
        triangles = mesh.triangles
        edges = np.stack([triangles[:, [1, 2]], triangles[:, [2, 0]], triangles[:, [0, 1]]], 1)
        ordered = np.sort(edges.reshape(-1, 2), axis=1)
        unique_edges, edge_of = np.unique(ordered, axis=0, return_inverse=True)
        edge_of = edge_of.reshape(-1, 3)
        lengths = np.hypot(*(points_m[unique_edges[:, 1]] - points_m[unique_edges[:, 0]]).T)
        self.scale_m = float(np.median(lengths))
        self.edges = unique_edges
        self.edge_of: NDArray[np.intp] = edge_of
        self.size = 6 * len(points_m) + len(unique_edges)
        corner_dof = 6 * triangles[:, :, None] + np.arange(6)
        self.dof = np.concatenate([corner_dof.reshape(-1, 18), 6 * len(points_m) + edge_of], axis=1)
        self.corner = points_m[triangles] / self.scale_m  # (m, 3, 2)
        self.middle = self.corner.mean(axis=1)
        self.coefficients = np.linalg.inv(self._functionals(points_m / self.scale_m))

    def _functionals(self, points: FloatArray) -> FloatArray:
        local = self.corner - self.middle[:, None, :]
        rows = []
        for i in range(3):
            rows += [
                monomials(local[:, i, 0], local[:, i, 1], dx, dy) for dx, dy in _CORNER_DERIVATIVES
            ]
        ends = points[self.edges]
        along = ends[:, 1] - ends[:, 0]
        along /= np.hypot(*along.T)[:, None]
        for i in range(3):
            edge = self.edge_of[:, i]
            place = ends[edge].mean(axis=1) - self.middle
            slope_x = monomials(place[:, 0], place[:, 1], 1, 0)
            slope_y = monomials(place[:, 0], place[:, 1], 0, 1)
            rows.append(-along[edge, 1, None] * slope_x + along[edge, 0, None] * slope_y)
        return np.stack(rows, axis=1)

    @cached_property
    def doubled_area_m2(self) -> FloatArray:
        """Twice the area of each triangle."""
        a, b, c = (self.corner[:, i] for i in range(3))
        cross = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (
            c[:, 0] - a[:, 0]
        )
        return np.asarray(cross * self.scale_m**2)

    def places_m(self, reference: FloatArray) -> FloatArray:
        """Carry (q, 2) points of the unit triangle to every triangle; (m, q, 2) in metres."""
        a, b, c = (self.corner[:, None, i] for i in range(3))
        u, v = reference[None, :, :1], reference[None, :, 1:]
        return np.asarray((a + u * (b - a) + v * (c - a)) * self.scale_m)

    def shapes(
        self, triangle: NDArray[np.intp], places_m: FloatArray, dx: int, dy: int
    ) -> FloatArray:
        """(dx, dy) derivative in SI of the 21 shapes of triangle t at its places.

        triangle (t,), places_m (t, q, 2) → (t, q, 21).
        """
        local = places_m / self.scale_m - self.middle[triangle, None, :]
        values = monomials(local[..., 0], local[..., 1], dx, dy) @ self.coefficients[triangle]
        return np.asarray(values / self.scale_m ** (dx + dy))

    def rigid(self) -> FloatArray:
        """The three rigid movements w = 1, x, y (metres from the plate's middle); (size, 3)."""
        points = self.mesh.points_mm * 1e-3
        centre = points.mean(axis=0)
        out = np.zeros((self.size, 3))
        nodes = np.arange(len(points)) * 6
        out[nodes, 0] = 1.0
        for k in (0, 1):
            out[nodes, 1 + k] = points[:, k] - centre[k]
            out[nodes + 1 + k, 1 + k] = self.scale_m
        ends = points[self.edges]
        along = ends[:, 1] - ends[:, 0]
        along /= np.hypot(*along.T)[:, None]
        first = 6 * len(points)
        out[first:, 1] = -along[:, 1] * self.scale_m
        out[first:, 2] = along[:, 0] * self.scale_m
        return out
