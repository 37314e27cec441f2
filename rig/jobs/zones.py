"""The verb `zones`: the high zones of a scan in work order."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.jobs.make_map import MapResult, make_map
from rig.model.progress import Progress, silent
from rig.model.tone_map import ReadingKind, TargetKind, WorkOrder


@dataclass(frozen=True)
class ZonesResult:
    """A work order with the map it was read off."""

    work_order: WorkOrder
    map_result: MapResult

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig zones --json`."""
        order = self.work_order
        spot = order.starting_spot_mm
        return {
            "scan": order.scan,
            "reading": self.map_result.tone_map.reading,
            "target": self.map_result.tone_map.target,
            "simulated": self.map_result.tone_map.simulated,
            "starting_spot": None
            if spot is None
            else {"x_mm": round(spot[0], 1), "y_mm": round(spot[1], 1)},
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
        }


def zones(
    folder: Path | str,
    scan: str | None = None,
    reading: ReadingKind | None = None,
    target: TargetKind | None = None,
    progress: Progress = silent,
    *,
    records: Path | str | None = None,
    rig: Path | str | None = None,
) -> ZonesResult:
    """Find the high zones of one scan; scan None: the latest. records, rig: as in `make_map`."""
    made = make_map(folder, scan, reading, target, progress, records=records, rig=rig)
    return ZonesResult(made.work_order, made)
