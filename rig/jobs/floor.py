"""Zones held against the plate's thickness: how deep each asks for, and where it must stop."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.field.stop_rules import StoppedOrder, ZoneDepth
    from rig.jobs.make_map import MapResult


def stopped_order(
    folder: Path | str, made: MapResult, floor_mm: float | None = None
) -> StoppedOrder | None:
    """The work order of a map with the stop rules of its plate.

    None where neither readings nor a floor say anything. Raises UsageError for a floor that no
    plate has, FolderDamagedError for readings that cannot be read.
    """
    from dataclasses import replace

    from rig.field.stop_rules import check_floor, stopped
    from rig.jobs.thickness import age_cautions, thickness_field

    check_floor(floor_mm)
    field = thickness_field(folder, made.scan.outline)
    if field is None and floor_mm is None:
        return None
    found = stopped(made.work_order, made.tone_map, field, floor_mm)
    if field is None or not found.depths:
        return found
    return replace(found, notes=(*found.notes, *age_cautions(field, made.scan)))


def depths_json(found: StoppedOrder | None) -> dict[str, Any]:
    """What `platerig zones --json` says of depths: every zone found, allowed or not."""
    return {
        "floor_mm": None if found is None else found.floor_mm,
        "depths": [] if found is None else [_depth(depth) for depth in found.depths],
        "depth_notes": [] if found is None else list(found.notes),
    }


def _depth(depth: ZoneDepth) -> dict[str, Any]:
    return {
        "x_mm": round(depth.zone.x_mm, 2),
        "y_mm": round(depth.zone.y_mm, 2),
        "allowed": depth.allowed,
        "sentence": depth.sentence,
        "thickness_mm": _rounded(depth.thickness_mm),
        "thickness_sd_mm": _rounded(depth.thickness_sd_mm),
        "depth_mm": _rounded(depth.depth_mm),
        "depth_sd_mm": _rounded(depth.depth_sd_mm),
        "spare_mm": _rounded(depth.spare_mm),
        "explained": _rounded(depth.explained),
        "explained_sd": _rounded(depth.explained_sd),
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
