"""The maps at a named scale: tone, excess above target, uncertainty, change."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rig.model.frames import Strength
from rig.model.outline import Outline
from rig.model.tone_map import Comparison, ToneMap, WorkOrder
from rig.report import plate_drawing as draw
from rig.report.key import KeyEntry, draw_colour_bar, draw_even_note, draw_key, draw_zone_list
from rig.report.layout import plate_sheet
from rig.report.palette import INK
from rig.report.sheet import Heading, Paper, Sheet
from rig.report.words import DEPTH_READINGS, change_lines, face_words, map_lines


@dataclass(frozen=True)
class MapDrawn:
    """What a key has to say of a map that was drawn; limit: sd in cents over which it hatches."""

    image: Any
    step: float
    limit: float
    doubtful: bool
    start: bool


def draw_map(
    axes: Any,
    tone_map: ToneMap,
    surface: draw.SurfaceLike,
    outline: Outline,
    work_order: WorkOrder | None = None,
    *,
    excess: bool = False,
    scale: tuple[float, float] | None = None,
    blank: bool = False,
) -> MapDrawn:
    """Draw a map with its zones into axes that are set to the plate.

    scale: half width of the colour range and contour step, in cents, where several maps share
    them. blank: empty boxes instead of all numbers, to be filled in by hand.
    """
    reach, step = scale or draw.colour_reach(surface.cents)
    image, limit, doubtful = _field(axes, surface, tone_map.places, outline, reach)
    zones = work_order.zones if work_order else ()
    rows = {tap: row for row, tap in enumerate(tone_map.taps)}
    clear = [draw.badge_places((zone.x_mm, zone.y_mm)) for zone in zones]
    for zone in zones:
        members = [rows[tap] for tap in zone.taps if tap in rows]
        if members:
            clear.append(draw.draw_region(axes, tone_map.places, members, outline))
        note = f"{draw.signed_number(zone.excess_cents)} ± {zone.excess_sd_cents:.0f}"
        if blank:
            draw.empty_badge(axes, zone.x_mm, zone.y_mm)
        else:
            draw.number_badge(axes, zone.x_mm, zone.y_mm, zone.rank, note)
    start = work_order.starting_spot_mm if work_order and zones else None
    if start is not None and not blank:
        _starting_spot(axes, start)
        clear.append(np.array([start]))
    rings = np.array([(zone.x_mm, zone.y_mm) for zone in zones]).reshape(-1, 2)
    draw.draw_contours(
        axes, surface, surface.cents, step, outline, with_zero=not excess,
        rings=rings if blank else None,
        keep_clear=np.vstack(clear) if clear else None,
    )  # fmt: skip
    return MapDrawn(image, step, limit, doubtful, start is not None)


def tone_map_sheet(
    tone_map: ToneMap,
    surface: draw.SurfaceLike,
    outline: Outline,
    work_order: WorkOrder | None = None,
    *,
    excess: bool = False,
    strength: Strength | None = None,
    paper: Paper = "A4",
    headed: bool = True,
    foot: str = "",
    blank: bool = False,
) -> Sheet:
    """Draw the tone map, or with `excess` how far it stands above the target.

    surface.cents holds what is drawn, surface.sd_cents its standard deviation. foot: one sentence
    under the map, such as which calibrations held. blank: without numbers, to fill in by hand.
    """
    title = "Above target" if excess else "Tone map"
    heading = Heading(f"{title}, {face_words(tone_map.face)}", map_lines(tone_map, strength))
    page = plate_sheet(
        outline, paper, heading if headed else None, simulated=tone_map.simulated, foot=foot
    )
    drawn = draw_map(page.axes, tone_map, surface, outline, work_order, excess=excess, blank=blank)
    page.sheet.mark_simulated(page.axes)
    thick = tone_map.reading in DEPTH_READINGS
    top = draw_colour_bar(
        page, drawn.image, "cents",
        "above or below target" if excess else "against the scan's middle",
        drawn.step, signed=True, above="higher:\nthick\nor stiff" if thick else "higher",
        below="lower:\nthin\nor soft" if thick else "lower",
        blank=blank,
    )  # fmt: skip
    entries = [
        KeyEntry("contour", f"equal tone every {drawn.step:g} cents"),
        KeyEntry("dash", "below 0" if excess else "below 0 (0: bold line)"),
        KeyEntry("dot", "tap"),
    ]
    zones = work_order.zones if work_order else ()
    if zones and not blank:
        entries.append(KeyEntry("zone", "high zone: place in the work order, excess ± sd"))
    if zones and blank:
        entries.append(KeyEntry("zone", "high zone: write its place in the work order"))
    if drawn.start and not blank:
        entries.append(KeyEntry("start", "starting spot"))
    if drawn.doubtful:
        entries.append(KeyEntry("hatch", f"doubtful: sd over {drawn.limit:.0f} cents"))
    top = draw_key(page, top, entries)
    if excess and work_order is not None and not zones and not blank:
        draw_even_note(page, top + 3.0)
    elif not blank:
        draw_zone_list(page, top + 3.0, zones)
    return page.sheet


def uncertainty_sheet(
    tone_map: ToneMap,
    surface: draw.SurfaceLike,
    outline: Outline,
    *,
    strength: Strength | None = None,
    paper: Paper = "A4",
    headed: bool = True,
    foot: str = "",
) -> Sheet:
    """Draw the standard deviation of the map."""
    title = f"How sure the map is, {face_words(tone_map.face)}"
    heading = Heading(title, map_lines(tone_map, strength))
    page = plate_sheet(
        outline, paper, heading if headed else None, simulated=tone_map.simulated, foot=foot
    )
    sd = surface.sd_cents
    finite = sd[np.isfinite(sd)]
    most = float(np.percentile(finite, 99)) if len(finite) else 1.0
    step = draw.nice_step(most, 6)
    high = float(np.ceil(most / step) * step)
    image = draw.draw_field(page.axes, surface, sd, outline, low=0.0, high=high, signed=False)
    draw.draw_taps(page.axes, tone_map.places)
    draw.draw_outline(page.axes, outline)
    draw.draw_contours(page.axes, surface, sd, step, outline, signed=False)
    page.sheet.mark_simulated(page.axes)
    top = draw_colour_bar(
        page, image, "cents", "one standard deviation", step, signed=False,
        above="less sure", below="surer",
    )  # fmt: skip
    entries = (KeyEntry("contour", f"equal sd every {step:g} cents"), KeyEntry("dot", "tap"))
    draw_key(page, top, entries)
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
    work = comparison.kind == "change"
    title = f"{'Change' if work else 'Difference'} from {comparison.before} to {comparison.after}"
    heading = Heading(title, change_lines(comparison))
    page = plate_sheet(outline, paper, heading if headed else None, simulated=comparison.simulated)
    reach, step = draw.colour_reach(surface.cents)
    image, limit, doubtful = _field(page.axes, surface, comparison.places, outline, reach)
    clear = [draw.badge_places((zone.x_mm, zone.y_mm)) for zone in comparison.zones]
    sure = np.flatnonzero(np.asarray(comparison.significant, dtype=bool))
    if len(sure):
        clear.append(draw.draw_region(page.axes, comparison.places, sure, outline))
    strongest_first = sorted(comparison.zones, key=lambda zone: -abs(zone.change_cents))
    for rank, zone in enumerate(strongest_first, start=1):
        note = f"{draw.signed_number(zone.change_cents)} ± {zone.sd_cents:.0f}"
        draw.number_badge(page.axes, zone.x_mm, zone.y_mm, rank, note)
    draw.draw_contours(
        page.axes, surface, surface.cents, step, outline, with_zero=False,
        keep_clear=np.vstack(clear) if clear else None,
    )  # fmt: skip
    page.sheet.mark_simulated(page.axes)
    top = draw_colour_bar(
        page, image, "cents", "after minus before" if work else "second minus first", step,
        signed=True, above="risen" if work else "higher", below="fallen" if work else "lower",
    )  # fmt: skip
    entries = [
        KeyEntry("contour", f"equal {'change' if work else 'difference'} every {step:g} cents"),
        KeyEntry("dash", "the tone fell" if work else "the second reads lower"),
        KeyEntry("dot", "tap"),
    ]
    if len(sure):
        entries.append(KeyEntry("zone", "beyond chance: number, value ± sd"))
    if doubtful:
        entries.append(KeyEntry("hatch", f"doubtful: sd over {limit:.0f} cents"))
    draw_key(page, top, entries)
    return page.sheet


def map_picture(
    tone_map: ToneMap,
    work_order: WorkOrder | None,
    surface: draw.SurfaceLike,
    outline: Outline,
    path: Path,
    *,
    excess: bool = False,
    strength: Strength | None = None,
    paper: Paper = "A4",
) -> Path:
    """Save the map with its heading as png, svg or pdf; returns the path."""
    return tone_map_sheet(
        tone_map, surface, outline, work_order, excess=excess, strength=strength, paper=paper
    ).save(path)


def change_picture(
    comparison: Comparison, surface: draw.SurfaceLike, outline: Outline, path: Path
) -> Path:
    """Save the change with its heading as png, svg or pdf; returns the path."""
    return change_sheet(comparison, surface, outline).save(path)


def _field(
    axes: Any, surface: draw.SurfaceLike, places: Any, outline: Outline, reach: float
) -> tuple[Any, float, bool]:
    """Colour, hatch, dots, rim; returns the image, the limit of doubt, whether it hatched."""
    image = draw.draw_field(
        axes, surface, surface.cents, outline, low=-reach, high=reach, signed=True
    )
    limit = draw.doubt_limit_cents(surface.sd_cents)
    doubtful = draw.draw_doubt(axes, surface, outline, limit)
    draw.draw_taps(axes, places)
    draw.draw_outline(axes, outline)
    return image, limit, doubtful


def _starting_spot(axes: Any, spot_mm: tuple[float, float]) -> None:
    for width, colour in ((3.2, "white"), (1.4, INK)):
        axes.plot(*spot_mm, marker="+", ms=11, mew=width, color=colour, zorder=6, ls="none")
