"""Tones and ring of a scan and the change between two, computed once and recalled after that."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind, TapTone

if TYPE_CHECKING:
    from rig.field.differences import Difference

_OF_A_CHANGE = ("places", "change_cents", "covariance", "before_cents", "after_cents")
_KEPT_CHANGES = 30


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


def change_of(
    before: ScanRecord,
    after: ScanRecord,
    reading: ReadingKind | None = None,
    progress: Progress = silent,
) -> Difference:
    """What changed between two scans as `rig.field.comparison` reads it, or what it read before."""
    from rig.archive.kept_arrays import keep_arrays, recall_arrays
    from rig.archive.kept_tones import key_of
    from rig.field.comparison import change_between
    from rig.field.differences import Difference

    wanted = f"change {reading or 'usual'}"
    name = f"{key_of(after, f'{wanted} from {key_of(before, wanted)}')}.change"
    kept = recall_arrays(name)
    if kept is not None and set(kept[1]) == set(_OF_A_CHANGE):
        progress(ProgressEvent("Recalling the change", 1, 1))
        values: dict[str, Any] = {**kept[0], **kept[1]}
        tuples = {key: tuple(v) for key, v in values.items() if isinstance(v, list)}
        return Difference(**(values | tuples))
    found = change_between(before, after, reading, None, progress)
    plain = {key: value for key, value in vars(found).items() if key not in _OF_A_CHANGE}
    keep_arrays(name, plain, {key: getattr(found, key) for key in _OF_A_CHANGE}, _KEPT_CHANGES)
    return found
