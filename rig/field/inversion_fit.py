"""The outer iteration: model, project, mend the taps, linearise, solve; from coarse to fine."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from rig.field.inversion_data import TapResponses
from rig.field.inversion_gain import TapFields
from rig.field.inversion_gate import BANDS, GatedSpectra, gate
from rig.field.inversion_nuisance import TapErrors, tap_errors
from rig.field.inversion_solve import Step, solve_step
from rig.field.inversion_state import Belief, ModalPlate, PlateGeometry, modal_plate, moved_places
from rig.field.inversion_system import Projection, Rows, build_rows, project
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.units import FloatArray
from rig.plate.measured_arch import STRAYING, MeasuredArch
from rig.plate.wood import Stiffness

LEAST_EASE = 0.02
_IN_PLANE_FROM_HZ = 1500.0  # the lowest in-plane resonances of a violin plate are near 2.5 kHz
IN_PLANE_COUNT = 30  # resonances up to about 8 kHz


@dataclass(frozen=True)
class Stage:
    """One outer step: bins from low_hz to top_hz; prior of ln h as Σ (sd, length mm)."""

    top_hz: float
    prior: tuple[tuple[float, float], ...]
    mend_taps: bool = False
    constants_only: bool = False
    low_hz: float = 0.0


SCHEDULE = (
    Stage(1500.0, ((0.35, 90.0),), constants_only=True),
    Stage(1500.0, ((0.35, 90.0),)),
    Stage(2500.0, ((0.35, 90.0), (0.08, 40.0))),
    Stage(5500.0, ((0.35, 90.0), (0.06, 30.0)), mend_taps=True),
    Stage(5500.0, ((0.35, 90.0), (0.05, 20.0)), mend_taps=True),
)


# An arched plate needs one more step at low frequencies, where its arch is found; the last one
# leaves them out, since they hear what is still wrong with the arch most.
ARCH_SCHEDULE = (
    *SCHEDULE[:2],
    *SCHEDULE[1:3],
    replace(SCHEDULE[3], top_hz=6500.0),
    replace(SCHEDULE[4], top_hz=6500.0, low_hz=1200.0),
)


@dataclass(frozen=True)
class Freedom:
    """Prior standard deviations of everything but the field, and what is fitted at all."""

    constants: tuple[float, float, float, float] = (0.10, 0.10, 0.20, 0.10)
    constants_start: float = 0.4
    eta: float = 0.010
    move: tuple[float, float, float] = (1.0, 1.0, 8e-3)
    shear: float = 0.6  # of the ease, whose handbook value is 1
    bars: float = 0.4  # of ln of a bar's stiffness: its wood, and its height as told
    arch_mm: float | None = None  # of the height's deviation from the template
    arch_lengths: tuple[tuple[float, float], ...] = ((1.0, 50.0),)  # × arch_mm, mm
    arch_measured: MeasuredArch | None = None
    tap_fields: bool = True
    equation_noise: float = 5e-4  # of K u against M u'', as a share of M u''
    low_hz: float = 0.0
    mass: float = 2e-4
    # Neighbouring bins and modes share the model's errors: so many rows tell one fact about the
    # field and the arch. On model plates any number from 6 to 25 serves as well, and 1 overfits.
    rows_per_fact: float = 8.0

    def with_arch(self, sd_mm: float, measured: MeasuredArch | None = None) -> Freedom:
        """The same with the arch's height free by sd_mm, as far as it was not measured."""
        lengths = self.arch_lengths if measured is None else STRAYING
        return replace(self, arch_mm=sd_mm, arch_lengths=lengths, arch_measured=measured)


@dataclass
class Fit:
    """What the iteration hands over."""

    belief: Belief
    plate: ModalPlate
    step: Step
    rows: Rows
    taps_mm: FloatArray
    errors: list[TapErrors] = field(default_factory=list)
    misfits: list[float] = field(default_factory=list)

    @property
    def misfit(self) -> float:
        """χ² per row of the last step; about 1-2 where model and data agree."""
        return self.misfits[-1]


