"""What changed between two scans of one plate: the change itself is the unknown.

Two independent inversions differ by their own errors and by how the plate was laid down. Here the
first scan's plate is fitted until its own taps move it no more, and the second scan is fitted
starting from there, with the same steps, a prior on the change alone and its own place on the bed:
what is wrong with the model of the plate (arch, constants, edge) is the same in both and falls out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.field.inversion import Inversion, Options, inverted
from rig.field.inversion_data import tap_responses
from rig.field.inversion_fit import Fit, Freedom, Stage, fit_plate
from rig.field.inversion_start import gate_start_s
from rig.field.inversion_state import Belief, PlateGeometry
from rig.field.inversion_verdict import IMPLAUSIBLE, judge, plausible
from rig.model.errors import AnalysisError
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import Verdict
from rig.model.units import FloatArray

_CENTS = 1200.0 / np.log(2.0)
_CHANGE = ((0.02, 60.0), (0.03, 18.0))  # sd of ln thickness and its length in mm
# The lowest rows hear what is wrong with an arch most; a change does not need them.
_ARCH_FROM_HZ = 1200.0
_TOPS_HZ = {False: (4500.0, 5500.0, 5500.0), True: (4500.0, 6500.0, 6500.0)}  # flat, arched
_SETTLING = 2  # of these steps, the last, bring the first scan to rest
# Neighbouring rows are no independent facts; found on plates of seeds below 100 scanned twice
# (tests/bench/bench_change.py prints how well it holds). `local_change` sets the size of the doubt
# by the places that did not change; this is where it starts from.
_ROWS_PER_FACT = 2.5
_WITH_CARE = 1.8  # no better than "use with care": the plate's model leans on the taps
_OTHER_PLATE = 2.5  # misfit of the second scan against the first one's
_MOST_CENTS = 500.0  # a place cut from 4 to 3 mm between two scans falls by as much


@dataclass(frozen=True)
class PlateChange:
    """After minus before as a field on the plate, in the frame of the scan before.

    own, second: the fits of both scans; moved_mm, moved_deg: how the second scan's taps were found
    to lie off their pose, against the first one's.
    """

    geometry: PlateGeometry
    own: Fit
    second: Fit
    verdict: Verdict
    reasons: tuple[str, ...]

    @property
    def moved_mm(self) -> tuple[float, float]:
        """Shift in x and y."""
        move = self.second.belief.move - self.own.belief.move
        return float(move[0]), float(move[1])

    @property
    def moved_deg(self) -> float:
        """Turn, counter-clockwise."""
        return float(np.rad2deg(self.second.belief.move[2] - self.own.belief.move[2]))

    @property
    def misfit(self) -> float:
        """χ² per row of the second fit."""
        return self.second.misfit

    def cents(self, xy_mm: FloatArray) -> FloatArray:
        """The change of local tone at (k, 2) places."""
        matrix = self.geometry.field.matrix(xy_mm)
        field = self.second.belief.log_thickness - self.own.belief.log_thickness
        constants = _log_constants(self.second) - _log_constants(self.own)
        return np.asarray(_CENTS * (matrix @ field + 0.5 * constants))

    def before_cents(self, xy_mm: FloatArray) -> FloatArray:
        """Local tone of the first scan at (k, 2) places, up to a constant."""
        return np.asarray(
            _CENTS * (self.geometry.field.matrix(xy_mm) @ self.own.belief.log_thickness)
        )

    def covariance(self, weights: FloatArray, xy_mm: FloatArray) -> FloatArray:
        """Covariance (m, m) in cents² of `weights @ cents(xy_mm)`, weights (m, k).

        Both scans' own errors, added.
        """
        matrix = weights @ self.geometry.field.matrix(xy_mm).toarray()
        level = weights.sum(axis=1)
        total = np.zeros((len(weights),) * 2)
        for fit in (self.own, self.second):
            blocks, known = fit.rows.blocks, fit.step.covariance
            seen = np.zeros((len(weights), len(known)))
            seen[:, blocks["log_thickness"]] = matrix
            constants = blocks["constants"].start  # ln c11, ln c22, …
            seen[:, constants : constants + 2] = 0.25 * level[:, None]
            total += seen @ known @ seen.T
        scale = _ROWS_PER_FACT * _CENTS * (1.0 if self.verdict == "good" else _WITH_CARE)
        return np.asarray(scale**2 * total)


def plate_change(
    before: ScanRecord | Inversion,
    after: ScanRecord,
    progress: Progress = silent,
    **options: object,
) -> PlateChange:
    """Change of local tone between two scans of the same plate.

    `before` may be a fitted plate. The faces may differ: both are given in the plate frame. The
    plate's mass need not be known again: tone does not depend on it. Raises AnalysisError like
    `invert`, and where the plates cannot be the same; a change that must not be believed comes
    back with the verdict "refused".
    """
    first = inverted(before, progress, **options) if isinstance(before, ScanRecord) else before
    arched = first.crown_mm is not None
    verdict, reasons = judge(first.fit, arched=arched)
    if not plausible(first.geometry, first.fit, first.start):
        verdict, reasons = "refused", [IMPLAUSIBLE, *reasons]
    if verdict == "refused":
        where = before.scan if isinstance(before, ScanRecord) else ""
        raise AnalysisError(" ".join(reasons), where=where)
    try:
        own, second = _fits(first, after, Options(**options).freedom, progress)  # type: ignore[arg-type]
    except (np.linalg.LinAlgError, FloatingPointError, RuntimeError) as error:
        raise AnalysisError(
            "The fit of the second scan to the first one's plate broke down.", where=after.scan
        ) from error
    worse, more = judge(second, arched=arched)
    order: list[Verdict] = ["good", "use with care", "refused"]
    verdict = max(verdict, worse, key=order.index)
    change = PlateChange(first.geometry, own, second, verdict, tuple(dict.fromkeys(more)))
    cents = change.cents(first.data.places_mm)
    spread = float(np.quantile(np.abs(cents - np.median(cents)), 0.99))
    if second.misfit <= 3.0 + _OTHER_PLATE * own.misfit and spread <= _MOST_CENTS:
        return change
    said = (
        f"The second scan does not fit the first one's plate (misfit {second.misfit:.1f} per row, "
        f"{own.misfit:.1f} before; tones up to {spread:.0f} cents off): another plate, or one that "
        "was laid down quite otherwise."
    )
    return replace(change, verdict="refused", reasons=(said,))


def _fits(
    first: Inversion, after: ScanRecord, base: Freedom, progress: Progress
) -> tuple[Fit, Fit]:
    """The first scan's plate settled, and the second scan fitted from there."""
    arched = len(first.fit.belief.arch) > 0
    stages = tuple(
        Stage(top, _CHANGE, mend_taps=True, low_hz=_ARCH_FROM_HZ if arched else 0.0)
        for top in _TOPS_HZ[arched]
    )
    freedom = replace(
        base,
        constants=(2e-3, 2e-3, 2e-3, 2e-3),
        constants_start=2e-3,
        eta=2e-3,
        shear=2e-3,
        bars=2e-3,
        # the mass only says where between thickness and density a change of tone belongs
        mass=5e-3,
        arch_mm=0.02 if arched else None,
    )

    def fitted(scan: ScanRecord | None, start: Belief, schedule: tuple[Stage, ...]) -> Fit:
        data = first.data if scan is None else tap_responses(scan)
        gate_s = first.gate_s if scan is None else gate_start_s(scan, data)[0]
        return fit_plate(
            first.geometry,
            data,
            start.changed(move=np.zeros(3)),
            gate_s=gate_s,
            schedule=schedule,
            freedom=freedom,
            progress=progress,
        )

    own = fitted(None, first.fit.belief, stages[-_SETTLING:])
    return own, fitted(after, own.belief, stages)


def _log_constants(fit: Fit) -> float:
    stiffness = fit.belief.stiffness
    return 0.5 * float(np.log(stiffness.c11 * stiffness.c22))


__all__ = ["PlateChange", "plate_change"]
