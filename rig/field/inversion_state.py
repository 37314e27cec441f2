"""What the inversion believes about the plate, and the plate's modes that follow from it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import sparse

from rig.field.inversion_spline import SplineField
from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.plate.plate_model import PlateModel, PlateModes
from rig.plate.wood import Stiffness


@dataclass(frozen=True)
class Belief:
    """log_thickness (j,): spline coefficients of ln(h / 1 m); eta (2 × bands,): loss factor at both
    ends of every band; move (3,): mm, mm, rad by which the taps' frame is off; arch_mm: crown
    height; softening (4,): fall of ln c11, c22, c12, c66 per 5 kHz (transverse shear).
    """

    log_thickness: FloatArray
    stiffness: Stiffness
    density_kg_m3: float
    eta: FloatArray
    move: FloatArray = field(default_factory=lambda: np.zeros(3))
    softening: FloatArray = field(default_factory=lambda: np.zeros(4))
    arch_mm: float = 0.0
    arch_field: FloatArray = field(default_factory=lambda: np.zeros(0))

    def changed(self, **values: object) -> Belief:
        """The same belief with some values replaced."""
        return replace(self, **values)  # type: ignore[arg-type]


class PlateGeometry:
    """Mesh, splines and integration points of one outline: computed once per scan."""

    def __init__(self, outline: Outline, *, mesh_mm: float = 12.0, spacing_mm: float = 14.0) -> None:
        self.outline = outline
        self.model = PlateModel.of(outline, size_mm=mesh_mm)
        self.field = SplineField(self.model.places_mm, spacing_mm)
        self.on_model = self.field.matrix(self.model.places_mm)
        self.places_mm, self.weights_m2 = self.model.rule(4)
        self.on_places: sparse.csc_matrix = self.field.matrix(self.places_mm).tocsc()
        self.operators = [
            self.model.operator(self.places_mm, *d) for d in ((2, 0), (0, 2), (1, 1), (0, 0))
        ]
        self.centre_mm = np.average(self.places_mm, axis=0, weights=self.weights_m2)

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
    """

    modes: PlateModes
    curvature: FloatArray
    w: FloatArray
    taps_w: FloatArray
    taps_x: FloatArray
    taps_y: FloatArray
    constants: FloatArray
    thickness_m: FloatArray

    @property
    def omega2(self) -> FloatArray:
        """(n,) squared angular frequencies, three zeros first."""
        return self.modes.omega2


_FORMS = np.zeros((4, 3, 3))
_FORMS[0, 0, 0] = _FORMS[1, 1, 1] = 1.0
_FORMS[2, 0, 1] = _FORMS[2, 1, 0] = 1.0
_FORMS[3, 2, 2] = 4.0


def modal_plate(
    geometry: PlateGeometry,
    belief: Belief,
    taps_mm: FloatArray,
    count: int,
    previous: ModalPlate | None = None,
) -> ModalPlate:
    """Solve the believed plate for its `count` lowest modes."""
    thickness = np.asarray(np.exp(geometry.on_model @ belief.log_thickness))
    modes = geometry.model.solve(
        thickness,
        belief.stiffness,
        belief.density_kg_m3,
        count=count,
        start=None if previous is None else previous.modes,
        tolerance=1e-8,
    )
    bending = modes.bending
    kxx, kyy, kxy, w = (op @ bending for op in geometry.operators)
    at_places = geometry.thickness_m(belief.log_thickness)
    rigidity = geometry.weights_m2 * at_places**3 / 12.0
    values = belief.stiffness.as_array()
    weighted = [k * rigidity[:, None] for k in (kxx, kyy, kxy)]
    cross = kxx.T @ weighted[1]
    constants = np.stack(
        [
            values[0] * (kxx.T @ weighted[0]),
            values[1] * (kyy.T @ weighted[1]),
            values[2] * (cross + cross.T),
            values[3] * 4.0 * (kxy.T @ weighted[2]),
        ]
    )
    moved = moved_places(taps_mm, belief.move, geometry.centre_mm)
    return ModalPlate(
        modes=modes,
        curvature=np.stack([kxx, kyy, kxy]),
        w=np.asarray(w),
        taps_w=modes.at(moved),
        taps_x=modes.at(moved, 1, 0),
        taps_y=modes.at(moved, 0, 1),
        constants=constants,
        thickness_m=at_places,
    )


def moved_places(taps_mm: FloatArray, move: FloatArray, centre_mm: FloatArray) -> FloatArray:
    """Carry the taps by (dx, dy, angle) about the plate's middle."""
    offset = taps_mm - centre_mm
    turned = np.column_stack([-offset[:, 1], offset[:, 0]]) * move[2]
    return np.asarray(taps_mm + move[:2] + turned)
