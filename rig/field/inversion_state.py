"""What the inversion believes about the plate, and the plate's modes that follow from it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rig.model.outline import Outline
from rig.model.plate_facts import Bar
from rig.model.units import FloatArray
from rig.plate.arching import ArchSurface
from rig.plate.plate_model import Arch, PlateModel, PlateModes
from rig.plate.shear import SHEAR_FACTOR
from rig.plate.splines import SplineField
from rig.plate.wood import Stiffness


@dataclass(frozen=True)
class Belief:
    """log_thickness (j,): spline coefficients of ln(h / 1 m); eta (2 × bands,): loss factor at both
    ends of every band; move (3,): mm, mm, rad by which the taps' frame is off; shear_ease (2,):
    transverse shear's flexibility in the x-z and y-z planes against 1/shear_pa; empty for a plate
    without shear. arch (l,): spline coefficients in mm of the arch's height; empty if flat and
    without bars. bar_log (bars,): ln of each bar's stiffness against what its section and wood say.
    """

    log_thickness: FloatArray
    stiffness: Stiffness
    density_kg_m3: float
    eta: FloatArray
    move: FloatArray = field(default_factory=lambda: np.zeros(3))
    shear_pa: tuple[float, float] = (0.9e9, 0.3e9)
    shear_ease: FloatArray = field(default_factory=lambda: np.zeros(0))
    arch: FloatArray = field(default_factory=lambda: np.zeros(0))
    bar_log: FloatArray = field(default_factory=lambda: np.zeros(0))

    def changed(self, **values: object) -> Belief:
        """The same belief with some values replaced."""
        return replace(self, **values)  # type: ignore[arg-type]

    @property
    def moduli_pa(self) -> tuple[float, float] | None:
        """The believed transverse shear moduli; None for a plate without shear."""
        if not len(self.shear_ease):
            return None
        (x, y), (ease_x, ease_y) = self.shear_pa, self.shear_ease
        return float(x / ease_x), float(y / ease_y)


class PlateGeometry:
    """Mesh, splines and integration points of one outline: computed once per scan."""

    def __init__(
        self,
        outline: Outline,
        *,
        mesh_mm: float = 12.0,
        spacing_mm: float = 14.0,
        bars: tuple[Bar, ...] = (),
    ) -> None:
        self.outline = outline
        self.mesh_mm = mesh_mm
        self.glued = bars
        self.model = PlateModel.of(outline, size_mm=mesh_mm)
        self.field = SplineField(self.model.places_mm, spacing_mm)
        self.on_model = self.field.matrix(self.model.places_mm)
        self.places_mm, self.weights_m2 = self.model.rule(4)
        self.on_places: sparse.csc_matrix = self.field.matrix(self.places_mm).tocsc()
        self.operators = [
            self.model.operator(self.places_mm, *d) for d in ((2, 0), (0, 2), (1, 1), (0, 0))
        ]
        self.arch = ArchSurface(self.model.places_mm)
        self.bars = self.model.laid(bars)
        self.centre_mm = np.average(self.places_mm, axis=0, weights=self.weights_m2)

    @cached_property
    def arch_curvature(self) -> list[sparse.csr_matrix]:
        """From the arch's coefficients to z_xx, z_yy, 2 z_xy at the sensitivity points."""
        return list(self.arch.operators(self.places_mm)[2:])

    @cached_property
    def arch_support(self) -> list[tuple[NDArray[np.intp], NDArray[np.float32]]]:
        """For every spline of the arch: its sensitivity points and its curvature (k, 3) there."""
        columns = [op.tocsc() for op in self.arch_curvature]
        out = []
        for spline in range(columns[0].shape[1]):
            parts = [slice(c.indptr[spline], c.indptr[spline + 1]) for c in columns]
            rows = [c.indices[part] for c, part in zip(columns, parts, strict=True)]
            points = np.unique(np.concatenate(rows)).astype(np.intp)
            curvature = np.zeros((len(points), 3), dtype=np.float32)
            for axis, (c, part) in enumerate(zip(columns, parts, strict=True)):
                curvature[np.searchsorted(points, rows[axis]), axis] = c.data[part]
            out.append((points, curvature))
        return out

    @cached_property
    def _arch_on_model(self) -> tuple[sparse.csr_matrix, ...]:
        return self.arch.operators(self.model.places_mm)

    def arch_on_model(self, belief: Belief) -> Arch | None:
        """The believed arch where the plate model needs it; None for a flat plate."""
        if not len(belief.arch):
            return None
        values = [op @ belief.arch for op in self._arch_on_model]
        return Arch(slopes=np.column_stack(values[:2]), curvature=np.column_stack(values[2:]))

    def half_thickness_mm(self, belief: Belief) -> FloatArray:
        """Half the believed thickness as coefficients of the arch's splines."""
        half = 500.0 * np.exp(self.on_model @ belief.log_thickness)
        return self.arch.field.fitted(self.model.places_mm, half)

    def thickness_m(self, log_thickness: FloatArray) -> FloatArray:
        """Thickness at the sensitivity points."""
        return np.asarray(np.exp(self.on_places @ log_thickness))

    def mass_kg(self, belief: Belief) -> float:
        """Mass that the belief amounts to."""
        thickness = self.thickness_m(belief.log_thickness)
        return float(belief.density_kg_m3 * np.sum(self.weights_m2 * thickness))


