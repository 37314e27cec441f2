"""Orthotropic plate of any outline, thickness varying in the integrals, flat or arched.

Kirchhoff bending on Argyris triangles, with transverse shear and rotary inertia where wanted. An
arched plate is a shallow shell after K. Marguerre, "Zur Theorie der gekrümmten Platte grosser
Formänderung", Proc. 5th Int. Congr. Appl. Mech. (1938):
strains (u_x + z_x w_x, v_y + z_y w_y, u_y + v_x + z_x w_y + z_y w_x) over an arch z(x, y). With the
tangential movements U = u + z_x w, V = v + z_y w as unknowns (cubic triangles) the same strains
are (U_x − z_xx w, V_y − z_yy w, U_y + V_x − 2 z_xy w), whose parts are small and smooth, so that
coarse triangles do not lock. In-plane movements follow bending as if at rest (an estimator hears
bending only); their inertia ∫ρh|U − w∇z|² is added afterwards, R. J. Guyan, "Reduction of stiffness
and mass matrices", AIAA J. 3 (1965) 380. Bars glued to the inner face: see `bars`; a flat plate
with bars has in-plane movements too. Left out: air, supports.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rig.model.outline import Outline
from rig.model.plate_facts import Bar
from rig.model.units import FloatArray
from rig.plate.argyris import ArgyrisSpace
from rig.plate.bars import BarLine
from rig.plate.eigen import lowest_modes
from rig.plate.in_plane import InPlaneSpace
from rig.plate.mesh import PlateMesh, mesh_of
from rig.plate.quadrature import smooth_projection, triangle_rule
from rig.plate.shear import SHEAR_FACTOR, ShearSpace
from rig.plate.wood import Stiffness

_MARGIN = 1.2  # vectors kept in a block beyond the wanted ones, whose last are the worst
_FEW = 110  # below so many modes a second step costs little
_LIGHT = 1e-5  # share of the in-plane inertia that is left while modes are sought


@dataclass(frozen=True)
class Arch:
    """Slopes (p, 2) = (z_x, z_y) and curvature (p, 3) = (z_xx, z_yy, 2 z_xy) in 1/m at p points."""

    slopes: FloatArray
    curvature: FloatArray


class PlateModel:
    """Everything about a mesh that does not depend on wood and thickness.

    places_mm: (p, 2) integration points; weights_m2: (p,). Fields over the plate (thickness,
    density, slopes of the arch) are given at these points.
    """

    def __init__(self, mesh: PlateMesh, *, degree: int = 8) -> None:
        self.mesh = mesh
        self.space = ArgyrisSpace(mesh)
        reference, weights = triangle_rule(degree)
        self.reference = reference
        self.degree = degree
        triangles = np.arange(len(mesh.triangles))
        self._places_m = self.space.places_m(reference)
        self.places_mm = self._places_m.reshape(-1, 2) * 1e3
        self.weights_m2: FloatArray = (self.space.doubled_area_m2[:, None] * weights).ravel()
        self._w = self.space.shapes(triangles, self._places_m, 0, 0)
        self._curvature = np.stack(
            [
                self.space.shapes(triangles, self._places_m, dx, dy)
                for dx, dy in ((2, 0), (0, 2), (1, 1))
            ],
            axis=2,
        )  # (m, q, 3, 21)

    @classmethod
    def of(cls, outline: Outline, *, size_mm: float = 12.0, degree: int = 8) -> PlateModel:
        """Mesh an outline and prepare its plate."""
        return cls(mesh_of(outline, size_mm), degree=degree)

    @cached_property
    def in_plane(self) -> InPlaneSpace:
        """The in-plane movements of an arched plate."""
        return InPlaneSpace(self.space)

    def laid(self, bars: Sequence[Bar]) -> tuple[BarLine, ...]:
        """Bars put on this mesh, for `solve`."""
        return tuple(BarLine(self.space, self.in_plane, bar, self.degree) for bar in bars)

    @cached_property
    def shear(self) -> ShearSpace:
        """The shear strains of a plate that is soft in transverse shear."""
        return ShearSpace(self.space)

    @cached_property
    def _slopes(self) -> FloatArray:
        """(m, q, 2, 21) slopes of the shapes."""
        triangles = np.arange(len(self.mesh.triangles))
        return np.stack(
            [self.space.shapes(triangles, self._places_m, *d) for d in ((1, 0), (0, 1))], axis=2
        )

    @property
    def area_m2(self) -> float:
        """Area of wood."""
        return float(np.sum(self.weights_m2))

    def mass_kg(self, thickness_m: FloatArray, density_kg_m3: float) -> float:
        """Mass of the plate, bars left out."""
        return float(density_kg_m3 * np.sum(self.weights_m2 * thickness_m))

    def solve(
        self,
        thickness_m: FloatArray,
        stiffness: Stiffness,
        density_kg_m3: float,
        *,
        count: int,
        arch: Arch | None = None,
        shear_pa: tuple[float, float] | None = None,
        relative_stiffness: FloatArray | None = None,
        start: PlateModes | None = None,
        in_plane_count: int = 0,
        tolerance: float = 1e-9,
        quick: bool = False,
        bars: Sequence[BarLine] = (),
        bar_stiffness: FloatArray | None = None,
    ) -> PlateModes:
        """Return the lowest `count` bending modes above the three rigid movements.

        thickness_m (p,) at places_mm; arch at places_mm, None for a flat plate; shear_pa: moduli
        of the x-z and y-z planes, None for a plate without transverse shear and rotary inertia;
        relative_stiffness (p,) multiplies all constants locally; start: modes of a similar plate,
        which shorten the work; in_plane_count: how many in-plane resonances of an arched plate to
        add as `in_plane_omega2` and `in_plane_share`; quick: a third of the time, with the last
        tenth of the modes up to 1e-4 off in frequency; bars from `laid`, bar_stiffness (bars,)
        multiplies their own stiffness.
        """
        m = len(self.mesh.triangles)
        if arch is None and bars:
            arch = Arch(
                np.zeros((m * len(self.reference), 2)), np.zeros((m * len(self.reference), 3))
            )
        local = np.ones(1) if relative_stiffness is None else relative_stiffness
        wood = (self.weights_m2 * thickness_m).reshape(m, -1)
        bend = (self.weights_m2 * local * thickness_m**3 / 12.0).reshape(m, -1)
        load, stretch = wood * density_kg_m3, (self.weights_m2 * local * thickness_m).reshape(m, -1)
        k_parts = [_energy(self._curvature, stiffness.bending_matrix(), bend)]
        m_parts = [np.matmul((self._w * load[:, :, None]).transpose(0, 2, 1), self._w)]
        bending = k_parts[0], m_parts[0]
        dofs, size = [self.space.dof], self.space.size
        light: list[FloatArray] = []
        if arch is not None:
            plane = self.in_plane
            strain = plane.coupled_strain(self.reference, self._w, arch.curvature.reshape(m, -1, 3))
            q = strain.shape[1]
            strain = np.matmul(smooth_projection(self.degree, 2), strain.reshape(m, q, -1))
            strain = strain.reshape(m, q, 3, 41)
            k_parts.append(_energy(strain, stiffness.matrix(), stretch))
            m_parts.append(plane.mass(self.reference, self._w, arch.slopes.reshape(m, -1, 2), load))
            dofs.append(np.hstack([self.space.dof, plane.dof]))
            size += plane.size
        first_of_bars = size
        size += sum(bar.size for bar in bars)
        if shear_pa is not None:
            rotary = load * (thickness_m**2).reshape(m, -1) / 12.0
            elements = self._sheared(stiffness, shear_pa, bend, stretch, rotary)
            k_parts[0], turning = elements
            turning[:, :21, :21] += m_parts[0]
            m_parts[0] = turning
            dofs[0] = np.hstack([self.space.dof, size + self.shear.dof])
            size += self.shear.size
        k = _assembled(k_parts, dofs, size)
        full = _assembled(m_parts, dofs, size)
        mass = full
        if arch is not None:
            light = [m_parts[0], _LIGHT * m_parts[1]]
            mass = _assembled(light, dofs, size)
        energies: list[sparse.csr_matrix] = []
        if arch is not None and bars:
            factors = np.ones(len(bars)) if bar_stiffness is None else bar_stiffness
            first = first_of_bars
            for bar, factor in zip(bars, factors, strict=True):
                fields = [bar.from_model(v) for v in (thickness_m, arch.slopes, arch.curvature)]
                own, inertia, plane_inertia = bar.matrices(size, first, *fields)
                energies.append(float(factor) * own)
                k, full = k + energies[-1], full + inertia + plane_inertia
                mass = mass + inertia + _LIGHT * plane_inertia
                first += bar.size
            k, full, mass = k.tocsc(), full.tocsc(), mass.tocsc()
        guess = None if start is None or start.raw.shape[0] != size else start.raw
        wanted = count + (3 if arch is None else 6)
        rounds = 2 if wanted < _FEW else 1
        if quick and (guess is None or guess.shape[1] < wanted) and size > self.space.size:
            thin = [bar.rough(self.space.size, bar.from_model(thickness_m)) for bar in bars]
            guess, rounds = self._bending_alone(bending, thin, int(_MARGIN * wanted), size), 2
        values, raw = lowest_modes(k, mass, wanted, start=guess, rounds=rounds, tolerance=tolerance)
        values, vectors = values[:wanted], raw[:, :wanted]
        if arch is not None:
            values, vectors = _with_inertia(values, vectors, full)
        found = self._modes(values, vectors, full, arch, raw)
        if energies:
            shapes = found.dofs
            found = replace(found, bar_energy=np.stack([shapes.T @ (e @ shapes) for e in energies]))
        return found if in_plane_count == 0 else found.joined(k, full, in_plane_count)

    def _bending_alone(
        self,
        elements: tuple[FloatArray, FloatArray],
        bars: Sequence[tuple[sparse.csr_matrix, sparse.csr_matrix]],
        count: int,
        size: int,
    ) -> FloatArray:
        """Modes of the flat plate without shear, as (size, count) vectors to start from."""
        k, mass = (_assembled([part], [self.space.dof], self.space.size) for part in elements)
        for stiffness, inertia in bars:
            k, mass = (k + stiffness).tocsc(), (mass + inertia).tocsc()
        _, vectors = lowest_modes(k, mass, count, tolerance=1e-3)
        return np.vstack([vectors, np.zeros((size - self.space.size, count))])

    def _sheared(
        self,
        stiffness: Stiffness,
        shear_pa: tuple[float, float],
        bend: FloatArray,
        stretch: FloatArray,
        rotary: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Element stiffness and rotary inertia (m, 33, 33) of deflection and shear strains."""
        shear, m = self.shear, len(self.mesh.triangles)
        rotation = np.concatenate([self._curvature, shear.bending(self.reference)], axis=3)
        own = shear.strain(self.reference)
        turned = np.concatenate([self._slopes, -np.broadcast_to(own, (m, *own.shape))], axis=3)
        k = _energy(rotation, stiffness.bending_matrix(), bend)
        sheared = np.broadcast_to(own, (m, *own.shape))
        k[:, 21:, 21:] += _energy(sheared, SHEAR_FACTOR * np.diag(shear_pa), stretch)
        return k, _energy(turned, np.eye(2), rotary)

    def _modes(
        self,
        values: FloatArray,
        vectors: FloatArray,
        mass: sparse.csc_matrix,
        arch: Arch | None,
        raw: FloatArray,
    ) -> PlateModes:
        """Put the exact rigid movements in front."""
        size = self.space.size
        rigid = np.zeros((vectors.shape[0], 3))
        rigid[:size] = self.space.rigid()
        bending_mass = mass[:size, :size]
        block = rigid[:size].T @ (bending_mass @ rigid[:size])
        rigid = np.asarray(np.linalg.solve(np.linalg.cholesky(block), rigid.T).T)
        first = 3 if arch is None else 6
        values, vectors = values[first:], vectors[:, first:]
        omega2 = np.concatenate([np.zeros(3), np.maximum(values, 0.0)])
        return PlateModes(
            model=self,
            omega2=omega2,
            dofs=np.hstack([rigid, vectors]),
            raw=raw,
            arch=arch,
        )

    def rule(self, degree: int) -> tuple[FloatArray, FloatArray]:
        """Another set of integration points: places_mm (p, 2) and weights_m2 (p,)."""
        reference, weights = triangle_rule(degree)
        places = self.space.places_m(reference).reshape(-1, 2) * 1e3
        return places, np.asarray((self.space.doubled_area_m2[:, None] * weights).ravel())

    def operator(self, xy_mm: FloatArray, dx: int, dy: int) -> sparse.csr_matrix:
        """Sparse (k, unknowns) matrix: (dx, dy) derivative of w at the (k, 2) places, SI."""
        triangle = self.mesh.locate(xy_mm)
        shapes = self.space.shapes(triangle, xy_mm[:, None, :] * 1e-3, dx, dy)[:, 0]
        rows = np.repeat(np.arange(len(xy_mm)), 21)
        columns = self.space.dof[triangle].ravel()
        return sparse.csr_matrix(
            (shapes.ravel(), (rows, columns)), shape=(len(xy_mm), self.space.size)
        )


