"""A sheet with the plate at its left, at a round scale, and a column for the key at its right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from rig.model.outline import Outline
from rig.report import plate_drawing as draw
from rig.report.sheet import (
    BODY_MM,
    COLUMN_MM,
    TICKS_MM,
    Heading,
    Paper,
    Sheet,
    scale_for,
)


@dataclass(frozen=True)
class PlateSheet:
    """The sheet, the plate's axes, the reduction, and where the key stands (mm)."""

    sheet: Sheet
    axes: Any
    scale: float
    column_mm: float
    height_mm: float


def plate_sheet(
    outline: Outline, paper: Paper, heading: Heading | None, *, simulated: bool, foot: str = ""
) -> PlateSheet:
    """Lay out a sheet on which the plate is as large as the paper allows at a round scale."""
    width, height = BODY_MM[paper]
    size = outline.size_mm[0] + 2.0, outline.size_mm[1] + 2.0
    scale = scale_for(size, (width - COLUMN_MM - TICKS_MM + 2.0, height - 6.0))
    plate_width, plate_height = size[0] / scale, size[1] / scale
    body = max(plate_height + 6.0, 190.0)
    sheet = Sheet(width, body, heading, simulated=simulated, foot=foot)
    axes = sheet.axes(TICKS_MM - 2.0, 0.5, plate_width, plate_height)
    draw.set_plate_axes(axes, outline)
    return PlateSheet(sheet, axes, scale, width - COLUMN_MM, body)
