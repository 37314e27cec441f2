"""Caliper readings drawn where they were taken."""

from __future__ import annotations

import numpy as np

from rig.model.outline import Outline
from rig.model.thickness import ThicknessReadings
from rig.report import plate_drawing as draw
from rig.report.key import KeyEntry, draw_key
from rig.report.layout import plate_sheet
from rig.report.palette import INK
from rig.report.sheet import Paper, Sheet

_MOST_NUMBERS = 160  # more would lie over each other


def thickness_sheet(
    readings: ThicknessReadings, outline: Outline, *, paper: Paper = "A4", simulated: bool = False
) -> Sheet:
    """Every reading in mm at its place; where there are very many, a part of the numbers only."""
    page = plate_sheet(outline, paper, None, simulated=simulated)
    draw.draw_outline(page.axes, outline, filled=True)
    places, mm = np.asarray(readings.places_mm), np.asarray(readings.thickness_mm)
    page.axes.plot(places[:, 0], places[:, 1], ".", ms=3.0, color=INK, mew=0, zorder=3)
    every = max(1, -(-len(mm) // _MOST_NUMBERS))
    for (x, y), thick in list(zip(places, mm, strict=True))[::every]:
        page.axes.annotate(
            f"{thick:.2f}", (x, y), xytext=(0, 2.5), textcoords="offset points", ha="center",
            fontsize=6.5, color=INK, path_effects=draw.halo(1.6), zorder=5,
        )  # fmt: skip
    page.sheet.mark_simulated(page.axes)
    page.sheet.simulated_tag(page.column_mm + 1.0, 1.0)
    entries = [
        KeyEntry("dot", "caliper reading, mm"),
        KeyEntry("text", f"thinnest {mm.min():.2f} mm, thickest {mm.max():.2f} mm"),
    ]
    if every > 1:
        entries.append(KeyEntry("text", f"every {every}th reading has its number"))
    draw_key(page, 8.0 if simulated else 0.0, entries)
    return page.sheet
