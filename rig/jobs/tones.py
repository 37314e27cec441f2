"""Tones and ring of a scan, computed once and recalled after that."""

from __future__ import annotations

from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.reading import RingPartial
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


def ring_of(scan: ScanRecord, progress: Progress = silent) -> tuple[RingPartial, ...]:
    """The plate's partials from all usable strikes, or what was pooled before."""
    from rig.archive.kept_rings import keep_ring, recall_ring, ring_key
    from rig.jobs.scan_readings import pooled_ring

    key = ring_key(scan)
    kept = recall_ring(key)
    if kept is not None:
        return kept
    progress(ProgressEvent("Pooling the ring", 0, 1))
    ring = pooled_ring(scan)
    keep_ring(key, ring)
    return ring
