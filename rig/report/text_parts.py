"""The text pages of a report."""

from __future__ import annotations

import math

from rig import __version__
from rig.model.tone_map import Comparison, ToneMap
from rig.model.units import nearest_note
from rig.report import texts
from rig.report.content import FaceSection, ReportContent, ThicknessSection
from rig.report.facts_text import in_groups, plate_pairs, scan_pairs, thickness_sentence
from rig.report.plate_drawing import plain_number, signed_number
from rig.report.small_figures import evenness_sheet
from rig.report.words import cents, face_words, true_minus
from rig.report.writer import Writer

PHOTOGRAPH_MM = (68.0, 46.0)  # of one or two, of more
MOST_ZONES = 8  # in a column beside a map


def title(pages: Writer, content: ReportContent, kind: str, *, brief: bool = False) -> None:
    """The plate's name, what kind of report this is, and that it is simulated where it is."""
    known = [word for word in (content.plate.instrument, content.plate.wood) if word]
    pages.title_block(content.plate.name, " · ".join([kind, *filter(None, [", ".join(known)])]))
    if content.simulated:
        pages.paragraph(texts.SIMULATED_BRIEFLY if brief else texts.SIMULATED, strong=True)


def summary(pages: Writer, content: ReportContent) -> None:
    """First page: whose plate, what was found, how even, in which order to work, cautions."""
    pages.text_page()
    title(pages, content, "Full technical record")
    pages.heading("What was found")
    for sentence in content.sentences():
        pages.paragraph(sentence)
    pages.points((*content.cautions, *content.missing))
    if content.faces:
        pages.heading("How even", keep_mm=60.0)
        for face in content.faces:
            pages.paragraph(f"{face.tone_map.scan}: {texts.evenness_sentence(face.tone_map)}")
        for sentence in dict.fromkeys(face.smallest for face in content.faces if face.smallest):
            pages.paragraph(sentence)
        evenness_figure(pages, content)
    current = [face for face in content.faces if not face.earlier]
    for face in current:
        work_order(pages, face, several=len(current) > 1)
    if content.change is not None:
        _change_zones(pages, content.change.comparison)
    if content.thickness is not None:
        thickness_words(pages, content.thickness)
    pages.section_of_points("Before you take wood off", texts.CAUTIONS)


def photographs(pages: Writer, content: ReportContent) -> None:
    """The plate as the camera saw it at each scan, with the outline it was found by."""
    height = PHOTOGRAPH_MM[len(content.photographs) > 2]
    pages.heading("The plate on the bed", keep_mm=height + 25.0)
    for photograph in content.photographs:
        pages.photograph(photograph, height_mm=height)


def details(pages: Writer, content: ReportContent) -> None:
    """Ring partials, the plate, how each scan was made."""
    pages.text_page()
    for face in (face for face in content.faces if not face.earlier):
        _ring(pages, face.tone_map)
    if content.change is not None:
        _shifts(pages, content.change.comparison)
    pages.heading("The plate", keep_mm=60.0)
    pages.pairs(plate_pairs(content))
    measured = {name for face in content.faces for name in face.facts.conditions}
    unknown = texts.unknown_facts(content.plate, measured)
    if unknown:
        pages.paragraph(unknown)
    for face in content.faces:
        pages.heading(f"How scan {face.facts.scan} was made", keep_mm=75.0)
        pages.pairs(scan_pairs(face.facts, face.tone_map))
        pages.points(
            (texts.verdict_sentence(face.tone_map), *map(true_minus, face.tone_map.reasons))
        )
        pages.pairs(face.facts.rig)
        if face.facts.calibration:
            pages.points(face.facts.calibration)
        if face.facts.notes:
            pages.points(face.facts.notes)


