"""The column beside the plate: colour bar with its unit, legend, work order, scale bar."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np

from rig.model.tone_map import HighZone
from rig.report import plate_drawing as draw
from rig.report.layout import PlateSheet
from rig.report.palette import FAINT, INK
from rig.report.sheet import COLUMN_MM, SMALL_PT, scale_bar


class KeyEntry(NamedTuple):
    """A sample of how something is drawn, and what it means."""

    kind: str
    text: str


def draw_colour_bar(
    page: PlateSheet, image: Any, unit: str, meaning: str, step: float, *, signed: bool,
    above: str = "", below: str = "", blank: bool = False,
) -> float:  # fmt: skip
    """Draw the colour bar at the top of the column; returns where it ends.

    blank: lines to write on instead of numbers.
    """
    height = min(88.0, page.height_mm * 0.42)
    page.sheet.simulated_tag(page.column_mm + 1.0, 1.0)
    top = 8.0 if page.sheet.simulated else 0.0
    page.sheet.text(page.column_mm, top, unit, fontweight="bold")
    page.sheet.text(page.column_mm, top + 3.4, meaning)
    top += 8.5
    bar_axes = page.sheet.axes(page.column_mm + 0.5, top, 4.5, height)
    bar = page.sheet.figure.colorbar(image, cax=bar_axes)
    low, high = image.get_clim()
    every = step * max(1, round((high - low) / step / 12))
    ticks = np.arange(np.ceil(low / every), np.floor(high / every) + 1) * every
    numbers = [draw.signed_number(tick, signed) for tick in ticks]
    bar.set_ticks(ticks, labels=["____" if blank else number for number in numbers])
    bar.ax.tick_params(labelsize=SMALL_PT, length=2, width=0.5, pad=1.5)
    bar.outline.set_linewidth(0.6)
    page.sheet.text(page.column_mm + 17.0, top + 0.5, above)
    page.sheet.text(page.column_mm + 17.0, top + height - 0.5, below, va="bottom")
    return top + height + 5.0


def draw_key(page: PlateSheet, top: float, entries: Sequence[KeyEntry]) -> float:
    """Draw the legend, and the scale bar at the foot; returns where the legend ends."""
    samples = page.sheet.axes(page.column_mm, top, 7.0, max(page.height_mm - top, 10.0))
    samples.set_xlim(0.0, 7.0)
    samples.set_ylim(page.height_mm, top)  # mm from the top, as the words beside them
    samples.axis("off")
    for kind, text in entries:
        indent = 0.0 if kind == "text" else 7.6
        lines = page.sheet.wrapped(text, COLUMN_MM - indent)
        _SAMPLES[kind](samples, top + 1.7)
        page.sheet.text(page.column_mm + indent, top + 0.3, "\n".join(lines))
        top += 1.8 + 3.2 * len(lines)
    scale_bar(page.sheet, page.column_mm, page.height_mm - 13.0, page.scale)
    return top


def draw_zone_list(page: PlateSheet, top: float, zones: Sequence[HighZone]) -> None:
    """List the zones in the column, as many as there is room for."""
    room = int((page.height_mm - 17.0 - top - 7.0) / 3.6)
    if not zones or room < 2:
        return
    page.sheet.text(page.column_mm, top, "Work order", fontweight="bold")
    columns = ((0.5, "", "left"), (12.0, "x mm", "right"), (21.0, "y mm", "right"),
               (39.5, "cents", "right"))  # fmt: skip
    for left, head, side in columns:
        page.sheet.text(page.column_mm + left, top + 3.8, head, color=FAINT, ha=side)
    fits = zones if len(zones) <= room else zones[: room - 1]
    for row, zone in enumerate(fits):
        cells = (
            str(zone.rank),
            draw.plain_number(zone.x_mm),
            draw.plain_number(zone.y_mm),
            f"{draw.signed_number(zone.excess_cents)} ± {zone.excess_sd_cents:.0f}",
        )
        for (left, _, side), cell in zip(columns, cells, strict=True):
            page.sheet.text(page.column_mm + left, top + 7.4 + 3.6 * row, cell, ha=side)
    if len(fits) < len(zones):
        more = f"and {len(zones) - len(fits)} more"
        page.sheet.text(page.column_mm + 0.5, top + 7.4 + 3.6 * len(fits), more)


def draw_even_note(page: PlateSheet, top: float) -> None:
    """Say that no zone was found, for the colours of an even plate are as strong as any."""
    page.sheet.text(page.column_mm, top, "No high zone", fontweight="bold")
    for row, words in enumerate(
        ("even within what this", "rig can tell; the colours", "may be chance")
    ):
        page.sheet.text(page.column_mm + 0.5, top + 3.8 + 3.6 * row, words)


def _zone_sample(axes: Any, y: float) -> None:
    from matplotlib.patches import Circle, Rectangle

    axes.add_artist(Rectangle((0.4, y - 1.4), 5.8, 2.8, fc="none", ec=INK, lw=1.6))
    axes.add_artist(Circle((3.3, y), 0.9, fc="white", ec=INK, lw=0.8))


def _hatch_sample(axes: Any, y: float) -> None:
    from matplotlib.patches import Rectangle

    axes.add_artist(Rectangle((0.2, y - 1.5), 6, 3, fc="none", ec=FAINT, lw=0, hatch="/////"))


def _line(axes: Any, y: float, **style: Any) -> None:
    axes.plot([0, 6.5], [y, y], **({"color": INK, "lw": 0.8} | style))


def _mark(axes: Any, y: float, mark: str, **style: Any) -> None:
    axes.plot([3.2], [y], mark, **({"mfc": "white", "mec": INK, "mew": 1.2} | style))


_SAMPLES: dict[str, Callable[[Any, float], None]] = {
    "contour": _line,
    "dash": lambda axes, y: _line(axes, y, ls=(0, (4, 2))),
    "faint": lambda axes, y: _line(axes, y, color=FAINT, lw=0.6),
    "dot": lambda axes, y: _mark(axes, y, ".", ms=2.6, mfc=INK, mew=0),
    "ring": lambda axes, y: _mark(axes, y, "o", ms=6),
    "square": lambda axes, y: _mark(axes, y, "s", ms=5.5),
    "start": lambda axes, y: _mark(axes, y, "+", ms=8, mew=1.4),
    "zone": _zone_sample,
    "hatch": _hatch_sample,
    "text": lambda _axes, _y: None,
}