def _energy(strain: FloatArray, law: FloatArray, weight: FloatArray) -> FloatArray:
    """∫ strain' law strain of every triangle; strain (m, q, a, n), weight (m, q) → (m, n, n)."""
    m, _, _, n = strain.shape
    stress = np.einsum("ab,mqbi->mqai", law, strain) * weight[:, :, None, None]
    return np.asarray(
        np.matmul(strain.reshape(m, -1, n).transpose(0, 2, 1), stress.reshape(m, -1, n))
    )


def _assembled(
    parts: list[FloatArray], dofs: list[NDArray[np.intp]], size: int
) -> sparse.csc_matrix:
    """Sum of element matrices, each (m, n, n) with its unknowns (m, n)."""
    rows = [np.repeat(d, d.shape[1], axis=1).ravel() for d in dofs]
    columns = [np.tile(d, (1, d.shape[1])).ravel() for d in dofs]
    values = np.concatenate([p.ravel() for p in parts])
    where = (np.concatenate(rows), np.concatenate(columns))
    return sparse.csc_matrix((values, where), shape=(size, size))


def _with_inertia(
    values: FloatArray, vectors: FloatArray, mass: sparse.csc_matrix
) -> tuple[FloatArray, FloatArray]:
    """Modes in the span of `vectors` (stiffness diag(values)) under another mass."""
    from scipy.linalg import eigh

    gram = vectors.T @ (mass @ vectors)
    values, turn = eigh(np.diag(values), 0.5 * (gram + gram.T))
    return np.asarray(values), np.asarray(vectors @ turn)


