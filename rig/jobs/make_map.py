"""The verb `map`: one scan becomes a tone map."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.calibration import NOT_STUDIED, SmallestChange
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind, ToneMap, WorkOrder

if TYPE_CHECKING:
    from rig.field import Surface
    from rig.jobs.wanted_target import WantedTarget


@dataclass(frozen=True)
class MapResult:
    """A tone map with the scan it was made of, and what the rig can tell apart in its reading.

    start_mm: the starting spot of the work order where it was put by hand.
    """

    tone_map: ToneMap
    scan: ScanRecord
    smallest: SmallestChange = NOT_STUDIED
    start_mm: tuple[float, float] | None = None

    @cached_property
    def surface(self) -> Surface:
        """The tone between the taps, in steps of 1 mm."""
        from rig.field import surface

        return surface(self.tone_map, self.scan.outline)

    @cached_property
    def excess_surface(self) -> Surface:
        """The tone above target between the taps, in steps of 1 mm."""
        from rig.field import surface

        return surface(self.tone_map, self.scan.outline, excess=True)

    @cached_property
    def work_order(self) -> WorkOrder:
        """The high zones of this map."""
        from rig.field import work_order

        return work_order(self.tone_map, self.scan, self.smallest.cents, start_mm=self.start_mm)

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig map --json`."""
        from rig.field.targets import usual_target

        made = self.tone_map
        return {
            "scan": made.scan,
            "face": made.face,
            "reading": made.reading,
            "estimator": made.estimator,
            "target": made.target,
            "target_from": made.target_from,
            "target_usual": made.target == usual_target(made.reading),
            "target_notes": list(made.target_notes),
            "middle_hz": round(made.middle_hz, 2),
            "evenness_cents": round(made.evenness_cents, 1),
            "evenness_low_cents": round(made.evenness_low_cents, 1),
            "evenness_high_cents": round(made.evenness_high_cents, 1),
            "repeatability_cents": _rounded(made.repeatability_cents),
            "verdict": made.verdict,
            "reasons": list(made.reasons),
            "notes": list(self.scan.notes),
            "calibration": self.scan.calibration.as_json(),
            "smallest_change_cents": _rounded(self.smallest.cents),
            "smallest_change": self.smallest.sentence,
            "misfit": _rounded(made.misfit, 2),
            "simulated": made.simulated,
            "points": [
                {
                    "tap": int(tap),
                    "x_mm": round(float(x), 2),
                    "y_mm": round(float(y), 2),
                    "tone_cents": round(float(tone), 1),
                    "sd_cents": round(float(sd), 1),
                    "excess_cents": _known(excess),
                    "excess_sd_cents": _known(excess_sd),
                }
                for tap, (x, y), tone, sd, excess, excess_sd in zip(
                    made.taps,
                    made.places,
                    made.tone_cents,
                    made.sd_cents,
                    made.excess_cents,
                    made.excess_sd_cents,
                    strict=True,
                )
            ],
            "ring": [
                {
                    "hz": round(p.hz, 3),
                    "sd_hz": round(p.sd_hz, 4),
                    "decay_s": round(p.decay_s, 5),
                    "level_db": round(p.level_db, 1),
                }
                for p in made.ring
            ],
        }


def make_map(
    folder: Path | str,
    scan: str | None = None,
    reading: ReadingKind | None = None,
    target: str | None = None,
    progress: Progress = silent,
    *,
    records: Path | str | None = None,
    rig: Path | str | None = None,
) -> MapResult:
    """Map one scan of a plate folder; scan None: the latest.

    reading None: local tone where the scan allows it, attack otherwise; the map says which.
    target: a TargetKind, the name of an earlier scan, or a drawn profile (x_mm,y_mm,target_cents
    in a .csv file); None: the usual one of the reading.
    records, rig: where the rig's repeatability study lies; without them beside the plate folder.
    Raises AnalysisError when the wanted reading is not in the scan or the target covers too little
    of it, UsageError for a target that is none.
    """
    from rig.jobs.calibrate_records import smallest_changes
    from rig.jobs.scan_readings import load_scan
    from rig.jobs.tones import ring_of
    from rig.jobs.wanted_target import wanted_target

    wanted = wanted_target(folder, scan, target, progress)  # before the long work
    record = load_scan(folder, scan, progress)
    smallest = smallest_changes(record, folder=folder, records=records, rig=rig)
    return map_of(record, ring_of(record, progress), reading, wanted, progress, smallest)


def map_of(
    record: ScanRecord,
    ring: tuple[Any, ...] = (),
    reading: ReadingKind | None = None,
    target: WantedTarget | None = None,
    progress: Progress = silent,
    smallest: Mapping[ReadingKind, SmallestChange] | None = None,
) -> MapResult:
    """The same for a scan already in memory; smallest: by reading, what the rig can tell apart."""
    from rig.field import tone_map
    from rig.jobs.tones import tones_of

    tones = tones_of(record, reading, progress)
    against = None if target is None else target.against(tones.reading, progress)
    progress(ProgressEvent("Drawing the map together", 1, 1))
    kind = None if target is None else target.kind
    made = tone_map(record, tones, kind, ring=ring, against=against)
    return MapResult(made, record, (smallest or {}).get(made.reading, NOT_STUDIED))


def _known(value: float) -> float | None:
    """Rounded; None where the target says nothing of the tap."""
    return round(float(value), 1) if isfinite(value) else None


def _rounded(value: float | None, digits: int = 1) -> float | None:
    return None if value is None else round(value, digits)