def fit_plate(
    geometry: PlateGeometry,
    data: TapResponses,
    start: Belief,
    *,
    gate_s: float,
    schedule: tuple[Stage, ...] = SCHEDULE,
    freedom: Freedom | None = None,
    progress: Progress = silent,
) -> Fit:
    """Run the schedule from `start`; the plate's mass stays what it is in `start`."""
    free = freedom or Freedom()
    mass_kg = geometry.mass_kg(start)
    belief = start
    taps_mm = data.places_mm.copy()
    everything = gate(data, gate_s, min(data.top_hz * 0.8, max(s.top_hz for s in schedule)))
    everything = _bins(everything, free.low_hz, np.inf)
    fields = TapFields(taps_mm, has_pickup=data.has_pickup)
    smooth = np.zeros(fields.size)
    errors: list[TapErrors] = []
    misfits: list[float] = []
    plate: ModalPlate | None = None
    whole: ModalPlate | None = None
    schedule = tuple(s for s in schedule if s.top_hz > 1.4 * free.low_hz)
    most = 0
    for number, stage in enumerate(schedule):
        progress(ProgressEvent("whole-plate fit", number, len(schedule)))
        spectra = _bins(everything, stage.low_hz, stage.top_hz)
        resonant = len(belief.arch) > 0 and stage.top_hz > _IN_PLANE_FROM_HZ
        count = _mode_count(stage.top_hz, len(taps_mm), geometry, belief)
        if whole is None or count > whole.w.shape[1] - 3:
            most, whole = count, None
        whole = modal_plate(
            geometry, belief, taps_mm, most, whole, IN_PLANE_COUNT if resonant else 0
        )
        plate = whole.first(count)
        projection = project(plate, spectra)
        if stage.mend_taps:
            found = tap_errors(plate, spectra, projection)
            errors.append(found)
            everything = everything.scaled(1.0 - found.factor(everything.frequency_hz))
            taps_mm = taps_mm + found.shift_mm
            spectra = _bins(everything, stage.low_hz, stage.top_hz)
            plate = retapped(geometry, belief, plate, taps_mm)
            projection = project(plate, spectra)
        rows = build_rows(
            geometry, belief, plate, spectra, projection, taps_mm,
            moving=not stage.constants_only,
            arching=free.arch_mm is not None and not stage.constants_only,
            equation_noise=free.equation_noise,
            fields=fields if stage.mend_taps and free.tap_fields else None,
        )  # fmt: skip
        precision, offset = _prior(geometry, belief, start, rows, stage, free, mass_kg)
        if "taps" in rows.blocks:
            block = rows.blocks["taps"]
            index = np.arange(block.start, block.stop)
            precision[index, index] = 1.0 / fields.sd**2
            offset[block] = smooth
        step = solve_step(rows, precision, offset)
        misfits.append(step.misfit)
        belief = _updated(geometry, belief, rows, step.change, mass_kg)
        if "taps" in rows.blocks:
            change = step.change[rows.blocks["taps"]]
            smooth += change
            everything = everything.scaled(1.0 - fields.factor(change, everything.frequency_hz))
            taps_mm = taps_mm + fields.shift_mm(change)
    assert plate is not None
    progress(ProgressEvent("whole-plate fit", len(schedule), len(schedule)))
    small = replace(rows, jacobian=rows.jacobian[:, :0])  # it is large and no longer needed
    return Fit(belief, plate, step, small, taps_mm, errors, misfits)


def retapped(
    geometry: PlateGeometry, belief: Belief, plate: ModalPlate, taps_mm: FloatArray
) -> ModalPlate:
    """The same modes seen at other tap places."""
    moved = moved_places(taps_mm, belief.move, geometry.centre_mm)
    count = plate.taps_w.shape[1]
    return replace(
        plate,
        taps_w=plate.modes.at(moved)[:, :count],
        taps_x=plate.modes.at(moved, 1, 0)[:, :count],
        taps_y=plate.modes.at(moved, 0, 1)[:, :count],
    )


def _mode_count(top_hz: float, taps: int, geometry: PlateGeometry, belief: Belief) -> int:
    """Modes to about 2.2 × the top frequency by Weyl's estimate, never over 0.3 × the taps."""
    h = geometry.thickness_m(belief.log_thickness)
    modulus = np.sqrt(belief.stiffness.c11 * belief.stiffness.c22)
    speed = np.sqrt(modulus / (12.0 * belief.density_kg_m3))
    per_hz = 0.5 * np.sum(geometry.weights_m2 / (h * speed))
    return int(np.clip(per_hz * 2.25 * top_hz * 1.05, 60, 0.3 * taps))


def _bins(spectra: GatedSpectra, low_hz: float, top_hz: float) -> GatedSpectra:
    keep = (spectra.frequency_hz >= low_hz) & (spectra.frequency_hz <= top_hz)
    return GatedSpectra(
        spectra.frequency_hz[keep],
        spectra.u[:, keep],
        spectra.shifted[:, keep],
        spectra.acceleration[:, keep],
        spectra.band[keep],
        spectra.place[keep],
        spectra.spread2[keep],
        spectra.spread4[keep],
    )


