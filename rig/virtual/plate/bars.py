"""Bars glued to the shell's inner face: Timoshenko beams that share its glue line.

A bar's section turns by ψ along its line s, unknowns of its own (quadratic, about 8 mm apart), and
its axis lies ½(h + H) below the shell's middle surface: its stretch is
u_s,s + z_s w_s + ½h θ_s,s + (½H ψ)_s − ½H_s w_s, the arch's and the taper's slopes after Marguerre.
Bending, shear, twist (with the shell's θ across the line) and all inertia are kept; a bar bends
sideways with the shell at no cost of its own. S. P. Timoshenko, Phil. Mag. 41 (1921) 744.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sp

from rig.model.units import FloatArray
from rig.virtual.plate.wood import SHEAR_FACTOR, SPRUCE, Wood

_ELEMENT_MM = 8.0
_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(6)


@dataclass(frozen=True)
class GluedBar:
    """A straight bar, as high as a parabola says: middle_mm in the middle, end_mm at both ends."""

    start_mm: tuple[float, float]
    end_at_mm: tuple[float, float]
    middle_mm: float
    end_mm: float
    width_mm: float
    wood: Wood = SPRUCE

    @property
    def length_mm(self) -> float:
        """Length seen from above."""
        return float(np.hypot(*np.subtract(self.end_at_mm, self.start_mm)))

    def height_mm(self, share: FloatArray) -> FloatArray:
        """Height at shares (n,) of the length."""
        bulge = 1.0 - (2.0 * share - 1.0) ** 2
        return np.asarray(self.end_mm + (self.middle_mm - self.end_mm) * bulge, dtype=np.float64)

    @property
    def mass_kg(self) -> float:
        """Mass: a parabola's mean is two thirds of the way up."""
        mean = self.end_mm + (self.middle_mm - self.end_mm) * 2.0 / 3.0
        return self.wood.density_kg_m3 * mean * self.width_mm * self.length_mm * 1e-9


class BarOnShell:
    """One bar on the shell's unknowns: w, θx, θy (n_w each), u, v (n_u each), others, then ψ."""

    def __init__(self, bar: GluedBar, bending: Any, membrane: Any, first: int) -> None:
        self.bar = bar
        self._first = first
        start = np.array(bar.start_mm)
        along = np.array(bar.end_at_mm) - start
        self._c, self._s = along / bar.length_mm
        spans = max(2, round(bar.length_mm / _ELEMENT_MM))
        # Pieces end wherever the line enters another triangle: a piece without a point of its own
        # would let the shell's stretch, which jumps there, gather in it for nothing.
        edges = np.union1d(np.linspace(0.0, 1.0, spans + 1), _borders(bending.mesh, start, along))
        edges = edges[np.concatenate([[True], np.diff(edges) > 1e-9])]
        middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
        self.share: FloatArray = (middle[:, None] + half[:, None] * _POINTS).ravel()
        self.places_mm: FloatArray = start + self.share[:, None] * along
        self._step_m = (half[:, None] * _WEIGHTS).ravel() * bar.length_mm * 1e-3
        self.size = 2 * spans + 1
        self._psi, self._psi_s = self._own_shapes(spans)
        self._n_w, self._n_u = int(bending.N), int(membrane.N)
        self._bending = _at_places(bending, self.places_mm)
        self._membrane = _at_places(membrane, self.places_mm)

    def _own_shapes(self, spans: int) -> tuple[FloatArray, FloatArray]:
        """Quadratic shapes (points, size) of ψ, and their slope per metre."""
        span = np.minimum((self.share * spans).astype(int), spans - 1)
        x = 2.0 * (self.share * spans - span) - 1.0
        values = np.column_stack([0.5 * x * (x - 1.0), 1.0 - x**2, 0.5 * x * (x + 1.0)])
        slopes = np.column_stack([x - 0.5, -2.0 * x, x + 0.5])
        slopes = slopes * 2.0 * spans / (self.bar.length_mm * 1e-3)
        out = np.zeros((2, len(x), self.size))
        rows = np.arange(len(x))
        for corner in range(3):
            out[0, rows, 2 * span + corner] = values[:, corner]
            out[1, rows, 2 * span + corner] = slopes[:, corner]
        return out[0], out[1]

    def matrices(
        self,
        size: int,
        thickness_mm: Callable[[FloatArray], FloatArray],
        arch_m: FloatArray,
    ) -> tuple[sp.csc_matrix, sp.csc_matrix]:
        """Stiffness and mass (size, size); arch_m: nodal heights on the membrane's unknowns."""
        bar, wood, c, s = self.bar, self.bar.wood, self._c, self._s
        height = bar.height_mm(self.share) * 1e-3
        taper = np.gradient(height, self.share * bar.length_mm * 1e-3)
        width, half = bar.width_mm * 1e-3, 0.5 * thickness_mm(self.places_mm) * 1e-3
        n_w, n_u = self._n_w, self._n_u

        def rows(table: _Table, part: int, kind: str) -> sp.csr_matrix:
            first = part * n_w if part < 3 else 3 * n_w + (part - 3) * n_u
            return table.matrix(kind, first, size)

        w_s = c * rows(self._bending, 0, "x") + s * rows(self._bending, 0, "y")
        tx, ty = (rows(self._bending, k, "value") for k in (1, 2))
        turn_s, turn_n = c * tx + s * ty, -s * tx + c * ty
        tx_s, ty_s = (
            c * rows(self._bending, k, "x") + s * rows(self._bending, k, "y") for k in (1, 2)
        )
        u, v = (rows(self._membrane, k, "value") for k in (3, 4))
        u_s, v_s = (
            c * rows(self._membrane, k, "x") + s * rows(self._membrane, k, "y") for k in (3, 4)
        )
        own = np.zeros((2, len(self.share), size))
        own[:, :, self._first : self._first + self.size] = self._psi, self._psi_s
        psi, psi_s = sp.csr_matrix(own[0]), sp.csr_matrix(own[1])
        slope = (c * self._membrane.gradient_x + s * self._membrane.gradient_y) @ arch_m
        by = _scaled
        stretch = (
            c * u_s
            + s * v_s
            + by(slope - 0.5 * taper, w_s)
            + by(half, c * tx_s + s * ty_s)
            + by(0.5 * height, psi_s)
            + by(0.5 * taper, psi)
        )
        area, inertia = width * height, width * height**3 / 12.0
        young, shear = wood.e_along_gpa * 1e9, wood.g_plane_gpa * 1e9
        stiffness = (
            self._sum(stretch, young * area)
            + self._sum(psi_s, young * inertia)
            + self._sum(w_s - psi, SHEAR_FACTOR * shear * area)
            + self._sum(-s * tx_s + c * ty_s, shear * _torsion(height, width))
        )
        line = wood.density_kg_m3 * area
        moved = c * u + s * v + by(half, turn_s) + by(0.5 * height, psi)
        aside = -s * u + c * v + by(half + 0.5 * height, turn_n)
        mass = (
            self._sum(rows(self._bending, 0, "value"), line)
            + self._sum(moved, line)
            + self._sum(aside, line)
            + self._sum(psi, wood.density_kg_m3 * inertia)
            + self._sum(turn_n, line * (height**2 + width**2) / 12.0)
        )
        return stiffness.tocsc(), mass.tocsc()

    def _sum(self, rows: sp.csr_matrix, law: FloatArray) -> sp.csr_matrix:
        return sp.csr_matrix(rows.T @ _scaled(law * self._step_m, rows))


