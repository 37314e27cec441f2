"""The tap plan drawn: every place in order, the way of the hammer, what is left out."""

from __future__ import annotations

from pathlib import Path

from rig.model.outline import Outline
from rig.model.plan import Plan
from rig.report import plate_drawing as draw
from rig.report.key import KeyEntry, draw_key
from rig.report.layout import plate_sheet
from rig.report.palette import FAINT, INK
from rig.report.sheet import Heading, Paper, Sheet
from rig.report.words import count, face_words


def plan_sheet(
    plan: Plan,
    outline: Outline,
    *,
    paper: Paper = "A4",
    headed: bool = True,
    simulated: bool = False,
) -> Sheet:
    """Draw a plan; numbers stand at the first and last tap and at every fiftieth."""
    heading = None
    if headed:
        heading = Heading(
            f"Tap plan, {face_words(plan.face)}",
            (
                f"{count(len(plan.taps), 'tap')}, {plan.spacing_mm:g} mm apart, at least "
                f"{plan.margin_mm:g} mm from every edge · "
                f"{count(plan.repeats, f'{plan.strength} strike')} each",
                "Seen from the outer face, neck end up; a place keeps its numbers when the plate "
                "is turned over.",
                "; ".join(f"{left.count} left out: {left.reason}" for left in plan.left_out),
            ),
        )
    page = plate_sheet(outline, paper, heading, simulated=simulated)
    draw.draw_outline(page.axes, outline, filled=True)
    places = plan.places()
    page.axes.plot(places[:, 0], places[:, 1], color=FAINT, lw=0.5, zorder=2)
    page.axes.plot(places[:, 0], places[:, 1], ".", ms=3.0, color=INK, mew=0, zorder=3)
    page.axes.plot(*places[0], "o", ms=6.5, mfc="white", mec=INK, mew=1.2, zorder=4)
    page.axes.plot(*places[-1], "s", ms=6.0, mfc="white", mec=INK, mew=1.2, zorder=4)
    for tap in plan.taps[50::50]:
        page.axes.annotate(
            str(tap.number), (tap.x_mm, tap.y_mm), xytext=(2.5, 2.5), textcoords="offset points",
            fontsize=6.5, color=INK, path_effects=draw.halo(2.0), zorder=5,
        )  # fmt: skip
    page.sheet.mark_simulated(page.axes)
    page.sheet.simulated_tag(page.column_mm + 1.0, 1.0)
    draw_key(
        page,
        8.0 if simulated else 0.0,
        (
            KeyEntry("dot", "tap, in the order of the line"),
            KeyEntry("ring", "first tap, number 0"),
            KeyEntry("square", f"last tap, number {plan.taps[-1].number}"),
            KeyEntry("faint", "way of the hammer"),
            KeyEntry("text", "every 50th tap has its number"),
        ),
    )
    return page.sheet


def plan_picture(plan: Plan, outline: Outline, path: Path) -> Path:
    """Save the drawn plan as png, svg or pdf; returns the path."""
    return plan_sheet(plan, outline).save(path)
