"""What a cut would do, before it is made: to every partial of the plate and to the local tone.

The plate is solved as it is and as it would be. The doubt is found by cutting plates that differ
from this one as far as it is doubtful; these are solved once each, and the cut changes their
stiffness and mass in the span of their own modes (Rayleigh-Ritz; Lord Rayleigh, The Theory of
Sound, §90, gives the first order, `rig.plate.sensitivity`). Left out: what the cut changes of the
arch, the inertia of turning, the wood's own unevenness with depth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.field.cut_shell import shell_change
from rig.field.inversion_state import Belief, ModalPlate, PlateGeometry, modal_plate
from rig.model.errors import UsageError
from rig.model.outline import Outline
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.units import FloatArray
from rig.plate.bars import BarLine
from rig.plate.plate_model import Arch, PlateModel
from rig.plate.shear import SHEAR_FACTOR

MOST_SHARE = 0.15  # of the thickness: beyond it neither span nor doubts hold
MODES = 70
TOLD = 40  # modes whose change is told: to about 2.5 kHz on a violin plate
_NARROWEST_MM, _WIDEST_MM = 12.0, 150.0
_EDGE_SHARE = 1e-3  # of the depth: farther out the cut is nothing
_CENTS = 1200.0 / np.log(2.0)
_DRAWS = 5
_SEED = 20214
_MESH_SHARE = 0.01  # of a change, left of the meshes (tests/bench/bench_preview.py)
_FINER = 0.73  # of the mesh's size
_MESH_POWER = 3.0  # of the mesh's size in the error of a change, by that bench
_MIXED = 0.35  # of a change, between the meshes: no power law
_TOLERANCE = 1e-10
_SHAPE_SHARE = 0.7  # set on one virtual plate, tests/bench/bench_preview_world.py


@dataclass(frozen=True)
class Cut:
    """A scraper's dish: `depth_mm` at its middle, half as deep at half of `width_mm` from it."""

    x_mm: float
    y_mm: float
    width_mm: float
    depth_mm: float

    def depth_m(self, xy_mm: FloatArray) -> FloatArray:
        """Wood taken off at (k, 2) places, in m; (k,)."""
        gap = np.hypot(xy_mm[:, 0] - self.x_mm, xy_mm[:, 1] - self.y_mm)
        shape = np.exp(-4.0 * np.log(2.0) * (gap / self.width_mm) ** 2)
        return np.asarray(1e-3 * self.depth_mm * np.where(shape > _EDGE_SHARE, shape, 0.0))


@dataclass(frozen=True)
class Doubts:
    """How far the plate may differ from the believed one; one standard deviation, logarithms.

    constants: c11, c22, c12, c66; thickness: place by place, alike over length_mm; level: of all.
    """

    constants: tuple[float, float, float, float]
    thickness: float
    length_mm: float
    level: float


# Level reached by the inversion's constants and tones (tests/bench/bench_inversion.py), and what a
# species' handbook values and an unknown graduation leave open (USDA Wood Handbook, ch. 5: 22 % in
# modulus; graduation: common practice, no source).
FITTED = Doubts((0.03, 0.03, 0.10, 0.03), 0.015, 40.0, 0.02)
FROM_OUTLINE = Doubts((0.22, 0.22, 0.30, 0.22), 0.13, 60.0, 0.06)


@dataclass(frozen=True)
class CutEffect:
    """The lowest modes (n,) by frequency: hz, change_cents, sd_cents; shapes: the plate's modes.

    first_order_cents: by the sensitivity alone. thickness_mm: at the middle of the cut, with sd.
    tone_cents: change of local tone at the middle; tone_over_cents: mean over the cut's width.
    """

    cut: Cut
    hz: FloatArray
    change_cents: FloatArray
    first_order_cents: FloatArray
    sd_cents: FloatArray
    thickness_mm: float
    thickness_sd_mm: float
    tone_cents: float
    tone_sd_cents: float
    tone_over_cents: float
    mass_g: float
    shapes: ModalPlate