def _borders(grid: Any, start_mm: FloatArray, along_mm: FloatArray) -> FloatArray:
    """Where, as shares of the line, it crosses the sides of triangles."""
    ends = grid.p[:, grid.facets] * 1e3 - start_mm[:, None, None]  # (2, two ends, sides)
    normal = np.array([-along_mm[1], along_mm[0]])
    side = np.einsum("x,xes->es", normal, ends)
    ahead = np.einsum("x,xes->es", along_mm, ends) / (along_mm @ along_mm)
    crossed = side[0] * side[1] <= 0.0
    crossed &= side[0] != side[1]
    a, b = side[:, crossed]
    share = (ahead[0, crossed] * b - ahead[1, crossed] * a) / (b - a)
    return np.asarray(share[(share > 0.0) & (share < 1.0)])


def _torsion(height: FloatArray, width: float) -> FloatArray:
    """Torsion constant of a rectangle by Saint-Venant's series (Love, Elasticity, §221)."""
    a, b = np.maximum(height, width), np.minimum(height, width)
    total = np.zeros_like(height)
    for n in (1, 3, 5, 7):
        total += np.tanh(n * np.pi * a / (2.0 * b)) / n**5
    return np.asarray(a * b**3 / 3.0 * (1.0 - 192.0 / np.pi**5 * b / a * total))


def _scaled(factor: FloatArray, rows: sp.csr_matrix) -> sp.csr_matrix:
    return sp.csr_matrix(sp.diags_array(factor) @ rows)


@dataclass(frozen=True)
class _Table:
    """Values and slopes (points, n) of an element's shapes at places, and their unknowns."""

    value: FloatArray
    x: FloatArray
    y: FloatArray
    dofs: np.ndarray
    count: int

    def matrix(self, kind: str, first: int, size: int) -> sp.csr_matrix:
        """(points, size) with the unknowns counted on from `first`."""
        values: FloatArray = getattr(self, kind)
        rows = np.repeat(np.arange(len(values)), values.shape[1])
        where = (rows, first + self.dofs.ravel())
        return sp.csr_matrix((values.ravel(), where), shape=(len(values), size))

    @property
    def gradient_x(self) -> sp.csr_matrix:
        """Slope along x of a field on these unknowns alone."""
        return self.matrix("x", 0, self.count)

    @property
    def gradient_y(self) -> sp.csr_matrix:
        """Slope along y."""
        return self.matrix("y", 0, self.count)


def _at_places(basis: Any, places_mm: FloatArray) -> _Table:
    places = np.ascontiguousarray(places_mm.T * 1e-3)
    cells = basis.mesh.element_finder()(*places)
    local = basis.mapping.invF(places[:, :, None], tind=cells)
    fields = [
        basis.elem.gbasis(basis.mapping, local, k, tind=cells)[0]
        for k in range(basis.element_dofs.shape[0])
    ]
    value = np.column_stack([np.broadcast_to(np.asarray(f)[..., 0], len(cells)) for f in fields])
    x, y = (np.column_stack([f.grad[k][:, 0] for f in fields]) for k in (0, 1))
    return _Table(value, x, y, basis.element_dofs[:, cells].T, int(basis.N))
