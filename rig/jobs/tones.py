"""Tones of a scan, computed once and recalled after that."""

from __future__ import annotations

from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind, TapTone


def tones_of(
    scan: ScanRecord, reading: ReadingKind | None = None, progress: Progress = silent
) -> TapTone:
    """Read one value per tap as `rig.field.tap_tone` does, or recall what it read before."""
    from rig.archive.kept_tones import keep, key_of, recall
    from rig.field import tap_tone

    key = key_of(scan, reading or "usual")
    kept = recall(key)
    if kept is not None:
        progress(ProgressEvent("Recalling the tones", 1, 1))
        return kept
    tones = tap_tone(scan, reading, progress)
    keep(key, tones)
    return tones