def check_cut(cut: Cut, outline: Outline) -> None:
    """Raise UsageError for a cut beside the plate, or of a size that no preview can tell of."""
    if not bool(outline.contains(np.array([[cut.x_mm, cut.y_mm]]))[0]):
        width, length = outline.size_mm
        raise UsageError(
            f"x {cut.x_mm:g}, y {cut.y_mm:g} mm is not on the wood of this plate.",
            remedy=f"It is {width:.0f} mm wide and {length:.0f} mm long; x counts from the centre "
            "line, y from the lower end.",
        )
    if not _NARROWEST_MM <= cut.width_mm <= _WIDEST_MM:
        raise UsageError(
            f"A cut {cut.width_mm:g} mm wide cannot be previewed.",
            remedy=f"Give a width of {_NARROWEST_MM:.0f} to {_WIDEST_MM:.0f} mm.",
        )
    if not cut.depth_mm > 0.0:
        raise UsageError(
            f"A depth of {cut.depth_mm:g} mm takes nothing off.",
            remedy="Give the wood to be taken off in millimetres, such as 0.1.",
        )


def cut_effect(
    geometry: PlateGeometry,
    belief: Belief,
    cut: Cut,
    doubts: Doubts,
    *,
    measured_mm: tuple[float, float] | None = None,
    modes: int = MODES,
    draws: int = _DRAWS,
    progress: Progress = silent,
) -> CutEffect:
    """Preview a cut on a believed plate; raises UsageError for one that is too deep.

    measured_mm: thickness at the cut's middle with sd, where a caliper has read it.
    """
    check_cut(cut, geometry.outline)
    centre = np.array([[cut.x_mm, cut.y_mm]])
    believed = 1e3 * float(np.exp(geometry.field.matrix(centre) @ belief.log_thickness)[0])
    own_sd = believed * float(np.hypot(doubts.thickness, doubts.level))
    thickness, sd = (believed, own_sd) if measured_mm is None else measured_mm
    check_depth(cut, min(thickness, believed))
    progress(ProgressEvent("Cutting the model", 0, draws + 1))
    plate = modal_plate(geometry, belief, centre, modes)
    span, first = span_changes(geometry, belief, plate, cut)
    change, mesh_sd = _solved_changes(geometry, belief, plate, cut)
    told = len(change)
    rng = np.random.default_rng(_SEED)
    spread = np.zeros((draws, told))
    for number in range(draws):
        progress(ProgressEvent("Cutting the model", number + 1, draws + 1))
        other = _drawn(geometry, belief, doubts, rng)
        solved = modal_plate(geometry, other, centre, modes, plate)
        partner = _partners(geometry, belief, plate.w[:, 3:], solved.w[:, 3:])
        moved, _ = span_changes(geometry, other, solved, cut)
        spread[number] = (moved[partner] - span)[:told]
    progress(ProgressEvent("Cutting the model", draws + 1, draws + 1))
    scatter = np.sqrt(np.mean(spread**2, axis=0)) if draws else np.zeros(told)
    apart = np.hypot(np.hypot(change - span[:told], mesh_sd), _MESH_SHARE * change)
    near = np.hypot(*(geometry.places_mm - centre).T) <= 0.5 * cut.width_mm
    over = near if near.any() else np.ones(len(near), dtype=bool)
    share = cut.depth_m(geometry.places_mm[over]) / plate.thickness_m[over]
    mass = (
        1e3 * belief.density_kg_m3 * np.sum(geometry.weights_m2 * cut.depth_m(geometry.places_mm))
    )
    return CutEffect(
        cut=cut,
        hz=np.sqrt(plate.omega2[3 : 3 + told]) / (2.0 * np.pi),
        change_cents=change,
        first_order_cents=first[:told],
        sd_cents=np.hypot(scatter, apart),
        thickness_mm=thickness,
        thickness_sd_mm=sd,
        tone_cents=_CENTS * float(np.log(1.0 - cut.depth_mm / thickness)),
        tone_sd_cents=_CENTS * cut.depth_mm / (thickness - cut.depth_mm) * sd / thickness,
        tone_over_cents=_CENTS
        * float(np.average(np.log(1.0 - share), weights=geometry.weights_m2[over])),
        mass_g=float(mass),
        shapes=plate,
    )


def check_depth(cut: Cut, thickness_mm: float) -> None:
    """Raise UsageError for a cut that takes more than 15 % of the wood."""
    if cut.depth_mm > MOST_SHARE * thickness_mm:
        raise UsageError(
            f"{cut.depth_mm:g} mm off {thickness_mm:.2f} mm is "
            f"{100 * cut.depth_mm / thickness_mm:.0f} % of the wood there; a preview holds up to "
            f"{100 * MOST_SHARE:.0f} %.",
            where=f"x {cut.x_mm:.0f}, y {cut.y_mm:.0f} mm",
            remedy=f"Preview at most {MOST_SHARE * thickness_mm:.2f} mm, cut that, and scan again.",
        )