def method(pages: Writer, content: ReportContent) -> None:
    """Method, targets, limits, what is not claimed, and how to check this report."""
    readings = {face.tone_map.reading for face in content.faces}
    targets = {face.tone_map.target for face in content.faces}
    if content.change is not None:
        readings.add(content.change.comparison.reading)
    pages.heading("Method", keep_mm=50.0)
    for reading in sorted(readings):
        for text in texts.METHODS[reading]:
            pages.paragraph(text)
    for target in sorted(targets):
        pages.paragraph(texts.TARGETS[target])
    if content.faces:
        pages.paragraph(texts.ZONES)
    pages.heading("Limits", keep_mm=40.0)
    pages.points(limit for reading in sorted(readings) for limit in texts.LIMITS[reading])
    if content.change is not None:
        pages.points(true_minus(text) for text in content.change.comparison.cautions)
    this_report(pages, content)


def this_report(pages: Writer, content: ReportContent) -> None:
    """When and by what it was made, and the fingerprint of its numbers."""
    pages.heading("This report")
    pages.pairs(
        (
            ("made", content.made_utc),
            ("software", f"platerig {__version__}"),
            ("content hash (SHA-256)", in_groups(content.content_hash())),
            ("scale of the maps", "named beside each map, with a bar to check the print by"),
        )
    )


def thickness_words(pages: Writer, section: ThicknessSection) -> None:
    """The caliper readings in one sentence, and what they say of each high zone."""
    pages.heading("Thickness by caliper", keep_mm=30.0)
    pages.paragraph(thickness_sentence(section.readings))
    pages.points(true_minus(text) for text in (*section.zones, *section.cautions))


def all_places(pages: Writer, content: ReportContent) -> None:
    """Every value of every map, for the record."""
    for face in content.faces:
        made = face.tone_map
        pages.text_page(narrow=True)
        pages.heading(f"All places of {made.scan}, {face_words(made.face)}")
        pages.paragraph(
            "Plate frame: x to the right of the centre line, y from the lower end, seen from the "
            "outer face with the neck end up. Tone against the scan's middle value of "
            f"{made.middle_hz:.1f} Hz."
        )
        pages.number_columns(
            ("tap", "x mm", "y mm", "tone", "sd", "above"),
            [
                (
                    str(tap),
                    f"{x:.1f}".replace("-", "−"),
                    f"{y:.1f}".replace("-", "−"),
                    signed_number(tone),
                    f"{sd:.0f}",
                    signed_number(excess) if math.isfinite(excess) else "–",
                )
                for tap, (x, y), tone, sd, excess in zip(
                    made.taps,
                    made.places,
                    made.tone_cents,
                    made.sd_cents,
                    made.excess_cents,
                    strict=True,
                )
            ],
        )


def evenness_figure(pages: Writer, content: ReportContent) -> None:
    maps = [
        (
            f"{face.tone_map.scan}\n{'before' if face.earlier else face_words(face.tone_map.face)}",
            face.tone_map,
        )
        for face in content.faces
    ]
    sheet = evenness_sheet(maps, simulated=content.simulated)
    pages.figure(sheet, " ".join(texts.evenness_sentence(face.tone_map) for face in content.faces))