@dataclass(frozen=True)
class PlateModes:
    """Mass-normalised modes (kg^-1/2), three rigid movements first.

    omega2 (n,) in (rad/s)²; dofs (unknowns, n): bending unknowns, then in-plane ones if arched;
    raw: all eigenvectors as computed, in-plane ones too. in_plane_omega2 (p,), in_plane_share
    (n, p): resonances of the in-plane movements with w held at rest, and their inertial coupling
    to the modes: at ω a mode feels −ω⁴ Σ_p μ_mp μ_kp c_k / (ω_p² − ω²) beside λ_m c_m − ω² c_m.
    bar_energy (bars, n, n): the bars' part of the stiffness between the modes.
    """

    model: PlateModel
    omega2: FloatArray
    dofs: FloatArray
    raw: FloatArray
    arch: Arch | None = None
    in_plane_omega2: FloatArray | None = None
    in_plane_share: FloatArray | None = None
    bar_energy: FloatArray | None = None

    def joined(self, k: sparse.csc_matrix, mass: sparse.csc_matrix, count: int) -> PlateModes:
        """Add the lowest `count` in-plane resonances of the full matrices."""
        first = self.model.space.size
        plane = slice(first, first + self.model.in_plane.size)
        values, vectors = lowest_modes(
            k[plane, plane].tocsc(), mass[plane, plane].tocsc(), count + 3, tolerance=1e-5
        )
        share = (mass[:, plane] @ vectors[:, 3:]).T @ self.dofs
        share[:, :3] = 0.0
        return replace(self, in_plane_omega2=values[3:], in_plane_share=share.T)

    @property
    def frequency_hz(self) -> FloatArray:
        """(n,) mode frequencies, the first three 0."""
        return np.asarray(np.sqrt(self.omega2) / (2.0 * np.pi))

    @property
    def bending(self) -> FloatArray:
        """The bending unknowns of every mode."""
        return self.dofs[: self.model.space.size]

    def at(self, xy_mm: FloatArray, dx: int = 0, dy: int = 0) -> FloatArray:
        """(dx, dy) derivative of every mode's w at (k, 2) places; (k, n), SI."""
        return np.asarray(self.model.operator(xy_mm, dx, dy) @ self.bending)

    def in_plane_strain(self, degree: int) -> FloatArray:
        """(3, p, n) strains (U_x, V_y, U_y + V_x) at the points of `PlateModel.rule(degree)`.

        Only for an arched plate; the part that the arch's curvature adds is not in it.
        """
        plane = self.model.in_plane
        strain = plane.plain_strain(triangle_rule(degree)[0])  # (m, q, 3, 20)
        m, q = strain.shape[:2]
        values = np.matmul(strain.reshape(m, -1, 20), self.dofs[plane.dof])
        return np.ascontiguousarray(values.reshape(m * q, 3, -1).transpose(1, 0, 2))

    def shear_strain(self, degree: int) -> tuple[FloatArray, FloatArray]:
        """Shear strains (2, p, n) and what they add to (w_xx, w_yy, w_xy), (3, p, n).

        At the points of `PlateModel.rule(degree)`; only for a plate solved with shear.
        """
        shear, reference = self.model.shear, triangle_rule(degree)[0]
        values = self.dofs[self.dofs.shape[0] - shear.size :][shear.dof]  # (m, 12, n)
        m, n = len(values), values.shape[2]
        own = np.einsum("qai,min->amqn", shear.strain(reference), values).reshape(2, -1, n)
        bending = shear.bending(reference)
        added = np.matmul(bending.reshape(m, -1, bending.shape[3]), values)
        return own, np.ascontiguousarray(added.reshape(-1, 3, n).transpose(1, 0, 2))
