"""The readings per place behind one interface, and the choice between them."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

from rig.field.violin_size import at_own_size, reduced, tones_carried_back
from rig.model.errors import AnalysisError
from rig.model.plate_size import times_violin
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind, TapTone


class LocalToneEstimator(Protocol):
    """Anything that reads local tone from all taps of a scan together.

    Raises AnalysisError when the scan does not carry it. A result with the verdict "refused" is
    not used, and the next estimator is asked.
    """

    def __call__(self, scan: ScanRecord, progress: Progress = silent) -> TapTone:
        """Read the local tone at every tap."""


def local_estimators(scan: ScanRecord) -> tuple[tuple[str, LocalToneEstimator], ...]:
    """Names and estimators that may read this scan, most trusted first."""
    from rig.field.fusion import wave_fit_with_touch
    from rig.field.joint import inversion_with_waves

    return (
        ("whole-plate inversion", inversion_with_waves),
        ("local wave fit", wave_fit_with_touch),
    )


def local_tone(scan: ScanRecord, progress: Progress = silent) -> TapTone:
    """Local tone by the first estimator whose answer may be believed.

    Plates larger than a viola's are read at a violin's size (`violin_size`). Raises AnalysisError
    with every estimator's reason when none may.
    """
    times = times_violin(scan.outline)
    try:
        return tones_carried_back(_local_tone(reduced(scan, times), progress), times)
    except AnalysisError as error:
        raise at_own_size(error, times) from error


def _local_tone(scan: ScanRecord, progress: Progress) -> TapTone:
    refusals: list[str] = []
    for name, estimator in local_estimators(scan):
        try:
            found = estimator(scan, progress)
        except AnalysisError as error:
            refusals.append(f"{name}: {error.what}")
            continue
        if found.verdict == "refused":
            refusals.append(f"{name}: {' '.join(found.reasons)}")
            continue
        if refusals:
            return replace(found, reasons=(*found.reasons, *refusals))
        return found
    raise AnalysisError(
        "This scan does not carry local tone. " + " ".join(refusals),
        where=scan.scan,
        remedy="Read the attack instead, or scan on a finer grid.",
    )


def tap_tone(
    scan: ScanRecord, reading: ReadingKind | None = None, progress: Progress = silent
) -> TapTone:
    """Read one value per tap.

    `reading` None: local where the scan allows it, else attack with the reason given. Raises
    AnalysisError when the wanted reading is not in the scan.
    """
    from rig.field.single_taps import attack_tone, contact_tone, rebound_tone

    if reading == "attack":
        return attack_tone(scan)
    if reading == "contact":
        return contact_tone(scan)
    if reading == "rebound":
        return rebound_tone(scan)
    if reading == "local":
        return local_tone(scan, progress)
    try:
        return local_tone(scan, progress)
    except AnalysisError as error:
        fallback = attack_tone(scan)
        return replace(
            fallback,
            reasons=(f"Attack is shown instead of local tone. {error.what}", *fallback.reasons),
        )