def _prior(
    geometry: PlateGeometry,
    belief: Belief,
    start: Belief,
    rows: Rows,
    stage: Stage,
    free: Freedom,
    mass_kg: float,
) -> tuple[FloatArray, FloatArray]:
    """Precision matrix and the belief's distance from the prior mean."""
    size = len(rows.jacobian)
    precision, offset = np.zeros((size, size)), np.zeros(size)
    span = rows.blocks["log_thickness"]
    if stage.constants_only:
        precision[span, span] = 1e12 * np.eye(span.stop - span.start)
    else:
        prior = np.linalg.inv(geometry.field.covariance(stage.prior))
        precision[span, span] = free.rows_per_fact * prior
        offset[span] = belief.log_thickness - start.log_thickness
    h = geometry.thickness_m(belief.log_thickness)
    share = geometry.on_places.T @ (geometry.weights_m2 * h) * belief.density_kg_m3 / mass_kg
    precision[span, span] += np.outer(share, share) / free.mass**2

    def loose(name: str, sd: FloatArray, away: FloatArray) -> None:
        if name in rows.blocks:
            block = rows.blocks[name]
            index = np.arange(block.start, block.stop)
            precision[index, index] = 1.0 / sd**2
            offset[block] = away

    away = np.log(belief.stiffness.as_array() / start.stiffness.as_array())
    # The common scale of the constants may be far off (mass or thickness only guessed), their
    # ratios less so.
    block = rows.blocks["constants"]
    sd = np.diag(np.array(free.constants) ** 2) + free.constants_start**2
    precision[block, block] = np.linalg.inv(sd)
    offset[block] = away
    loose("eta", np.full(len(belief.eta), free.eta), belief.eta - start.eta)
    loose("move", np.array(free.move), belief.move - start.move)
    loose("shear", np.full(2, free.shear), belief.shear_ease - start.shear_ease)
    loose("bars", np.full(len(belief.bar_log), free.bars), belief.bar_log - start.bar_log)
    if "arch" in rows.blocks and free.arch_mm is not None:
        block = rows.blocks["arch"]
        parts = tuple((share * free.arch_mm, length) for share, length in free.arch_lengths)
        prior = np.linalg.inv(geometry.arch.field.covariance(parts))
        offset[block] = belief.arch - start.arch
        if free.arch_measured is not None:
            prior = prior + free.arch_measured.precision
            # Measured was the outer surface; the middle one lies half the thickness below.
            offset[block] += geometry.half_thickness_mm(belief) - geometry.half_thickness_mm(start)
        precision[block, block] = free.rows_per_fact * prior
    return precision, offset


def _updated(
    geometry: PlateGeometry, belief: Belief, rows: Rows, change: FloatArray, mass_kg: float
) -> Belief:
    """Apply a step; the field is shifted as a whole so that the mass is exact.

    The constants make up for the shift, so that h·√C, which the data see, stays.
    """

    def part(name: str, size: int) -> FloatArray:
        return change[rows.blocks[name]] if name in rows.blocks else np.zeros(size)

    new = belief.changed(
        log_thickness=belief.log_thickness
        + np.clip(part("log_thickness", geometry.field.size), -0.4, 0.4),
        stiffness=belief.stiffness.scaled(np.clip(part("constants", 4), -0.7, 0.7)),
        eta=np.clip(belief.eta + part("eta", len(belief.eta)), 1e-3, 0.08),
        move=belief.move + part("move", 3),
        shear_ease=np.clip(
            belief.shear_ease + part("shear", len(belief.shear_ease)), LEAST_EASE, 5.0
        ),
        arch=belief.arch + part("arch", len(belief.arch)),
        bar_log=belief.bar_log + np.clip(part("bars", len(belief.bar_log)), -0.5, 0.5),
    )
    excess = np.log(geometry.mass_kg(new) / mass_kg)
    return new.changed(
        log_thickness=new.log_thickness - excess,
        stiffness=new.stiffness.scaled(np.full(4, 2.0 * excess)),
    )


def first_belief(
    geometry: PlateGeometry,
    *,
    thickness_m: float,
    density_kg_m3: float,
    stiffness: Stiffness,
    arch: FloatArray | None = None,
    shear_pa: tuple[float, float] | None = None,
) -> Belief:
    """An even plate with the handbook's constants."""
    # Bars pull at a flat plate's in-plane movements, which belong to the arched model.
    flat = np.zeros(geometry.arch.field.size if geometry.bars else 0)
    return Belief(
        log_thickness=np.full(geometry.field.size, np.log(thickness_m)),
        stiffness=stiffness,
        density_kg_m3=density_kg_m3,
        eta=np.full(2 * len(BANDS), 0.015),
        arch=flat if arch is None else arch,
        bar_log=np.zeros(len(geometry.bars)),
        shear_pa=shear_pa or (1.0, 1.0),
        shear_ease=np.ones(2) if shear_pa else np.zeros(0),
    )


__all__ = ["SCHEDULE", "Fit", "Freedom", "Projection", "Stage", "first_belief", "fit_plate"]
