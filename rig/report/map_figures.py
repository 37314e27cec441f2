"""The maps at a named scale: tone, excess above target, uncertainty, change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import Any

import numpy as np

from rig.model.outline import Outline
from rig.model.tone_map import Comparison, ToneMap, WorkOrder
from rig.report import plate_drawing as draw
from rig.report.palette import FAINT, INK
from rig.report.sheet import (
    BODY_MM,
    COLUMN_MM,
    LETTERS_PER_LINE,
    SMALL_PT,
    TICKS_MM,
    Heading,
    Paper,
    Sheet,
    scale_bar,
    scale_for,
)
from rig.report.words import face_words, map_lines


@dataclass(frozen=True)
class PlateSheet:
    """A sheet with the plate at its left and a column for the key at its right."""

    sheet: Sheet
    axes: Any
    scale: float
    column_mm: float  # left edge of the key
    height_mm: float


def plate_sheet(
    outline: Outline, paper: Paper, heading: Heading | None, *, simulated: bool
) -> PlateSheet:
    """Lay out a sheet on which the plate is as large as the paper allows at a round scale."""
    width, height = BODY_MM[paper]
    size = outline.size_mm[0] + 2.0, outline.size_mm[1] + 2.0
    scale = scale_for(size, (width - COLUMN_MM - TICKS_MM + 2.0, height - 6.0))
    plate_width, plate_height = size[0] / scale, size[1] / scale
    sheet = Sheet(width, plate_height + 6.0, heading, simulated=simulated)
    axes = sheet.axes(TICKS_MM - 2.0, 0.5, plate_width, plate_height)
    draw.set_plate_axes(axes, outline)
    column = max(width - COLUMN_MM, TICKS_MM + plate_width + 1.0)
    return PlateSheet(sheet, axes, scale, column, plate_height + 6.0)


def tone_map_sheet(
    tone_map: ToneMap,
    surface: draw.SurfaceLike,
    outline: Outline,
    work_order: WorkOrder | None = None,
    *,
    excess: bool = False,
    paper: Paper = "A4",
    headed: bool = True,
) -> Sheet:
    """Draw the tone map, or with `excess` how far it stands above the target.

    surface.cents holds what is drawn, surface.sd_cents its standard deviation.
    """
    title = "Above target" if excess else "Tone map"
    heading = (
        Heading(f"{title}, {face_words(tone_map.face)}", map_lines(tone_map)) if headed else None
    )
    page = plate_sheet(outline, paper, heading, simulated=tone_map.simulated)
    reach, step = draw.colour_reach(surface.cents)
    image = draw.draw_field(
        page.axes, surface, surface.cents, outline, low=-reach, high=reach, signed=True
    )
    limit = draw.doubt_limit_cents(surface.sd_cents)
    doubtful = draw.draw_doubt(page.axes, surface, outline, limit)
    draw.draw_taps(page.axes, tone_map.places)
    draw.draw_outline(page.axes, outline)
    zones = work_order.zones if work_order else ()
    rows = {tap: row for row, tap in enumerate(tone_map.taps)}
    clear = [draw.badge_places((zone.x_mm, zone.y_mm)) for zone in zones]
    for zone in zones:
        members = [rows[tap] for tap in zone.taps if tap in rows]
        if members:
            clear.append(draw.draw_region(page.axes, tone_map.places, members, outline))
        note = f"{draw.signed_number(zone.excess_cents)} ± {zone.excess_sd_cents:.0f}"
        draw.number_badge(page.axes, zone.x_mm, zone.y_mm, zone.rank, note)
    if work_order and work_order.starting_spot_mm and zones:
        _starting_spot(page.axes, work_order.starting_spot_mm)
    draw.draw_contours(
        page.axes,
        surface,
        surface.cents,
        step,
        outline,
        with_zero=not excess,
        keep_clear=np.vstack(clear) if clear else None,
    )
    page.sheet.mark_simulated(page.axes)
    against = "above or below target" if excess else "against the scan's middle"
    top = _colour_bar(page, image, f"cents, {against}", step, signed=True)
    zero = "" if excess else " (0 is thick)"
    entries = [("contour", f"equal tone, every {step:g} cents"), ("dash", "below 0" + zero)]
    entries.append(("dot", "tap"))
    if zones:
        entries.append(("zone", "high zone: place in the work order, excess ± sd"))
        if work_order and work_order.starting_spot_mm:
            entries.append(("start", "starting spot"))
    if doubtful:
        entries.append(("hatch", f"doubtful: sd above {limit:.0f} cents"))
    top = _key(page, top, entries)
    if work_order:
        _zone_list(page, top + 3.0, work_order)
    return page.sheet


def uncertainty_sheet(
    tone_map: ToneMap,
    surface: draw.SurfaceLike,
    outline: Outline,
    *,
    paper: Paper = "A4",
    headed: bool = True,
) -> Sheet:
    """Draw the standard deviation of the map."""
    heading = (
        Heading(f"How sure the map is, {face_words(tone_map.face)}", map_lines(tone_map))
        if headed
        else None
    )
    page = plate_sheet(outline, paper, heading, simulated=tone_map.simulated)
    finite = surface.sd_cents[np.isfinite(surface.sd_cents)]
    top_cents = float(np.percentile(finite, 99)) if len(finite) else 1.0
    step = draw.nice_step(top_cents, 6)
    high = float(np.ceil(top_cents / step) * step)
    image = draw.draw_field(
        page.axes, surface, surface.sd_cents, outline, low=0.0, high=high, signed=False
    )
    draw.draw_contours(page.axes, surface, surface.sd_cents, step, outline, signed=False)
    draw.draw_taps(page.axes, tone_map.places)
    draw.draw_outline(page.axes, outline)
    page.sheet.mark_simulated(page.axes)
    top = _colour_bar(page, image, "cents, one standard deviation", step, signed=False)
    _key(page, top, [("contour", f"equal sd, every {step:g} cents"), ("dot", "tap")])
    return page.sheet


def change_sheet(
    comparison: Comparison,
    surface: draw.SurfaceLike,
    outline: Outline,
    *,
    paper: Paper = "A4",
    headed: bool = True,
) -> Sheet:
    """Draw after minus before; what chance could not explain is outlined."""
    heading = (
        Heading(
            f"Change from {comparison.before} to {comparison.after}",
            (
                f"Reading {comparison.reading} ({comparison.estimator}); "
                "below 0: the tone fell where wood was taken.",
                comparison.sentence,
            ),
        )
        if headed
        else None
    )
    page = plate_sheet(outline, paper, heading, simulated=comparison.simulated)
    reach, step = draw.colour_reach(surface.cents)
    image = draw.draw_field(
        page.axes, surface, surface.cents, outline, low=-reach, high=reach, signed=True
    )
    limit = draw.doubt_limit_cents(surface.sd_cents)
    doubtful = draw.draw_doubt(page.axes, surface, outline, limit)
    draw.draw_taps(page.axes, comparison.places)
    draw.draw_outline(page.axes, outline)
    sure = np.flatnonzero(np.asarray(comparison.significant, dtype=bool))
    clear = [draw.badge_places((zone.x_mm, zone.y_mm)) for zone in comparison.zones]
    if len(sure):
        clear.append(draw.draw_region(page.axes, comparison.places, sure, outline))
    ranked = sorted(comparison.zones, key=lambda zone: zone.change_cents)
    for rank, zone in enumerate(ranked, start=1):
        note = f"{draw.signed_number(zone.change_cents)} ± {zone.sd_cents:.0f}"
        draw.number_badge(page.axes, zone.x_mm, zone.y_mm, rank, note)
    draw.draw_contours(
        page.axes,
        surface,
        surface.cents,
        step,
        outline,
        with_zero=False,
        keep_clear=np.vstack(clear) if clear else None,
    )
    page.sheet.mark_simulated(page.axes)
    top = _colour_bar(
        page, image, "cents, after minus before", step, signed=True, above="risen", below="fallen"
    )
    entries = [("contour", f"equal change, every {step:g} cents"), ("dash", "the tone fell")]
    entries.append(("dot", "tap"))
    if len(sure):
        entries.append(("zone", "more than chance explains: number, change ± sd"))
    if doubtful:
        entries.append(("hatch", f"doubtful: sd above {limit:.0f} cents"))
    _key(page, top, entries)
    return page.sheet


def map_picture(
    tone_map: ToneMap,
    work_order: WorkOrder | None,
    surface: draw.SurfaceLike,
    outline: Outline,
    path: Path,
    *,
    excess: bool = False,
    paper: Paper = "A4",
) -> Path:
    """Save the map with its heading as png, svg or pdf; returns the path."""
    sheet = tone_map_sheet(tone_map, surface, outline, work_order, excess=excess, paper=paper)
    return sheet.save(path)


def _starting_spot(axes: Any, spot_mm: tuple[float, float]) -> None:
    for width, colour in ((3.2, "white"), (1.4, INK)):
        axes.plot(*spot_mm, marker="+", ms=11, mew=width, color=colour, zorder=6, ls="none")


def _colour_bar(
    page: PlateSheet,
    image: Any,
    label: str,
    step: float,
    *,
    signed: bool,
    above: str = "higher:\nthick\nor stiff",
    below: str = "lower:\nthin\nor soft",
) -> float:
    """Draw the colour bar with its unit at the top of the column; returns where it ends."""
    height = min(88.0, page.height_mm * 0.42)
    page.sheet.simulated_tag(page.column_mm + 1.0, 1.0)
    top = 8.0 if page.sheet.simulated else 0.0
    first, _, rest = label.partition(", ")
    page.sheet.text(page.column_mm, top, first, fontweight="bold")
    page.sheet.text(page.column_mm, top + 3.4, rest)
    top += 8.5
    bar_axes = page.sheet.axes(page.column_mm + 0.5, top, 4.5, height)
    bar = page.sheet.figure.colorbar(image, cax=bar_axes)
    low, high = image.get_clim()
    every = step * max(1, round((high - low) / step / 12))
    ticks = np.arange(np.ceil(low / every), np.floor(high / every) + 1) * every
    bar.set_ticks(ticks, labels=[draw.signed_number(tick, signed) for tick in ticks])
    bar.ax.tick_params(labelsize=SMALL_PT, length=2, width=0.5, pad=1.5)
    bar.outline.set_linewidth(0.6)
    if signed:
        page.sheet.text(page.column_mm + 17.0, top + 0.5, above)
        page.sheet.text(page.column_mm + 17.0, top + height - 0.5, below, va="bottom")
    return top + height + 5.0


def _key(page: PlateSheet, top: float, entries: Sequence[tuple[str, str]]) -> float:
    """Draw the legend, and the scale bar at the foot; returns where the legend ends."""
    from matplotlib.patches import Circle, Rectangle

    for kind, text in entries:
        lines = wrap(text, LETTERS_PER_LINE)
        sample = page.sheet.axes(page.column_mm, top, 7.0, 3.4)
        sample.set_xlim(0, 7)
        sample.set_ylim(0, 3.4)
        sample.axis("off")
        if kind == "contour":
            sample.plot([0, 6.5], [1.7, 1.7], color=INK, lw=0.8)
        elif kind == "dash":
            sample.plot([0, 6.5], [1.7, 1.7], color=INK, lw=0.8, ls=(0, (4, 2)))
        elif kind == "dot":
            sample.plot([3.2], [1.7], ".", ms=2.2, color=INK, mew=0)
        elif kind == "zone":
            sample.add_patch(Rectangle((0.4, 0.3), 5.8, 2.8, fc="none", ec=INK, lw=1.6))
            sample.add_patch(Circle((3.3, 1.7), 0.9, fc="white", ec=INK, lw=0.8))
        elif kind == "start":
            sample.plot([3.2], [1.7], "+", ms=8, mew=1.4, color=INK)
        elif kind == "hatch":
            sample.add_patch(Rectangle((0.2, 0.2), 6, 3, fc="none", ec=FAINT, lw=0, hatch="/////"))
        page.sheet.text(page.column_mm + 8.5, top + 0.3, "\n".join(lines))
        top += 1.8 + 3.2 * len(lines)
    scale_bar(page.sheet, page.column_mm, page.height_mm - 13.0, page.scale)
    return top


def _zone_list(page: PlateSheet, top: float, work_order: WorkOrder) -> None:
    """List the zones in the column, as many as there is room for."""
    room = int((page.height_mm - 17.0 - top - 7.0) / 3.6)
    if not work_order.zones or room < 2:
        return
    page.sheet.text(page.column_mm, top, "Work order", fontweight="bold")
    columns = ((0.5, "", "left"), (12.0, "x mm", "right"), (21.0, "y mm", "right"),
               (39.5, "cents", "right"))  # fmt: skip
    for left, head, side in columns:
        page.sheet.text(page.column_mm + left, top + 3.8, head, color=FAINT, ha=side)
    fits = work_order.zones if len(work_order.zones) <= room else work_order.zones[: room - 1]
    for row, zone in enumerate(fits):
        cells = (
            str(zone.rank),
            draw.plain_number(zone.x_mm),
            draw.plain_number(zone.y_mm),
            f"{draw.signed_number(zone.excess_cents)} ± {zone.excess_sd_cents:.0f}",
        )
        for (left, _, side), cell in zip(columns, cells, strict=True):
            page.sheet.text(page.column_mm + left, top + 7.4 + 3.6 * row, cell, ha=side)
    if len(fits) < len(work_order.zones):
        more = f"and {len(work_order.zones) - len(fits)} more"
        page.sheet.text(page.column_mm + 0.5, top + 7.4 + 3.6 * len(fits), more)
