"""Stiffness and mass of the plate: Reissner–Mindlin bending with shallow-shell membrane coupling.

Unknowns: deflection w, rotations (θx, θy), in-plane displacements (u, v). Curvature κ = sym ∇θ,
transverse shear γ = ∇w − θ, membrane strain after Marguerre (1938) for a shallow arch z(x, y):
ε_xx = u,x + z,x w,x; ε_yy = v,y + z,y w,y; γ_xy = u,y + v,x + z,x w,y + z,y w,x.
Edges are free (natural conditions). Rotatory and in-plane inertia are kept. Quartic w and θ with
full integration show no shear locking at the ratios met here; cubic (u, v) avoid membrane locking
(quadratic ones cost 0.7 % at 8 kHz). The tests print the convergence.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sp

from rig.model.units import FloatArray
from rig.virtual.plate.bars import BarOnShell, GluedBar
from rig.virtual.plate.mesh import TriangleMesh
from rig.virtual.plate.wood import SHEAR_FACTOR

_INTEGRATION_ORDER = 8


@dataclass(frozen=True)
class ShellFields:
    """Material and shape, each a function of (n, 2) places in mm.

    thickness_mm (n,); stiffness_pa (n, 3, 3); shear_pa (2,) or (n, 2); density (n,) kg/m³;
    height_mm (n,).
    """

    thickness_mm: Callable[[FloatArray], FloatArray]
    stiffness_pa: Callable[[FloatArray], FloatArray]
    shear_pa: Callable[[FloatArray], FloatArray]
    density_kg_m3: Callable[[FloatArray], FloatArray]
    height_mm: Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class ShellSystem:
    """K q = ω² M q in SI units; the first `deflection_count` unknowns are those of w.

    deflection_dofs (m, 15): the unknowns of w in each triangle, in the order of `quartic_values`.
    """

    stiffness: sp.csc_matrix
    mass: sp.csc_matrix
    deflection_count: int
    deflection_dofs: np.ndarray
    mesh: TriangleMesh
    mass_kg: float


def quartic_values(local: FloatArray) -> FloatArray:
    """Quartic shape functions (n, 15) at local coordinates (n, 2) of the reference triangle."""
    from skfem import ElementTriP4

    element = ElementTriP4()
    point = np.asarray(local, dtype=np.float64).T
    return np.stack([element.lbasis(point, k)[0] * np.ones(len(local)) for k in range(15)], axis=1)


def assemble(mesh: TriangleMesh, fields: ShellFields, bars: Sequence[GluedBar] = ()) -> ShellSystem:
    """Build the sparse matrices of the free shell and of the bars glued inside."""
    from skfem import CellBasis, ElementTriP3, ElementTriP4, MeshTri

    grid = MeshTri(
        np.ascontiguousarray(mesh.points_mm.T * 1e-3),
        np.ascontiguousarray(np.sort(mesh.triangles, axis=1).T),
    )
    bending = CellBasis(grid, ElementTriP4(), intorder=_INTEGRATION_ORDER)
    membrane = CellBasis(grid, ElementTriP3(), intorder=_INTEGRATION_ORDER)
    places = np.asarray(bending.global_coordinates())
    xy_mm = places.reshape(2, -1).T * 1e3
    weight = bending.dx
    count, points = weight.shape

    def at_points(values: FloatArray) -> FloatArray:
        return np.asarray(values).reshape(count, points, *np.shape(values)[1:])

    thickness = at_points(fields.thickness_mm(xy_mm)) * 1e-3
    density = at_points(fields.density_kg_m3(xy_mm))
    stiffness = at_points(fields.stiffness_pa(xy_mm))
    shear = at_points(np.broadcast_to(fields.shear_pa(xy_mm), (len(xy_mm), 2)))

    heights = fields.height_mm(membrane.doflocs.T * 1e3) * 1e-3
    phi, grad = _values(bending, weight.shape)
    psi, grad_psi = _values(membrane, weight.shape)
    slope = np.einsum(
        "eqka,ke->eqa", grad_psi.transpose(0, 1, 3, 2), heights[membrane.element_dofs]
    )

    strain = _strain_matrix(phi, grad, psi, grad_psi, slope)
    law = np.zeros((count, points, 8, 8))
    law[:, :, :3, :3] = stiffness * (thickness**3 / 12.0 * weight)[..., None, None]
    law[:, :, 3, 3] = SHEAR_FACTOR * shear[..., 0] * thickness * weight
    law[:, :, 4, 4] = SHEAR_FACTOR * shear[..., 1] * thickness * weight
    law[:, :, 5:, 5:] = stiffness * (thickness * weight)[..., None, None]
    size = strain.shape[-1]
    stress = np.matmul(law, strain).reshape(count, -1, size)
    element_k = np.matmul(strain.reshape(count, -1, size).transpose(0, 2, 1), stress)
    element_m = _element_mass(phi, psi, density * thickness * weight, thickness)

    n_w, n_u = int(bending.N), int(membrane.N)
    dofs = np.vstack(
        [bending.element_dofs + shift for shift in (0, n_w, 2 * n_w)]
        + [membrane.element_dofs + 3 * n_w + shift for shift in (0, n_u)]
    ).T
    total = 3 * n_w + 2 * n_u
    glued: list[BarOnShell] = []
    for bar in bars:
        glued.append(BarOnShell(bar, bending, membrane, total))
        total += glued[-1].size
    rows = np.repeat(dofs[:, :, None], size, axis=2).ravel()
    columns = np.repeat(dofs[:, None, :], size, axis=1).ravel()

    def matrix(element: FloatArray) -> sp.csc_matrix:
        return sp.coo_matrix((element.ravel(), (rows, columns)), shape=(total, total)).tocsc()

    k, m = matrix(element_k), matrix(element_m)
    for one in glued:
        bar_k, bar_m = one.matrices(total, fields.thickness_mm, heights)
        k, m = (k + bar_k).tocsc(), (m + bar_m).tocsc()
    ordered = TriangleMesh(mesh.points_mm, np.asarray(grid.t.T, dtype=np.int64))
    return ShellSystem(
        stiffness=k,
        mass=m,
        deflection_count=n_w,
        deflection_dofs=np.asarray(bending.element_dofs.T),
        mesh=ordered,
        mass_kg=float(np.sum(density * thickness * weight)) + sum(bar.mass_kg for bar in bars),
    )


def _values(basis: Any, shape: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """Shape functions (elements, points, n) and gradients (elements, points, 2, n)."""
    fields = [entry[0] for entry in basis.basis]
    values = np.array([np.broadcast_to(np.asarray(f), shape) for f in fields]).transpose(1, 2, 0)
    grads = np.array([np.broadcast_to(f.grad, (2, *shape)) for f in fields]).transpose(2, 3, 1, 0)
    return np.ascontiguousarray(values), np.ascontiguousarray(grads)


def _strain_matrix(
    phi: FloatArray, grad: FloatArray, psi: FloatArray, grad_psi: FloatArray, slope: FloatArray
) -> FloatArray:
    """Rows κxx κyy 2κxy | γx γy | εxx εyy γxy against the element's unknowns w θx θy u v."""
    count, points, n = phi.shape
    m = psi.shape[2]
    w, tx, ty = (slice(k * n, (k + 1) * n) for k in range(3))
    u, v = slice(3 * n, 3 * n + m), slice(3 * n + m, 3 * n + 2 * m)
    out = np.zeros((count, points, 8, 3 * n + 2 * m))
    dx, dy = grad[:, :, 0], grad[:, :, 1]
    zx, zy = slope[:, :, :1], slope[:, :, 1:]
    out[:, :, 0, tx] = dx
    out[:, :, 1, ty] = dy
    out[:, :, 2, tx], out[:, :, 2, ty] = dy, dx
    out[:, :, 3, w], out[:, :, 3, tx] = dx, -phi
    out[:, :, 4, w], out[:, :, 4, ty] = dy, -phi
    out[:, :, 5, u], out[:, :, 5, w] = grad_psi[:, :, 0], zx * dx
    out[:, :, 6, v], out[:, :, 6, w] = grad_psi[:, :, 1], zy * dy
    out[:, :, 7, u], out[:, :, 7, v] = grad_psi[:, :, 1], grad_psi[:, :, 0]
    out[:, :, 7, w] = zx * dy + zy * dx
    return out


def _element_mass(
    phi: FloatArray, psi: FloatArray, mass: FloatArray, thickness: FloatArray
) -> FloatArray:
    """Element mass matrices; `mass` is ρ·h·dS at the points."""
    n, m = phi.shape[2], psi.shape[2]
    out = np.zeros((len(phi), 3 * n + 2 * m, 3 * n + 2 * m))

    def gram(values: FloatArray, weight: FloatArray) -> FloatArray:
        return np.asarray(np.matmul((values * weight[..., None]).transpose(0, 2, 1), values))

    out[:, :n, :n] = gram(phi, mass)
    rotatory = gram(phi, mass * thickness**2 / 12.0)
    out[:, n : 2 * n, n : 2 * n] = rotatory
    out[:, 2 * n : 3 * n, 2 * n : 3 * n] = rotatory
    plane = gram(psi, mass)
    out[:, 3 * n : 3 * n + m, 3 * n : 3 * n + m] = plane
    out[:, 3 * n + m :, 3 * n + m :] = plane
    return out
