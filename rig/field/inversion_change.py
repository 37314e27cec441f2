"""What changed between two scans of one plate: the change itself is the unknown.

Two independent inversions differ by their own errors and by how the plate was laid down. Here the
second scan is fitted starting from the first one's plate, with a prior on the change alone and with
the plate's place on the bed fitted along, so that common model errors cancel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.field.inversion import Inversion, Options, inverted
from rig.field.inversion_data import tap_responses
from rig.field.inversion_fit import Fit, Freedom, Stage, fit_plate
from rig.field.inversion_start import gate_start_s
from rig.field.inversion_verdict import change_sd_cents, judge
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import Verdict
from rig.model.units import FloatArray

_CENTS = 1200.0 / np.log(2.0)
_CHANGE = ((0.02, 60.0), (0.03, 18.0))
CHANGE_SCHEDULE = (
    Stage(2500.0, _CHANGE),
    Stage(4500.0, _CHANGE, mend_taps=True),
    Stage(5500.0, _CHANGE, mend_taps=True),
    Stage(5500.0, _CHANGE, mend_taps=True),
)


@dataclass(frozen=True)
class ToneChange:
    """After minus before at the taps of the scan after, plate frame of the scan before.

    change_cents, sd_cents (n,); moved_mm, moved_deg: how the plate was found to lie off its pose;
    misfit: of the second fit.
    """

    places_mm: FloatArray
    change_cents: FloatArray
    sd_cents: FloatArray
    moved_mm: tuple[float, float]
    moved_deg: float
    misfit: float
    verdict: Verdict
    reasons: tuple[str, ...]


def invert_change(
    before: ScanRecord | Inversion,
    after: ScanRecord,
    progress: Progress = silent,
    **options: object,
) -> ToneChange:
    """Change of local tone between two scans of the same plate and face.

    `before` may be a fitted plate. The weighed masses of both scans, where known, fix the mean
    change; else the mean is left to the data. Raises AnalysisError like `invert`.
    """
    first = inverted(before, progress, **options) if isinstance(before, ScanRecord) else before
    settings = Options(**options)  # type: ignore[arg-type]
    data = tap_responses(after)
    gate_s, _ = gate_start_s(after, data)
    same_mass = _mass_ratio(first, after)
    base = settings.freedom
    freedom = Freedom(
        constants=(2e-3, 2e-3, 2e-3, 2e-3),
        constants_start=2e-3,
        eta=2e-3,
        move=base.move,
        shear=2e-3,
        low_hz=base.low_hz,
        mass=5e-4 if same_mass is not None else 5e-3,
        arch_mm=0.02 if len(first.fit.belief.arch) else None,
        equation_noise=base.equation_noise,
    )
    start = first.fit.belief.changed(move=np.zeros(3))
    if same_mass is not None:
        start = start.changed(log_thickness=start.log_thickness + np.log(same_mass))
    second = fit_plate(
        first.geometry,
        data,
        start,
        gate_s=gate_s,
        schedule=CHANGE_SCHEDULE,
        freedom=freedom,
        progress=progress,
    )
    places = data.places_mm
    matrix = first.geometry.field.matrix(places)
    change = _CENTS * (
        matrix @ (second.belief.log_thickness - first.fit.belief.log_thickness)
        + 0.5 * (_log_constants(second) - _log_constants(first.fit))
    )
    verdict, reasons = judge(second, arched=first.crown_mm is not None)
    move = second.belief.move
    return ToneChange(
        places_mm=places,
        change_cents=np.asarray(change),
        sd_cents=change_sd_cents(first.geometry, second, places),
        moved_mm=(float(move[0]), float(move[1])),
        moved_deg=float(np.rad2deg(move[2])),
        misfit=second.misfit,
        verdict=verdict,
        reasons=tuple(reasons),
    )


def _log_constants(fit: Fit) -> float:
    stiffness = fit.belief.stiffness
    return 0.5 * float(np.log(stiffness.c11 * stiffness.c22))


def _mass_ratio(first: Inversion, after: ScanRecord) -> float | None:
    if first.mass_g is None or after.facts.mass_g is None:
        return None
    return after.facts.mass_g / first.mass_g


__all__ = ["ToneChange", "invert_change"]
