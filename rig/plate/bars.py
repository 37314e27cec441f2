"""Bars glued to a plate's inner face: eccentric beams along straight lines over the mesh.

A bar follows its plate at the glue line and has a shear of its own (S. Timoshenko, "On the
correction for shear of the differential equation for transverse vibrations of prismatic bars",
Phil. Mag. 41 (1921) 744): at 5 kHz a violin's bass bar yields more by shear than by bending. With
its section's slope θ = w_s − γ along its line s, the stretch at its axis is
U_s,s − z_ss w + ½h w_ss + ½H θ_s (H its height, h the plate's thickness), so that plate and bar
find their common neutral axis by themselves, shear lag in the plate included. Its twist is w_sn.
Left out: bending sideways, and that the plate's own section may lean against its normal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rig.model.plate_facts import Bar
from rig.model.units import FloatArray
from rig.plate.argyris import ArgyrisSpace
from rig.plate.in_plane import InPlaneSpace
from rig.plate.quadrature import triangle_rule
from rig.plate.shear import SHEAR_FACTOR
from rig.plate.wood import wood_named

_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(5)
_SHEAR_STEP = 0.6  # of the mesh: how far apart the unknowns of the bar's own shear lie
_LEAST_STEP_M = 4e-3
_SHARED = 0.7  # of the offset's stiffness, where the plate's stretch is not an unknown


@dataclass(frozen=True)
class BarSection:
    """Section and wood at k places: heights and width in m, moduli in Pa, density in kg/m³."""

    height_m: FloatArray
    rise: FloatArray  # slope of the height along the bar
    width_m: float
    young_pa: float
    shear_pa: float
    density_kg_m3: float

    @property
    def area_m2(self) -> FloatArray:
        """(k,) area of the section."""
        return self.height_m * self.width_m

    @property
    def twist_m4(self) -> FloatArray:
        """(k,) torsion constant of a rectangle.

        S. Timoshenko and J. N. Goodier, Theory of Elasticity, 3rd ed. (1970), §109, in the usual
        closed form, good to 0.5 %: a b³ (1/3 − 0.21 b/a (1 − b⁴/12a⁴)), a the longer side.
        """
        long = np.maximum(self.height_m, self.width_m)
        short = np.minimum(self.height_m, self.width_m)
        ratio = short / long
        return np.asarray(long * short**3 * (1 / 3 - 0.21 * ratio * (1 - ratio**4 / 12)))


def section_of(bar: Bar, share: FloatArray) -> BarSection:
    """The section at places given as shares (k,) of the bar's length."""
    wood, _ = wood_named(bar.wood or "spruce")
    knots = np.asarray(bar.heights_mm, dtype=np.float64) * 1e-3
    if len(knots) == 1:
        knots = np.repeat(knots, 2)
    at = np.linspace(0.0, 1.0, len(knots))
    span = np.clip(np.searchsorted(at, share, side="right") - 1, 0, len(knots) - 2)
    rise = np.diff(knots)[span] * (len(knots) - 1) / (bar.length_mm * 1e-3)
    return BarSection(
        height_m=np.interp(share, at, knots),
        rise=rise,
        width_m=bar.width_mm * 1e-3,
        young_pa=wood.e_along,
        shear_pa=wood.ratio_shear * wood.e_along,
        density_kg_m3=wood.density_kg_m3,
    )


def bar_mass_kg(bar: Bar) -> float:
    """Mass of a bar by its shape and the handbook's density."""
    share = np.asarray((np.arange(400) + 0.5) / 400.0, dtype=np.float64)
    section = section_of(bar, share)
    return float(section.density_kg_m3 * np.mean(section.area_m2) * bar.length_mm * 1e-3)