def _solved_changes(
    geometry: PlateGeometry, belief: Belief, plate: ModalPlate, cut: Cut
) -> tuple[FloatArray, FloatArray]:
    """Cents by which the first `TOLD` modes move when the cut plate is solved anew, and the doubt.

    Solved on two meshes; what is told is where they lead to (L. F. Richardson, Phil. Trans. R.
    Soc. A 210 (1911) 307, for errors that go with a power of the mesh). Modes that lie so near
    each other that the mesh mixes them differ much between the two: half of that is doubt.
    """
    model = geometry.model
    finer = PlateModel.of(geometry.outline, size_mm=_FINER * geometry.mesh_mm)
    coarse = _changes_on(model, geometry.bars, geometry, belief, plate, cut)
    fine = _changes_on(finer, finer.laid(geometry.glued), geometry, belief, plate, cut)
    beyond = (fine - coarse) / (_FINER**-_MESH_POWER - 1.0)
    mixed = np.abs(fine - coarse) > _MIXED * np.abs(fine)
    beyond[mixed] = 0.0
    return fine + beyond, 0.5 * np.abs(fine - coarse)


def _changes_on(
    model: PlateModel,
    bars: tuple[BarLine, ...],
    geometry: PlateGeometry,
    belief: Belief,
    plate: ModalPlate,
    cut: Cut,
) -> FloatArray:
    """The same on one mesh."""
    told = min(TOLD, plate.w.shape[1] - 3)
    own = model is geometry.model
    thickness = np.asarray(np.exp(geometry.field.matrix(model.places_mm) @ belief.log_thickness))
    arch = geometry.arch_on_model(belief)
    if arch is not None and not own:
        values = [op @ belief.arch for op in geometry.arch.operators(model.places_mm)]
        arch = Arch(slopes=np.column_stack(values[:2]), curvature=np.column_stack(values[2:]))
    solved = []
    start = plate.modes if own else None
    for wood in (thickness, thickness - cut.depth_m(model.places_mm)):
        start = model.solve(
            wood,
            belief.stiffness,
            belief.density_kg_m3,
            count=told + 10,
            arch=arch,
            shear_pa=belief.moduli_pa,
            start=start,
            tolerance=_TOLERANCE,
            bars=bars,
            bar_stiffness=np.exp(belief.bar_log),
        )
        shape = start.at(geometry.places_mm)[:, 3:]
        mine = _partners(geometry, belief, plate.w[:, 3 : 3 + told], shape)
        solved.append(start.omega2[3:][mine])
    return np.asarray(0.5 * _CENTS * np.log(solved[1] / solved[0]))


def span_changes(
    geometry: PlateGeometry, belief: Belief, plate: ModalPlate, cut: Cut
) -> tuple[FloatArray, FloatArray]:
    """Cents by which each flexible mode moves, in the span of all and to first order; (n,)."""
    from scipy.linalg import eigh

    off = cut.depth_m(geometry.places_mm)
    rows = np.flatnonzero(off > 0.0)
    weight, before = geometry.weights_m2[rows], plate.thickness_m[rows]
    after = before - off[rows]
    bend = weight * (after**3 - before**3) / 12.0
    thin = weight * (after - before)
    first_bend = -weight * before**2 / 4.0 * off[rows]
    law = belief.stiffness

    def energy(strain: FloatArray, matrix: FloatArray, by: FloatArray) -> FloatArray:
        stress = np.einsum("ab,bkm->akm", matrix, strain) * by[:, None]
        return np.asarray(np.einsum("akm,akn->mn", strain, stress, optimize=True))

    kappa, w = plate.curvature[:, rows], plate.w[rows]
    stiff = energy(kappa, law.bending_matrix(), bend)
    first = energy(kappa, law.bending_matrix(), first_bend)
    stretched, swung = shell_change(geometry, belief, plate, cut.depth_m(geometry.model.places_mm))
    if plate.shear is not None and belief.moduli_pa is not None:
        stretched = stretched + energy(
            plate.shear[:, rows], SHEAR_FACTOR * np.diag(np.array(belief.moduli_pa)), thin
        )
    mass = swung + belief.density_kg_m3 * (w.T @ (w * thin[:, None]))
    lam = plate.omega2
    values, vectors = eigh(np.diag(lam) + stiff + stretched, np.eye(len(lam)) + mass)
    mine = _assigned(vectors[3:, 3:] ** 2)
    moved = 0.5 * _CENTS * np.log(values[3:][mine] / lam[3:])
    slope = (np.diag(first + stretched) - lam * np.diag(mass))[3:]
    return np.asarray(moved), np.asarray(0.5 * _CENTS * slope / lam[3:])


