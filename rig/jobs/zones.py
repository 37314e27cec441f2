"""The verb `zones`: the high zones of a scan in work order."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.jobs.floor import depths_json, stopped_order
from rig.jobs.make_map import MapResult, make_map
from rig.model.progress import Progress, silent
from rig.model.tone_map import ReadingKind, WorkOrder

if TYPE_CHECKING:
    from rig.field.stop_rules import StoppedOrder


@dataclass(frozen=True)
class ZonesResult:
    """A work order with the map it was read off.

    stopped: what the wood's thickness says of every zone found; None where nothing is known of it.
    """

    work_order: WorkOrder
    map_result: MapResult
    stopped: StoppedOrder | None = None

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig zones --json`."""
        order = self.work_order
        spot = order.starting_spot_mm
        return {
            "scan": order.scan,
            "reading": self.map_result.tone_map.reading,
            "target": self.map_result.tone_map.target,
            "target_from": self.map_result.tone_map.target_from,
            "target_notes": list(self.map_result.tone_map.target_notes),
            "simulated": self.map_result.tone_map.simulated,
            "starting_spot": None
            if spot is None
            else {"x_mm": round(spot[0], 1), "y_mm": round(spot[1], 1)},
            "starting_spot_by_hand": self.map_result.start_mm is not None,
            "starting_spot_reason": order.starting_spot_reason,
            "sentence": order.sentence,
            "smallest_change_cents": order.smallest_change_cents,
            "smallest_change": self.map_result.smallest.sentence,
            "calibration": self.map_result.scan.calibration.as_json(),
            "zones": [
                {
                    "rank": zone.rank,
                    "x_mm": round(zone.x_mm, 2),
                    "y_mm": round(zone.y_mm, 2),
                    "area_mm2": round(zone.area_mm2),
                    "excess_cents": round(zone.excess_cents, 2),
                    "excess_sd_cents": round(zone.excess_sd_cents, 2),
                    "confidence": round(zone.confidence, 4),
                    "taps": [int(tap) for tap in zone.taps],
                }
                for zone in order.zones
            ],
            **depths_json(self.stopped),
        }


def zones(
    folder: Path | str,
    scan: str | None = None,
    reading: ReadingKind | None = None,
    target: str | None = None,
    progress: Progress = silent,
    *,
    records: Path | str | None = None,
    rig: Path | str | None = None,
    floor_mm: float | None = None,
    start_mm: tuple[float, float] | None = None,
) -> ZonesResult:
    """Find the high zones of one scan; scan None: the latest. target, records, rig: as `make_map`.

    floor_mm: no zone where the wood may be as thin as this by the plate's thickness readings.
    start_mm: where the work order begins, put by hand. Raises UsageError for a floor that no plate
    has and for a start that is not on the wood.
    """
    from rig.field.stop_rules import check_floor

    check_floor(floor_mm)  # before the long work
    if start_mm is not None:
        _check_start(folder, start_mm)
    made = make_map(folder, scan, reading, target, progress, records=records, rig=rig)
    made = made if start_mm is None else replace(made, start_mm=start_mm)
    found = stopped_order(folder, made, floor_mm)
    return ZonesResult(made.work_order if found is None else found.order, made, found)


def _check_start(folder: Path | str, start_mm: tuple[float, float]) -> None:
    """Raise UsageError for a start off the wood, before the long work."""
    from rig.archive.plate_folder import PlateFolder
    from rig.field.work_order import put_by_hand

    with PlateFolder.open(folder) as opened:
        outline = opened.outline
    if outline is not None:
        put_by_hand(start_mm, outline)