def work_order(
    pages: Writer, face: FaceSection, *, several: bool = False, narrow: bool = False
) -> None:
    """Where to start, and the high zones in order; narrow: as a column beside a map."""
    order = face.work_order
    which = f", {face_words(face.tone_map.face)} ({order.scan})" if several else ""
    keep = 0.0 if narrow else 38.0 + 5.5 * min(len(order.zones), 20)
    pages.heading(f"Work order{which}", keep_mm=keep)
    if order.starting_spot_mm is not None:
        x, y = order.starting_spot_mm
        pages.paragraph(
            f"Start at x {plain_number(x)}, y {plain_number(y)} mm: {order.starting_spot_reason}"
        )
    elif order.starting_spot_reason:
        pages.paragraph(f"No starting spot: {order.starting_spot_reason}")
    if not order.zones:
        none = true_minus(order.sentence) or "No high zone that chance could not explain."
        pages.paragraph(none)
        return
    if narrow:
        pages.grid(
            ("", "x, mm", "y, mm", "cents above"),
            [
                (
                    str(zone.rank),
                    plain_number(zone.x_mm),
                    plain_number(zone.y_mm),
                    f"{signed_number(zone.excess_cents)} ± {zone.excess_sd_cents:.0f}",
                )
                for zone in order.zones[:MOST_ZONES]
            ],
            widths=(7, 16, 16, 27),
            right=(1, 2, 3),
        )
        if len(order.zones) > MOST_ZONES:
            pages.paragraph(f"{len(order.zones) - MOST_ZONES} more stand on the map.")
        return
    pages.grid(
        ("", "x, mm", "y, mm", "area, cm²", "above target, cents", "certain, %"),
        [
            (
                str(zone.rank),
                plain_number(zone.x_mm),
                plain_number(zone.y_mm),
                f"{zone.area_mm2 / 100:.1f}",
                f"{signed_number(zone.excess_cents)} ± {zone.excess_sd_cents:.0f}",
                _certain(zone.confidence),
            )
            for zone in order.zones
        ],
        widths=(12, 25, 25, 28, 45, 30),
        right=(1, 2, 3, 4, 5),
    )


def _certain(confidence: float) -> str:
    percent = 100.0 * confidence
    return "over 99.9" if percent > 99.9 else f"{percent:.1f}" if percent > 99 else f"{percent:.0f}"


def _change_zones(pages: Writer, comparison: Comparison) -> None:
    pages.heading(f"Change from {comparison.before} to {comparison.after}", keep_mm=35.0)
    pages.paragraph(
        f"Evenness {cents(comparison.evenness_before_cents)} before, "
        f"{cents(comparison.evenness_after_cents)} after."
    )
    if not comparison.zones:
        pages.paragraph("No change that chance could not explain.")
        return
    pages.grid(
        ("", "x, mm", "y, mm", "area, cm²", "change, cents", "certain, %"),
        [
            (
                str(number),
                plain_number(zone.x_mm),
                plain_number(zone.y_mm),
                f"{zone.area_mm2 / 100:.1f}",
                f"{signed_number(zone.change_cents)} ± {zone.sd_cents:.0f}",
                _certain(zone.confidence),
            )
            for number, zone in enumerate(
                sorted(comparison.zones, key=lambda zone: -abs(zone.change_cents)), start=1
            )
        ],
        widths=(12, 25, 25, 28, 45, 30),
        right=(1, 2, 3, 4, 5),
    )


def _ring(pages: Writer, made: ToneMap) -> None:
    if not made.ring:
        return
    shown = made.ring
    about = "The plate's own partials, pooled over all taps; no single place owns them."
    pages.heading(f"Ring of the whole plate, {made.scan}", keep_mm=40.0)
    pages.paragraph(about)
    pages.grid(
        ("partial, Hz", "± Hz", "nearest note", "decay, ms", "level, dB"),
        [
            (
                f"{partial.hz:.2f}",
                f"{partial.sd_hz:.2f}",
                _note(partial.hz),
                f"{1000 * partial.decay_s:.0f}",
                f"{partial.level_db:.1f}".replace("-", "−"),
            )
            for partial in shown
        ],
        widths=(30, 22, 45, 28, 28),
        right=(0, 1, 3, 4),
    )


def _note(hz: float) -> str:
    name, off = nearest_note(hz)
    return f"{name} {signed_number(off)} cents"


def _shifts(pages: Writer, comparison: Comparison) -> None:
    if not comparison.ring:
        return
    shown = comparison.ring
    pages.heading(f"Ring before and after, {comparison.before} and {comparison.after}", keep_mm=40)
    pages.grid(
        ("before, Hz", "after, Hz", "change, cents"),
        [
            (
                f"{shift.before_hz:.2f}",
                f"{shift.after_hz:.2f}",
                f"{shift.change_cents:+.2f} ± {shift.sd_cents:.2f}".replace("-", "−"),
            )
            for shift in shown
        ],
        widths=(35, 35, 40),
        right=(0, 1, 2),
    )
