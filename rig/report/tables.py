"""Tables as CSV: a header with units in the names, points for decimals, UTF-8."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from pathlib import Path

from rig.model.reading import RingPartial
from rig.model.tone_map import Comparison, ToneMap, WorkOrder

Cell = str | int | float | bool | None


def write_table(path: Path, heads: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Path:
    """Write a CSV file; what is unknown is left empty. Returns the path."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(heads)
        for row in rows:
            writer.writerow([_cell(value) for value in row])
    return path


def write_map_table(path: Path, tone_map: ToneMap) -> Path:
    """One line per tap: place, tone, standard deviation, excess over the target."""
    return write_table(
        path,
        ("tap", "x_mm", "y_mm", "tone_cents", "sd_cents", "excess_cents"),
        (
            (tap, float(x), float(y), float(tone), float(sd), float(excess))
            for tap, (x, y), tone, sd, excess in zip(
                tone_map.taps,
                tone_map.places,
                tone_map.tone_cents,
                tone_map.sd_cents,
                tone_map.excess_cents,
                strict=True,
            )
        ),
    )


def write_zone_table(path: Path, work_order: WorkOrder) -> Path:
    """One line per high zone, in work order."""
    return write_table(
        path,
        ("rank", "x_mm", "y_mm", "area_mm2", "excess_cents", "excess_sd_cents", "confidence"),
        (
            (z.rank, z.x_mm, z.y_mm, z.area_mm2, z.excess_cents, z.excess_sd_cents, z.confidence)
            for z in work_order.zones
        ),
    )


def write_change_table(path: Path, comparison: Comparison) -> Path:
    """One line per place: change, standard deviation, whether it is significant."""
    return write_table(
        path,
        ("x_mm", "y_mm", "change_cents", "sd_cents", "significant"),
        (
            (float(x), float(y), float(change), float(sd), bool(sure))
            for (x, y), change, sd, sure in zip(
                comparison.places,
                comparison.change_cents,
                comparison.sd_cents,
                comparison.significant,
                strict=True,
            )
        ),
    )


def write_ring_table(path: Path, ring: Sequence[RingPartial]) -> Path:
    """One line per partial of the whole plate."""
    return write_table(
        path,
        ("hz", "sd_hz", "decay_s", "level_db"),
        ((p.hz, p.sd_hz, p.decay_s, p.level_db) for p in ring),
    )


def _cell(value: Cell) -> str | int:
    if value is None:
        return ""
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, float):
        return f"{value:.7g}" if math.isfinite(value) else ""
    return value
