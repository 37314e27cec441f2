"""Local tone from both estimators: whole-plate inversion first, local wave fit beside it.

The inversion sees single spots sharply but leans on outline, arch and plate theory; the wave fit
leans on nothing but the taps and is blunter: on virtual plates a spot 60 mm wide reads half as
high in it. With the hammer pickup the inversion therefore stands, and the wave fit is the second
opinion. By sound alone the inversion's smooth errors grow as large as the wave fit's own, and are
independent of them: there the mean by variance is nearer the truth than either.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rig.field.fusion import wave_fit_with_touch, with_touch
from rig.field.inversion import invert
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone
from rig.model.units import FloatArray

IntArray = NDArray[np.int64]
_SHARED_ERROR = 0.3  # correlation; found with arched virtual plates heard by microphone only
Estimator = Callable[[ScanRecord, Progress], TapTone]


def inversion_with_waves(scan: ScanRecord, progress: Progress = silent) -> TapTone:
    """The inversion where it may be believed, with the wave fit as second opinion or partner.

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
    if waves is not None and not _has_pickup(scan):
        return averaged(plate, waves)
    plate = with_touch(plate, scan)
    return plate if waves is None else _with_second_opinion(plate, waves)


def _has_pickup(scan: ScanRecord) -> bool:
    return any(strike.clip.pickup_channel is not None for strike in scan.used_strikes())


def _with_second_opinion(plate: TapTone, waves: TapTone) -> TapTone:
    """Say how far the wave fit agrees."""
    here, there = _shared_rows(plate, waves)
    one, _ = _against_middle(plate.tone_hz[here])
    two, _ = _against_middle(waves.tone_hz[there])
    said = (
        "Second opinion: the local wave fit, which needs no outline and no model of the plate, "
        f"reads the same within {float(np.std(one - two)):.0f} cents (sd over the taps)."
    )
    return replace(plate, reasons=(*plate.reasons, said))


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
    here, there = _shared_rows(plate, waves)
    one, middle_hz = _against_middle(plate.tone_hz[here])
    two, _ = _against_middle(waves.tone_hz[there])
    one_sd, two_sd = plate.sd_cents[here], waves.sd_cents[there]
    # Both hear the same strikes: their errors are not wholly independent.
    shared = _SHARED_ERROR * one_sd * two_sd
    gap = (one - two) / np.sqrt(one_sd**2 + two_sd**2 - 2.0 * shared)
    birge = max(1.0, 1.4826 * float(np.median(np.abs(gap - np.median(gap)))))
    weight = one_sd**-2 / (one_sd**-2 + two_sd**-2)
    value = weight * one + (1.0 - weight) * two
    alone = (weight * one_sd) ** 2 + ((1.0 - weight) * two_sd) ** 2
    sd = birge * np.sqrt(alone + 2.0 * weight * (1.0 - weight) * shared)
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


def _shared_rows(one: TapTone, two: TapTone) -> tuple[IntArray, IntArray]:
    """Rows of the taps that both read."""
    row = {tap: i for i, tap in enumerate(two.taps)}
    shared = [(i, row[tap]) for i, tap in enumerate(one.taps) if tap in row]
    return np.array([i for i, _ in shared]), np.array([j for _, j in shared])


def _against_middle(tone_hz: FloatArray) -> tuple[FloatArray, float]:
    middle_hz = float(np.median(tone_hz))
    return np.asarray(1200.0 * np.log2(tone_hz / middle_hz), dtype=np.float64), middle_hz
