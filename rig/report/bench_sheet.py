"""The working sheet for the bench: one page with the map, the order of work and when to stop."""

from __future__ import annotations

from rig.report import texts
from rig.report.content import FaceSection, ReportContent
from rig.report.facts_text import measured
from rig.report.plate_drawing import signed_number
from rig.report.sheet import PAPER_MM
from rig.report.small_maps import SmallMap, beside_text_sheet
from rig.report.text_parts import title, work_order
from rig.report.words import DEPTH_READINGS, cents, face_words, map_alt, true_minus
from rig.report.writer import Writer

_COLUMN_MM = 66.0  # of words beside the map
_SIDES_MM = 2 * 12.0 + 5.0
_ABOVE_MM = 36.0
_BELOW_MM = 72.0  # for when to stop


def bench_sheet(pages: Writer, content: ReportContent) -> None:
    """Write the page; the map is as large as the paper leaves room for."""
    face = content.shown
    made, order = face.tone_map, face.work_order
    pages.text_page(narrow=True)
    title(pages, content, f"Working sheet, {face_words(made.face)}, scan {made.scan}", brief=True)
    wide, high = PAPER_MM[content.paper]
    room = wide - _SIDES_MM - _COLUMN_MM, high - _ABOVE_MM - _BELOW_MM
    shown = SmallMap(f"Above target ({made.target_name})", made, face.excess_surface, order)
    sheet = beside_text_sheet(shown, content.outline, room)

    def column() -> None:
        work_order(pages, face, narrow=True)
        pages.heading("How even")
        pages.pairs(_evenness(face), name_mm=26.0)
        pages.heading("Before you rely on it")
        pages.points(_doubts(face, content))
        pages.heading("Cautions")
        pages.points(texts.BENCH_CAUTIONS)

    pages.beside(sheet, map_alt(made, order.zones, "Tone above target"), column)
    pages.section_of_points("When to stop", stop_rules(content))


def _evenness(face: FaceSection) -> list[tuple[str, str]]:
    made = face.tone_map
    between = f"{made.evenness_low_cents:.0f} to {made.evenness_high_cents:.0f}"
    repeats = made.repeatability_cents
    return [
        ("middle value", f"{made.middle_hz:.0f} Hz"),
        ("evenness", f"{made.evenness_cents:.0f} cents ({between})"),
        ("repeats within", "not known" if repeats is None else cents(repeats)),
    ]


def _doubts(face: FaceSection, content: ReportContent) -> list[str]:
    facts = face.facts
    known = [
        measured(name, facts.conditions[name])
        for name in ("temperature_c", "humidity_percent", "mass_g")
        if name in facts.conditions
    ]
    scanned = f"Scanned {(facts.recorded_utc or 'on a day not known')[:10]}"
    target = f"Target: {face.tone_map.target_name}."
    found = [f"{scanned}{': ' if known else ''}{', '.join(known)}.", target]
    found.append(texts.verdict_sentence(face.tone_map))
    if content.missing:
        found += content.missing
    return found


def stop_rules(content: ReportContent) -> list[str]:
    """When to stop at a zone, everywhere, and altogether, with this scan's own numbers."""
    face = content.shown
    made, zones = face.tone_map, face.work_order.zones
    told: list[str] = []
    if content.thickness is not None and content.thickness.zones:
        told += [true_minus(text) for text in content.thickness.zones[:3]]
    elif zones and made.reading in DEPTH_READINGS:
        first = zones[0]
        share = 100.0 * (1.0 - 2.0 ** (-first.excess_cents / 1200.0))
        told.append(
            f"Zone 1 stands {signed_number(first.excess_cents)} cents above its target: were it "
            f"all thickness, {share:.0f} % of it there. Take off half of that at most, then scan."
        )
    if not zones:
        told.append("By this scan no wood is to come off anywhere.")
    enough = face.work_order.smallest_change_cents or made.repeatability_cents
    if enough is not None:
        told.append(
            f"A zone is done when a new scan no longer lists it; less than about {enough:.0f} "
            "cents cannot be told from chance."
        )
    return [*told, *texts.STOP_RULES]
