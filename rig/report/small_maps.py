"""Maps beside text and beside each other: smaller, with their key below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.model.outline import Outline
from rig.model.tone_map import ToneMap, WorkOrder
from rig.report import plate_drawing as draw
from rig.report.map_figures import draw_map
from rig.report.palette import FAINT
from rig.report.sheet import SMALL_PT, TEXT_PT, Sheet, scale_for, scale_in_words

_BAR_MM = 3.0
_KEY_MM = 19.0
_TICKS_MM = 8.0
_TITLES_MM = 6.0
_GAP_MM = 6.0


@dataclass(frozen=True)
class SmallMap:
    """One map among others: what stands above it, and what is drawn."""

    title: str
    tone_map: ToneMap
    surface: draw.SurfaceLike
    work_order: WorkOrder | None = None


def beside_text_sheet(shown: SmallMap, outline: Outline, room_mm: tuple[float, float]) -> Sheet:
    """What stands above target, as large as the room allows at a round scale; key below."""
    return side_by_side_sheet(
        [shown], outline, (room_mm[0] - _TICKS_MM, room_mm[1] - _KEY_MM - _TITLES_MM), excess=True
    )


def side_by_side_sheet(
    maps: Sequence[SmallMap], outline: Outline, plate_mm: tuple[float, float], *,
    excess: bool = False,
) -> Sheet:  # fmt: skip
    """Draw maps side by side under one colour scale; plate_mm: room for each plate."""
    size = outline.size_mm[0] + 2.0, outline.size_mm[1] + 2.0
    scale = scale_for(size, plate_mm)
    width, height = size[0] / scale, size[1] / scale
    simulated = any(one.tone_map.simulated for one in maps)
    across = _TICKS_MM + len(maps) * width + (len(maps) - 1) * _GAP_MM
    across = max(across, 100.0)
    sheet = Sheet(across, _TITLES_MM + height + _KEY_MM, None, simulated=simulated)
    every = np.concatenate([one.surface.cents[np.isfinite(one.surface.cents)] for one in maps])
    reach, step = draw.colour_reach(every)
    hatched, image = False, None
    for number, one in enumerate(maps):
        left = _TICKS_MM + number * (width + _GAP_MM)
        axes = sheet.axes(left, _TITLES_MM, width, height)
        draw.set_plate_axes(axes, outline)
        if number:
            axes.set_yticklabels([])
        drawn = draw_map(
            axes, one.tone_map, one.surface, outline, one.work_order, excess=excess,
            scale=(reach, step),
        )  # fmt: skip
        sheet.text(left, 0.5, one.title, fontsize=TEXT_PT, fontweight="bold")
        hatched, image = hatched or drawn.doubtful, drawn.image
    _key(sheet, _TITLES_MM + height + 6.0, across, image, reach, step, scale, excess, hatched)
    return sheet


def _key(
    sheet: Sheet, top: float, across: float, image: Any, reach: float, step: float, scale: float,
    excess: bool, hatched: bool,
) -> None:  # fmt: skip
    """A lying colour bar, and what lines, rings and hatching mean."""
    long = min(across - _TICKS_MM - 34.0, 80.0)
    axes = sheet.axes(_TICKS_MM, top, long, _BAR_MM)
    bar = sheet.figure.colorbar(image, cax=axes, orientation="horizontal")
    every = step * max(1, round(2.0 * reach / step / (long / 12.0)))
    ticks = np.arange(np.ceil(-reach / every), np.floor(reach / every) + 1) * every
    bar.set_ticks([float(t) for t in ticks], labels=[draw.signed_number(float(t)) for t in ticks])
    bar.ax.tick_params(labelsize=SMALL_PT, length=2, width=0.5, pad=1.0)
    bar.outline.set_linewidth(0.5)
    against = "above target" if excess else "against the middle"
    sheet.text(_TICKS_MM + long + 7.0, top - 0.6, "cents")
    sheet.text(_TICKS_MM + long + 7.0, top + 2.4, against)
    words = f"lines every {step:g} cents, below 0 dashed; scale {scale_in_words(scale)}"
    if hatched:
        words += "; hatched: doubtful"
    sheet.text(_TICKS_MM, top + 7.6, words, color=FAINT)
    sheet.simulated_tag(across - 21.0, 1.2)
