"""The hand-out for a class: what is higher and lower, the map, the map to fill in, questions."""

from __future__ import annotations

import numpy as np

from rig.report import texts
from rig.report.content import ReportContent
from rig.report.map_figures import tone_map_sheet
from rig.report.plate_drawing import colour_reach, plain_number, signed_number
from rig.report.small_figures import waves_sheet
from rig.report.text_parts import title
from rig.report.words import DEPTH_READINGS, face_words, map_alt
from rig.report.writer import Writer


def explanation(pages: Writer, content: ReportContent) -> None:
    """First page: how a plate is tapped, and what higher and lower mean."""
    pages.text_page()
    title(pages, content, "Hand-out for the class")
    for number, (heading, paragraphs) in enumerate(texts.FOR_CLASSES):
        pages.heading(heading)
        if number == 1:
            words = (
                "Two waves: a slow one, which sounds lower, and a quick one, which sounds higher."
            )
            pages.figure(waves_sheet(simulated=content.simulated), words)
        for paragraph in paragraphs:
            pages.paragraph(paragraph)
    made = content.shown.tone_map
    if made.reading not in DEPTH_READINGS:
        pages.paragraph(texts.NOT_THICKNESS)
    pages.points(content.missing)


def map_page(pages: Writer, content: ReportContent, *, blank: bool) -> None:
    """The plate's map large; blank: with the numbers taken out."""
    face = content.shown
    made, order = face.tone_map, face.work_order
    sheet = tone_map_sheet(
        made, face.excess_surface, content.outline, order, excess=True, paper=content.paper,
        headed=False, blank=blank,
    )  # fmt: skip
    _, step = colour_reach(face.excess_surface.cents)
    lines: tuple[str, ...]
    if blank:
        heading = "The same map, to fill in"
        lines = (
            f"Neighbouring lines lie {step:g} cents apart; dashed ones are below the target. Write "
            "its number into each box",
            "and beside the colours, and into each ring which zone you would work on first, "
            "second, third, …",
        )
    else:
        heading = f"What stands above its target, {face_words(made.face)}"
        lines = (
            f"Scan {made.scan}; target: {made.target_name}. +100 is one semitone above the target, "
            f"−100 one below. Middle value of the plate: {made.middle_hz:.0f} Hz.",
            "Seen from the outer face, neck end up; x counts from the centre line, y from the "
            "lower end, in millimetres.",
        )
    what = "Map without numbers" if blank else "Tone above target"
    alt = map_alt(made, () if blank else order.zones, what)
    pages.sheet_page(heading, lines, sheet, content.paper, alt)


def questions(pages: Writer, content: ReportContent) -> None:
    """Questions with room to write."""
    pages.text_page()
    pages.heading("Questions")
    for number, question in enumerate(_questions(content), start=1):
        pages.paragraph(f"{number}. {question}")
        pages.answer_lines(2)


def answers(pages: Writer, content: ReportContent) -> None:
    """What the teacher may want to compare with; on a page of its own, to be kept back."""
    made, order = content.shown.tone_map, content.shown.work_order
    above = made.excess_cents
    low, high = int(np.nanargmin(above)), int(np.nanargmax(above))
    pages.text_page()
    pages.heading("For the teacher: answers by this scan")
    found = [
        f"Highest tap: {_place(made.places[high])}, {signed_number(above[high])} cents. "
        f"Lowest tap: {_place(made.places[low])}, {signed_number(above[low])} cents.",
        _equal_line(above[high] - above[low]),
    ]
    if order.zones:
        spots = "; ".join(
            f"{zone.rank} at x {plain_number(zone.x_mm)}, y {plain_number(zone.y_mm)} mm"
            for zone in order.zones[:8]
        )
        found.append(f"Work order by this scan: {spots}.")
    else:
        found.append("No zone stands above its target by more than chance explains.")
    repeats = made.repeatability_cents
    found.append(
        "How well a second scan would agree is not known for this scan."
        if repeats is None
        else f"Two scans of the untouched plate would differ by about {repeats:.0f} cents at a "
        f"place; a difference of {max(1.0, repeats / 2):.0f} cents between two places says nothing."
    )
    found += texts.CLASS_ANSWERS
    pages.points(found, numbered=True)


def _questions(content: ReportContent) -> list[str]:
    repeats = content.shown.tone_map.repeatability_cents
    small = 5 if repeats is None else max(1, round(repeats / 2))
    return [
        "Where on the plate is the highest place, and where the lowest? Give x and y in "
        "millimetres.",
        "How many semitones lie between the two? (100 cents are one semitone.)",
        "Which outlined zone would you work on first, and why there?",
        f"Two neighbouring places differ by {small} cents. Does that mean anything? What would you "
        "do to find out?",
        *texts.CLASS_QUESTIONS,
    ]


def _place(xy: object) -> str:
    x, y = (float(value) for value in xy)  # type: ignore[attr-defined]  # a row of two numbers
    return f"x {plain_number(x)}, y {plain_number(y)} mm"


def _equal_line(span_cents: float) -> str:
    return f"{span_cents:.0f} cents, that is {span_cents / 100.0:.1f} semitones."