class BarLine:
    """One bar on one mesh: everything that does not depend on the plate's wood and thickness.

    places_mm (k, 2), step_m (k,): integration points on the line and their weights; size: number
    of unknowns of the bar's own shear, which are numbered on from 0.
    """

    def __init__(self, space: ArgyrisSpace, in_plane: InPlaneSpace, bar: Bar, degree: int) -> None:
        self.bar = bar
        start = np.array([bar.x1_mm, bar.y1_mm])
        along = np.array([bar.x2_mm, bar.y2_mm]) - start
        share, weight = _points_on(space, start, along)
        self.places_mm = start + share[:, None] * along
        self.step_m = weight * bar.length_mm * 1e-3
        self.section = section_of(bar, share)
        self._along = along / bar.length_mm
        self._space, self._in_plane = space, in_plane
        self._triangle = space.mesh.locate(self.places_mm)
        self._reference = in_plane.reference_of(self._triangle, self.places_mm * 1e-3)
        self._degree = degree
        self._gamma, self._gamma_s = self._shear_splines(share)
        self.size = self._gamma.shape[1]

    def _shear_splines(self, share: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(k, n) quadratic splines of the bar's own shear, and their slope along it per metre."""
        from scipy.interpolate import BSpline

        length = self.bar.length_mm * 1e-3
        step = max(_SHEAR_STEP * self._space.scale_m, _LEAST_STEP_M)
        spans = max(2, round(length / step))
        inner = np.linspace(0.0, 1.0, spans + 1)
        knots = np.concatenate([[0.0, 0.0], inner, [1.0, 1.0]])
        splines = BSpline(knots, np.eye(spans + 2), 2)
        values = np.asarray(splines(share), dtype=np.float64)
        slopes = np.asarray(splines(share, 1), dtype=np.float64) / length
        touched = values.sum(axis=0) > 1e-9  # not where the line leaves the wood
        return values[:, touched], slopes[:, touched]

    def from_model(self, values: FloatArray) -> FloatArray:
        """Carry values (p, …) at the model's integration points to the line; (k, …)."""
        points, _ = triangle_rule(self._degree)
        powers = [(n - j, j) for n in range(3) for j in range(n + 1)]
        fit = np.linalg.pinv(_powers(points, powers))  # (6, q)
        by_triangle = values.reshape(len(self._space.mesh.triangles), len(points), -1)
        chosen = _powers(self._reference, powers) @ fit  # (k, q)
        out = np.einsum("kq,kqa->ka", chosen, by_triangle[self._triangle])
        return np.asarray(out.reshape(len(chosen), *values.shape[1:]))

    def deflection(self, dx: int, dy: int, size: int) -> sparse.csr_matrix:
        """(k, size) derivative of w on the line."""
        places_m = self.places_mm[:, None, :] * 1e-3
        shapes = self._space.shapes(self._triangle, places_m, dx, dy)[:, 0]
        return _rows(shapes, self._space.dof[self._triangle], size)

    def slopes(self, size: int) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
        """Slope of w along the line and across it."""
        (c, s), w_x, w_y = self._along, self.deflection(1, 0, size), self.deflection(0, 1, size)
        return c * w_x + s * w_y, -s * w_x + c * w_y

    def curvature(self, size: int) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
        """w_ss and w_sn."""
        c, s = self._along
        xx, yy, xy = (self.deflection(*d, size) for d in ((2, 0), (0, 2), (1, 1)))
        return c * c * xx + s * s * yy + 2 * c * s * xy, c * s * (yy - xx) + (c * c - s * s) * xy

    def shear(self, first: int, size: int) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
        """γ and its slope along the line; first: the number of the bar's first unknown."""
        dof = np.broadcast_to(first + np.arange(self.size), self._gamma.shape)
        return _rows(self._gamma, dof, size), _rows(self._gamma_s, dof, size)

    def in_plane(self, size: int) -> tuple[sparse.csr_matrix, sparse.csr_matrix, sparse.csr_matrix]:
        """U along the line, U across it, and the stretch of U along it."""
        c, s = self._along
        shapes = self._in_plane.shapes(self._reference)
        slope = self._in_plane.gradients_at(self._triangle, self._reference) @ self._along
        dof = self._in_plane.dof[self._triangle]
        along = _rows(np.hstack([c * shapes, s * shapes]), dof, size)
        across = _rows(np.hstack([-s * shapes, c * shapes]), dof, size)
        return along, across, _rows(np.hstack([c * slope, s * slope]), dof, size)

    def matrices(
        self,
        size: int,
        first: int,
        thickness_m: FloatArray,
        arch_slopes: FloatArray,
        arch_curvature: FloatArray,
    ) -> tuple[sparse.csr_matrix, sparse.csr_matrix, sparse.csr_matrix]:
        """Stiffness, inertia of bending and turning, and what in-plane movements add to inertia.

        thickness_m (k,) of the plate, arch_slopes (k, 2) and arch_curvature (k, 3) = (z_xx, z_yy,
        2 z_xy) on the line; see `from_model`.
        """
        c, s = self._along
        section, half = self.section, 0.5 * self.section.height_m
        offset = 0.5 * thickness_m + half
        w = self.deflection(0, 0, size)
        (w_s, w_n), (w_ss, w_sn) = self.slopes(size), self.curvature(size)
        gamma, gamma_s = self.shear(first, size)
        u_s, u_n, stretch = self.in_plane(size)
        bent = arch_curvature @ np.array([c * c, s * s, c * s])
        axial = (
            stretch
            - _times(bent, w)
            + _times(offset, w_ss)
            - _times(half, gamma_s)
            - _times(0.5 * section.rise, gamma)
        )
        area, inertia = section.area_m2, section.area_m2 * section.height_m**2 / 12.0
        young, rigidity = section.young_pa, section.shear_pa
        stiffness = (
            self._square(axial, young * area)
            + self._square(w_ss - gamma_s, young * inertia)
            + self._square(gamma, SHEAR_FACTOR * rigidity * area)
            + self._square(w_sn, rigidity * section.twist_m4)
        )
        line = section.density_kg_m3 * area
        turned = _times(offset, w_s) - _times(half, gamma)
        aside = _times(offset, w_n)
        bending = (
            self._square(w, line)
            + self._square(turned, line)
            + self._square(aside, line)
            + self._square(w_s - gamma, section.density_kg_m3 * inertia)
            + self._square(w_n, line * (section.height_m**2 + section.width_m**2) / 12.0)
        )
        tangent_s = u_s - _times(arch_slopes @ np.array([c, s]), w)
        tangent_n = u_n - _times(arch_slopes @ np.array([-s, c]), w)
        plane = (
            self._square(tangent_s + turned, line)
            - self._square(turned, line)
            + self._square(tangent_n + aside, line)
            - self._square(aside, line)
        )
        return stiffness, bending, plane

    def rough(
        self, size: int, thickness_m: FloatArray
    ) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
        """Stiffness and inertia over the bending unknowns alone: where an eigensolver starts."""
        section = self.section
        offset = 0.5 * (thickness_m + section.height_m)
        (w_s, w_n), (w_ss, w_sn) = self.slopes(size), self.curvature(size)
        line = section.density_kg_m3 * section.area_m2
        bend = section.area_m2 * (section.height_m**2 / 12.0 + _SHARED * offset**2)
        stiffness = self._square(w_ss, section.young_pa * bend) + self._square(
            w_sn, section.shear_pa * section.twist_m4
        )
        turning = line * (offset**2 + section.height_m**2 / 12.0)
        inertia = (
            self._square(self.deflection(0, 0, size), line)
            + self._square(w_s, turning)
            + self._square(w_n, turning)
        )
        return stiffness, inertia

    def _square(self, rows: sparse.csr_matrix, law: FloatArray) -> sparse.csr_matrix:
        """∫ law · (rows q)² ds as a matrix."""
        return sparse.csr_matrix(rows.T @ _times(law * self.step_m, rows))


def _points_on(
    space: ArgyrisSpace, start: FloatArray, along: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gauss points between the borders of the triangles, as shares of the line, and weights."""
    points = space.mesh.points_mm
    tail = points[space.edges[:, 0]] - start
    edge = points[space.edges[:, 1]] - points[space.edges[:, 0]]
    across = _cross(along, edge)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = _cross(tail, edge) / across
        on_edge = _cross(tail, along) / across
    hit = (np.abs(across) > 1e-12) & (on_edge > -1e-9) & (on_edge < 1 + 1e-9)
    borders = np.concatenate([[0.0, 1.0], at[hit & (at > 0.0) & (at < 1.0)]])
    borders = np.unique(np.round(borders, 9))
    middle, half = 0.5 * (borders[1:] + borders[:-1]), 0.5 * np.diff(borders)
    wood = _on_mesh(space, start + middle[:, None] * along)
    middle, half = middle[wood], half[wood]
    share = middle[:, None] + half[:, None] * _POINTS
    return share.ravel(), (half[:, None] * _WEIGHTS).ravel()


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _on_mesh(space: ArgyrisSpace, xy_mm: FloatArray) -> NDArray[np.bool_]:
    """Whether each place lies in the triangle nearest to it."""
    corner = space.mesh.points_mm[space.mesh.triangles[space.mesh.locate(xy_mm)]]
    sides = [_cross(corner[:, (i + 1) % 3] - corner[:, i], xy_mm - corner[:, i]) for i in range(3)]
    return np.asarray(np.min(sides, axis=0) > -1e-6)


def _powers(points: FloatArray, powers: Sequence[tuple[int, int]]) -> FloatArray:
    return np.column_stack([points[:, 0] ** a * points[:, 1] ** b for a, b in powers])


def _rows(values: FloatArray, dof: NDArray[np.intp], size: int) -> sparse.csr_matrix:
    """(k, size) with values (k, n) at the unknowns dof (k, n)."""
    rows = np.repeat(np.arange(len(values)), values.shape[1])
    return sparse.csr_matrix((values.ravel(), (rows, dof.ravel())), shape=(len(values), size))


def _times(factor: FloatArray, rows: sparse.csr_matrix) -> sparse.csr_matrix:
    return sparse.csr_matrix(sparse.diags_array(factor) @ rows)