def _assigned(likeness: FloatArray) -> np.ndarray:
    """For every row its column, each taken once, so that the sum of likeness is greatest."""
    from scipy.optimize import linear_sum_assignment

    rows, columns = linear_sum_assignment(-likeness)
    return np.asarray(columns[np.argsort(rows)])


def _partners(
    geometry: PlateGeometry, belief: Belief, shapes: FloatArray, others: FloatArray
) -> np.ndarray:
    """Of every mode of `shapes` (p, n) the one of `others` (p, m) that is most like it."""
    load = belief.density_kg_m3 * geometry.weights_m2
    load = load * geometry.thickness_m(belief.log_thickness)
    return _assigned((shapes.T @ (others * load[:, None])) ** 2)


def _drawn(
    geometry: PlateGeometry, belief: Belief, doubts: Doubts, rng: np.random.Generator
) -> Belief:
    """Another plate that may be the true one; its mass follows its level."""
    field = geometry.field
    root = np.linalg.cholesky(field.covariance(((doubts.thickness, doubts.length_mm),)))
    rough = root @ rng.standard_normal(field.size)
    weight = geometry.weights_m2 * geometry.thickness_m(belief.log_thickness)
    rough -= float(np.average(geometry.on_places @ rough, weights=weight))
    level = doubts.level * float(rng.standard_normal())
    constants = np.array(doubts.constants) * rng.standard_normal(4)
    return belief.changed(
        log_thickness=belief.log_thickness + rough + level,
        stiffness=belief.stiffness.scaled(constants),
    )


@dataclass(frozen=True)
class HeardShift:
    """A partial of the ring and what the cut would do to it; mode None: none of the model is it.

    likeness: of the shape heard to the model's, 0…1.
    """

    hz: float
    mode: int | None
    model_hz: float | None
    likeness: float | None
    change_cents: float | None
    sd_cents: float | None


def heard_shifts(
    effect: CutEffect,
    hz: Sequence[float],
    likeness: FloatArray,
    *,
    reach: float,
    least: float = 0.6,
) -> tuple[HeardShift, ...]:
    """Give every partial heard the shift of the model's mode that is most like it.

    likeness (partials, modes): modal assurance criterion at the taps. Partners lie within `reach`
    (share of the frequency) and are alike by `least` at least.
    """
    if not len(hz):
        return ()
    off = np.abs(np.log(effect.hz[None, :] / np.asarray(hz)[:, None])) / np.log1p(reach)
    usable = (off <= 1.0) & (likeness >= least)
    from scipy.optimize import linear_sum_assignment

    rows, columns = linear_sum_assignment(-np.where(usable, likeness - 0.3 * off, -10.0))
    mode = {int(r): int(c) for r, c in zip(rows, columns, strict=True) if usable[r, c]}
    usual = float(np.sqrt(np.mean(effect.change_cents**2)))
    found = []
    for k, heard in enumerate(hz):
        m = mode.get(k)
        if m is None:
            found.append(HeardShift(float(heard), None, None, None, None, None))
            continue
        alike, change = float(likeness[k, m]), float(effect.change_cents[m])
        # Off in frequency: off twice as much in the energies behind the change. Off in shape: the
        # bend at one place errs by the sine of the angle between the shapes, times what is usual.
        energy = 2.0 * float(np.log(effect.hz[m] / heard)) * change
        bend = _SHAPE_SHARE * float(np.sqrt(max(1.0 - alike, 0.0))) * usual
        sd = float(np.sqrt(effect.sd_cents[m] ** 2 + energy**2 + bend**2))
        found.append(HeardShift(float(heard), m, float(effect.hz[m]), alike, change, sd))
    return tuple(found)
