"""Local tone from both estimators together: whole-plate inversion and local wave fit.

The two fail in different ways. The inversion sees single spots sharply but leans on outline, arch
and thin-plate theory; the wave fit leans on nothing but the taps and is blunter. On virtual plates
with arching and transverse shear, which neither models fully, their errors are uncorrelated, so
their mean by variance is nearer the truth than either, and what they disagree by is an honest
measure of the doubt that each leaves out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from rig.field.fusion import wave_fit_with_touch
from rig.field.inversion import invert
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone
from rig.model.units import FloatArray

Estimator = Callable[[ScanRecord, Progress], TapTone]


def inversion_with_waves(scan: ScanRecord, progress: Progress = silent) -> TapTone:
    """The inversion, joined with the wave fit where the inversion's own check asks for care.

    A refused inversion leaves the wave fit alone, and the other way round; the reasons say so.
    Raises AnalysisError when neither reads the scan.
    """
    waves, waves_refusal = _attempt(wave_fit_with_touch, scan, progress)
    plate, plate_refusal = _attempt(invert, scan, progress)
    if plate is None and waves is None:
        raise AnalysisError(
            f"{waves_refusal} {plate_refusal}",
            where=scan.scan,
            remedy="Scan on a finer grid, or read the attack instead.",
        )
    if plate is None:
        assert waves is not None
        said = f"The whole-plate inversion is not used: {plate_refusal}"
        return replace(waves, reasons=(*waves.reasons, said))
    if waves is None or plate.verdict == "good":
        return plate
    return averaged(plate, waves)


def _attempt(
    estimator: Estimator, scan: ScanRecord, progress: Progress
) -> tuple[TapTone | None, str]:
    """What the estimator reads, or None with its reason for not reading."""
    try:
        found = estimator(scan, progress)
    except AnalysisError as error:
        return None, error.what
    except (ArithmeticError, np.linalg.LinAlgError) as error:
        # A matrix that cannot be solved is a plate that cannot be read, not a crash.
        return None, f"The equations could not be solved ({error})."
    if found.verdict == "refused":
        return None, " ".join(found.reasons)
    return found, ""


def averaged(plate: TapTone, waves: TapTone) -> TapTone:
    """The mean of two readings of the same taps, by their variances.

    Both are first set against their own middle. Where they disagree by more than their doubts
    allow, both doubts grow in proportion (the Birge ratio: R. T. Birge, Phys. Rev. 40 (1932) 207).
    Taps that only one of them read are left out.
    """
    row = {tap: i for i, tap in enumerate(waves.taps)}
    shared = [(i, row[tap]) for i, tap in enumerate(plate.taps) if tap in row]
    here = np.array([i for i, _ in shared])
    there = np.array([j for _, j in shared])
    one, middle_hz = _against_middle(plate.tone_hz[here])
    two, _ = _against_middle(waves.tone_hz[there])
    one_sd, two_sd = plate.sd_cents[here], waves.sd_cents[there]
    gap = (one - two) / np.hypot(one_sd, two_sd)
    birge = max(1.0, 1.4826 * float(np.median(np.abs(gap - np.median(gap)))))
    weight = one_sd**-2 / (one_sd**-2 + two_sd**-2)
    value = weight * one + (1.0 - weight) * two
    sd = birge / np.sqrt(one_sd**-2 + two_sd**-2)
    apart = float(np.std(one - two))
    return replace(
        plate,
        estimator=f"{plate.estimator} with {waves.estimator}",
        taps=tuple(plate.taps[i] for i in here),
        places=PlateXY(plate.places[here]),
        tone_hz=middle_hz * 2.0 ** (value / 1200.0),
        sd_cents=np.asarray(sd),
        repeatability_cents=waves.repeatability_cents,
        reasons=(
            *plate.reasons,
            *waves.reasons,
            f"Two estimators, {apart:.0f} cents apart (sd over the taps), were averaged.",
        ),
    )


def _against_middle(tone_hz: FloatArray) -> tuple[FloatArray, float]:
    middle_hz = float(np.median(tone_hz))
    return np.asarray(1200.0 * np.log2(tone_hz / middle_hz), dtype=np.float64), middle_hz