@dataclass(frozen=True)
class ModalPlate:
    """Modes of a belief, and what their derivatives need.

    curvature (3, p, n) and w (p, n) at the sensitivity points; taps_w, taps_x, taps_y (taps, n):
    displacement and slopes (per metre) at the taps; constants (4, n, n): ∂K/∂ ln c.
    For an arched plate also the membrane strains (3, p, n); for a sheared one the shear strains
    (2, p, n), its curvature being that of the section's rotation, and ease (2, n, n): ∂K/∂ease;
    for one with bars bars (bars, n, n): ∂K/∂ ln of each bar's stiffness.
    """

    modes: PlateModes
    curvature: FloatArray
    w: FloatArray
    taps_w: FloatArray
    taps_x: FloatArray
    taps_y: FloatArray
    constants: FloatArray
    thickness_m: FloatArray
    membrane: FloatArray | None = None
    shear: FloatArray | None = None
    ease: FloatArray | None = None
    bars: FloatArray | None = None

    @property
    def omega2(self) -> FloatArray:
        """(n,) squared angular frequencies, three zeros first."""
        return self.modes.omega2[: self.w.shape[1]]

    def first(self, count: int) -> ModalPlate:
        """The same plate with its first `count` modes only."""
        return replace(
            self,
            curvature=self.curvature[:, :, :count],
            w=self.w[:, :count],
            taps_w=self.taps_w[:, :count],
            taps_x=self.taps_x[:, :count],
            taps_y=self.taps_y[:, :count],
            constants=self.constants[:, :count, :count],
            membrane=None if self.membrane is None else self.membrane[:, :, :count],
            shear=None if self.shear is None else self.shear[:, :, :count],
            ease=None if self.ease is None else self.ease[:, :count, :count],
            bars=None if self.bars is None else self.bars[:, :count, :count],
        )


def modal_plate(
    geometry: PlateGeometry,
    belief: Belief,
    taps_mm: FloatArray,
    count: int,
    previous: ModalPlate | None = None,
    in_plane_count: int = 0,
) -> ModalPlate:
    """Solve the believed plate for its `count` lowest modes."""
    thickness = np.asarray(np.exp(geometry.on_model @ belief.log_thickness))
    arched = len(belief.arch) > 0
    modes = geometry.model.solve(
        thickness,
        belief.stiffness,
        belief.density_kg_m3,
        count=count,
        arch=geometry.arch_on_model(belief),
        shear_pa=belief.moduli_pa,
        in_plane_count=in_plane_count,
        start=None if previous is None else previous.modes,
        tolerance=1e-8,
        quick=True,
        bars=geometry.bars,
        bar_stiffness=np.exp(belief.bar_log),
    )
    bending = modes.bending
    kxx, kyy, kxy, w = (op @ bending for op in geometry.operators)
    at_places = geometry.thickness_m(belief.log_thickness)
    curvature = np.stack([kxx, kyy, kxy])
    shear = ease = None
    if belief.moduli_pa is not None:
        shear, added = modes.shear_strain(4)
        curvature += added
        weight = SHEAR_FACTOR * (geometry.weights_m2 * at_places)[:, None]
        ease = np.stack(
            [
                -modulus / share * (strain.T @ (strain * weight))
                for modulus, share, strain in zip(
                    belief.moduli_pa, belief.shear_ease, shear, strict=True
                )
            ]
        )
    twice = np.array([1.0, 1.0, 2.0])[:, None, None]  # (wxx, wyy, 2 wxy)
    constants = _energies(belief, twice * curvature, geometry.weights_m2 * at_places**3 / 12.0)
    membrane = None
    if arched:
        bent = np.stack([op @ belief.arch for op in geometry.arch_curvature])
        membrane = modes.in_plane_strain(4) - bent[:, :, None] * w
        constants += _energies(belief, membrane, geometry.weights_m2 * at_places)
    moved = moved_places(taps_mm, belief.move, geometry.centre_mm)
    return ModalPlate(
        modes=modes,
        curvature=curvature,
        w=np.asarray(w),
        taps_w=modes.at(moved),
        taps_x=modes.at(moved, 1, 0),
        taps_y=modes.at(moved, 0, 1),
        constants=constants,
        thickness_m=at_places,
        membrane=membrane,
        shear=shear,
        ease=ease,
        bars=modes.bar_energy,
    )


def _energies(belief: Belief, strain: FloatArray, weight: FloatArray) -> FloatArray:
    """(4, n, n) parts of the stiffness matrix that go with c11, c22, c12 and c66."""
    xx, yy, xy = strain
    values = belief.stiffness.as_array()
    cross = xx.T @ (yy * weight[:, None])
    return np.stack(
        [
            values[0] * (xx.T @ (xx * weight[:, None])),
            values[1] * (yy.T @ (yy * weight[:, None])),
            values[2] * (cross + cross.T),
            values[3] * (xy.T @ (xy * weight[:, None])),
        ]
    )


def moved_places(taps_mm: FloatArray, move: FloatArray, centre_mm: FloatArray) -> FloatArray:
    """Carry the taps by (dx, dy, angle) about the plate's middle."""
    offset = taps_mm - centre_mm
    turned = np.column_stack([-offset[:, 1], offset[:, 0]]) * move[2]
    return np.asarray(taps_mm + move[:2] + turned)
