"""Equation-error rows: how far the gated spectra are from obeying the believed plate.

For test mode m and bin f:  r = λ_m (c + η b)_m + a_m, with c, b, a the modal coordinates of the
gated spectra of u, its 90°-shifted copy and u''. Linear in every unknown about the belief.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rig.field.halves import side_by_side
from rig.field.inversion_gate import GatedSpectra
from rig.field.inversion_state import Belief, ModalPlate, PlateGeometry
from rig.model.units import FloatArray
from rig.plate.shear import SHEAR_FACTOR

ComplexArray = NDArray[np.complex128]
_RIDGE = 1e-6
_RESONANCE_SD = 0.02
_TOP_RATIO = 1.35


@dataclass(frozen=True)
class Projection:
    """Modal coordinates (n, bins) of the spectra, and their noise.

    operator (n, taps): from taps to modes; leverage (taps,): share of each tap's own value in its
    fit; tap_noise2 (bins,): mean square of what no mode explains; mode_noise2 (n, bins): of the
    noise that it leaves in a coordinate.
    """

    operator: FloatArray
    leverage: FloatArray
    c: ComplexArray
    b: ComplexArray
    a: ComplexArray
    remainder: ComplexArray
    tap_noise2: FloatArray
    mode_noise2: FloatArray


def project(plate: ModalPlate, spectra: GatedSpectra) -> Projection:
    """Least squares of the tap spectra on the modes, with a negligible ridge."""
    p = plate.taps_w
    taps, n = p.shape
    gram = p.T @ p
    ridge = _RIDGE * float(np.median(np.diag(gram)))
    operator = np.asarray(np.linalg.solve(gram + ridge * np.eye(n), p.T), dtype=np.float64)
    c = operator @ spectra.u
    remainder = spectra.u - p @ c
    tap_noise2 = np.mean(np.abs(remainder) ** 2, axis=0) * taps / max(taps - n, 1)
    gain = np.sum(operator**2, axis=1)
    return Projection(
        operator=operator,
        leverage=np.sum(p * operator.T, axis=1),
        c=c,
        b=operator @ spectra.shifted,
        a=operator @ spectra.acceleration,
        remainder=remainder,
        tap_noise2=tap_noise2,
        mode_noise2=np.outer(gain, tap_noise2),
    )


@dataclass(frozen=True)
class Rows:
    """residual (r,), variance (r,) and jacobian (unknowns, r), real; blocks: name → slice.

    near_resonance (r,): the rows that act as frequency measurements, mode within 25 % of the bin.
    """

    residual: FloatArray
    variance: FloatArray
    jacobian: NDArray[np.float32]
    blocks: dict[str, slice]
    near_resonance: NDArray[np.bool_]


class TapColumns(Protocol):
    """Unknown errors of the taps that join the system."""

    def columns(
        self,
        plate: ModalPlate,
        spectra: GatedSpectra,
        projection: Projection,
        eta: FloatArray,
        tested: NDArray[np.intp],
    ) -> NDArray[np.float32]:
        """(unknowns, tested, real | imag bins) derivatives of the rows."""


def loss_factors(belief: Belief, spectra: GatedSpectra) -> FloatArray:
    """(bins,) loss factor, linear in each band."""
    low, high = belief.eta[2 * spectra.band], belief.eta[2 * spectra.band + 1]
    return np.asarray(low + (high - low) * spectra.place)


def build_rows(
    geometry: PlateGeometry,
    belief: Belief,
    plate: ModalPlate,
    spectra: GatedSpectra,
    projection: Projection,
    taps_mm: FloatArray,
    *,
    moving: bool,
    arching: bool,
    equation_noise: float,
    fields: TapColumns | None = None,
) -> Rows:
    """Residuals, their variances and derivatives with respect to every unknown."""
    omega = spectra.omega
    eta = loss_factors(belief, spectra)
    lam = plate.omega2
    top2 = (_TOP_RATIO * omega.max()) ** 2
    tested = np.flatnonzero((lam > 0) & (lam < top2))
    u = projection.c + eta * projection.b
    residual = lam[:, None] * u + projection.a
    pull, doubt = _in_plane_pull(plate, projection, omega, eta)
    residual -= pull
    shrink = _signal_share(projection)
    u_quiet, a_quiet = u * shrink, projection.a * shrink
    blocks: dict[str, slice] = {}
    columns: list[NDArray[np.float32]] = []

    def add_real(name: str, block: NDArray[np.float32]) -> None:
        start = sum(len(c) for c in columns)
        blocks[name] = slice(start, start + len(block))
        columns.append(block.reshape(len(block), -1))

    def add(name: str, block: ComplexArray) -> None:
        add_real(name, np.concatenate([block.real, block.imag], axis=-1).astype(np.float32))

    add_real(
        "log_thickness",
        _thickness_columns(geometry, belief, plate, u_quiet, a_quiet, tested),
    )
    add("constants", np.stack([form[tested] @ u_quiet for form in plate.constants]))
    damped = lam[tested, None] * (projection.b * shrink)[tested]
    add("eta", _damping_columns(belief, spectra, damped))
    if plate.ease is not None:
        add("shear", np.stack([form[tested] @ u_quiet for form in plate.ease]))
    if plate.bars is not None:
        add("bars", np.stack([form[tested] @ u_quiet for form in plate.bars]))
    if moving:
        move = _moving_columns(geometry, plate, projection, u_quiet, a_quiet, tested, taps_mm)
        add("move", move)
    if arching and plate.membrane is not None:
        add_real("arch", _arch_columns(geometry, belief, plate, u_quiet, tested))
    if fields is not None:
        add_real("taps", fields.columns(plate, spectra, projection, eta, tested))
    variance = _variance(spectra, projection, lam, tested, equation_noise)
    variance += doubt[tested]
    kept = residual[tested]
    ratio = np.sqrt(lam[tested, None]) / omega
    near = (ratio > 0.8) & (ratio < 1.25)
    return Rows(
        residual=np.hstack([kept.real, kept.imag]).ravel(),
        variance=np.hstack([variance, variance]).ravel(),
        jacobian=np.concatenate(columns),
        blocks=blocks,
        near_resonance=np.hstack([near, near]).ravel(),
    )


def _in_plane_pull(
    plate: ModalPlate, projection: Projection, omega: FloatArray, eta: FloatArray
) -> tuple[ComplexArray, FloatArray]:
    """What resonances of in-plane movements do to an arched plate's bending; (n, bins).

    The second array is the variance per part that the pull brings: the resonances' frequencies
    are known to `_RESONANCE_SD` only, and close to them the window is too short to obey ω.
    """
    modes = plate.modes
    if modes.in_plane_share is None or modes.in_plane_omega2 is None:
        return np.zeros_like(projection.c), np.zeros(projection.c.shape)
    share = modes.in_plane_share[: len(projection.c)]
    own = modes.in_plane_omega2[:, None]
    pole = own * (1.0 + 1j * eta) - omega**2
    drive = share.T @ projection.c
    pull = share @ ((omega**4 / pole) * drive)
    doubt = 2.0 * _RESONANCE_SD * own * omega**4 / np.abs(pole) ** 2 * np.abs(drive)
    return np.asarray(pull), np.asarray(0.5 * share**2 @ doubt**2)


def _signal_share(projection: Projection) -> FloatArray:
    """Errors in variables: how much of each coordinate is signal, from 5 neighbouring bins."""
    power = np.abs(projection.c) ** 2
    padded = np.pad(power, ((0, 0), (2, 2)), mode="edge")
    smooth = sum(padded[:, k : k + power.shape[1]] for k in range(5)) / 5.0
    return np.asarray(np.maximum(0.0, 1.0 - projection.mode_noise2 / np.maximum(smooth, 1e-300)))


def _variance(
    spectra: GatedSpectra,
    projection: Projection,
    lam: FloatArray,
    tested: NDArray[np.intp],
    equation_noise: float,
) -> FloatArray:
    """Variance per real and imaginary part of every (mode, bin)."""
    omega2 = spectra.omega**2
    away = lam[tested, None] - omega2
    noise = (
        0.5
        * projection.mode_noise2[tested]
        * (
            away**2
            + 4.0 * omega2 * spectra.spread2
            - 2.0 * away * spectra.spread2
            + spectra.spread4
        )
    )
    size2 = np.mean(np.abs(projection.c) ** 2, axis=0)
    model = (
        0.5 * equation_noise**2 * omega2**2 * size2 * np.minimum(1.0, lam[tested, None] / omega2)
    )
    return np.asarray(noise + model)


def _thickness_columns(
    geometry: PlateGeometry,
    belief: Belief,
    plate: ModalPlate,
    u: ComplexArray,
    a: ComplexArray,
    tested: NDArray[np.intp],
) -> NDArray[np.float32]:
    """∂r/∂θ_j; (j, tested, real | imag bins).

    ∫ b_j [3 h³/12 κ_m:C:κ(u) + ρ h φ_m φ(a)] dS, and h ε_m:C:ε(u) of an arched plate's membrane.
    """
    bins = u.shape[1]
    area = geometry.weights_m2
    h = plate.thickness_m
    u_parts = np.hstack([u.real, u.imag]).astype(np.float32)
    a_parts = np.hstack([a.real, a.imag]).astype(np.float32)
    density = np.array([[belief.density_kg_m3]])
    terms = [
        (plate.curvature, belief.stiffness.bending_matrix(), 3.0 * area * h**3 / 12.0, u_parts),
        (plate.w[None], density, area * h, a_parts),
    ]
    if plate.membrane is not None:
        terms.append((plate.membrane, belief.stiffness.matrix(), area * h, u_parts))
    if plate.shear is not None and belief.moduli_pa is not None:
        moduli = np.diag(SHEAR_FACTOR * np.array(belief.moduli_pa))
        terms.append((plate.shear, moduli, area * h, u_parts))
    kinds = sum(len(shapes) for shapes, *_ in terms)
    # Laid out point by point in single precision, the largest arrays but the answer itself.
    field = np.empty((len(h), kinds, 2 * bins), dtype=np.float32)
    test = np.empty((len(h), kinds, len(tested)), dtype=np.float32)
    row = 0
    for shapes, form, weight, movement in terms:
        strain = [shape.astype(np.float32) @ movement for shape in shapes]
        for stiffness, shape in zip(form.astype(np.float32), shapes, strict=True):
            stress = sum(c * part for c, part in zip(stiffness, strain, strict=True) if c)
            field[:, row] = stress * weight[:, None].astype(np.float32)
            test[:, row] = shape[:, tested]
            row += 1
    out = np.empty((geometry.field.size, len(tested), 2 * bins), dtype=np.float32)
    on_places = geometry.on_places

    def fill(some: range) -> None:
        for j in some:
            span = slice(on_places.indptr[j], on_places.indptr[j + 1])
            points = on_places.indices[span]
            weight = on_places.data[span].astype(np.float32)
            left = (test[points] * weight[:, None, None]).reshape(-1, len(tested))
            np.matmul(left.T, field[points].reshape(-1, 2 * bins), out=out[j])

    everything = range(geometry.field.size)
    side_by_side(fill, (everything[::2], everything[1::2]))
    return out


def _arch_columns(
    geometry: PlateGeometry,
    belief: Belief,
    plate: ModalPlate,
    u: ComplexArray,
    tested: NDArray[np.intp],
) -> NDArray[np.float32]:
    """∂r/∂z_l = ∫ h [δε_m:C:ε(u) + ε_m:C:δε(u)] dS per mm, δε = −(curvature of spline l) w."""
    assert plate.membrane is not None
    weight = geometry.weights_m2 * plate.thickness_m
    form = belief.stiffness.matrix()
    u_parts = np.hstack([u.real, u.imag])
    strain = np.stack([m @ u_parts for m in plate.membrane])
    force = _points_first(np.einsum("ab,bpf->apf", form, strain) * weight[:, None])
    stress = np.einsum("ab,bpm->apm", form, plate.membrane[:, :, tested]) * weight[:, None]
    stress = _points_first(stress)
    w_u, w_m = (plate.w @ u_parts).astype(np.float32), plate.w[:, tested].astype(np.float32)
    out = np.empty((len(geometry.arch_support), len(tested), u_parts.shape[1]), dtype=np.float32)

    def fill(some: range) -> None:
        for spline in some:
            points, curvature = geometry.arch_support[spline]
            drawn = np.matmul(curvature[:, None, :], force[points])[:, 0]
            out[spline] = -(w_m[points].T @ drawn)
            drawn = np.matmul(curvature[:, None, :], stress[points])[:, 0]
            out[spline] -= drawn.T @ w_u[points]

    everything = range(len(geometry.arch_support))
    side_by_side(fill, (everything[::2], everything[1::2]))
    return out


def _points_first(field: FloatArray) -> NDArray[np.float32]:
    """(a, p, f) as (p, a, f) in single precision."""
    return np.ascontiguousarray(field.transpose(1, 0, 2), dtype=np.float32)


def _damping_columns(belief: Belief, spectra: GatedSpectra, column: ComplexArray) -> ComplexArray:
    """One pair of columns per band, linear inside the band."""
    out = np.zeros((len(belief.eta), *column.shape), dtype=np.complex128)
    for band in np.unique(spectra.band):
        inside = spectra.band == band
        out[2 * band][:, inside] = column[:, inside] * (1.0 - spectra.place[inside])
        out[2 * band + 1][:, inside] = column[:, inside] * spectra.place[inside]
    return out


def _moving_columns(
    geometry: PlateGeometry,
    plate: ModalPlate,
    projection: Projection,
    u: ComplexArray,
    a: ComplexArray,
    tested: NDArray[np.intp],
    taps_mm: FloatArray,
) -> ComplexArray:
    """Columns of (dx, dy) in mm and of the angle in rad."""
    operator = projection.operator[tested]
    lam = plate.omega2[tested, None]
    offset_m = (taps_mm - geometry.centre_mm) * 1e-3
    turning = -offset_m[:, 1, None] * plate.taps_x + offset_m[:, 0, None] * plate.taps_y
    columns = []
    for slopes, unit in ((plate.taps_x, 1e-3), (plate.taps_y, 1e-3), (turning, 1.0)):
        through = operator @ slopes * unit
        columns.append(-(lam * (through @ u) + through @ a))
    return np.stack(columns)
