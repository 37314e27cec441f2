"""The text pages of a report."""

from __future__ import annotations

import math

from rig import __version__
from rig.model.tone_map import Comparison, ToneMap
from rig.model.units import nearest_note
from rig.report import texts
from rig.report.content import FaceSection, ReportContent, ScanFacts
from rig.report.pages import Pages
from rig.report.plate_drawing import plain_number, signed_number
from rig.report.small_figures import evenness_sheet
from rig.report.words import READING_WORDS, cents, count, face_words, true_minus

MOST_PARTIALS = 14  # partials in a report for the bench
_UNITS = {
    "mass_g": ("mass", "g"),
    "mean_thickness_mm": ("mean thickness", "mm"),
    "arching_mm": ("arching above the rim", "mm"),
    "temperature_c": ("temperature", "°C"),
    "humidity_percent": ("relative humidity", "%"),
}


def summary(pages: Pages, content: ReportContent) -> None:
    """First page: whose plate, what was found, how even, in which order to work, cautions."""
    pages.text_page()
    kind = "Work report for the bench" if content.kind == "work" else "Record for the file"
    known = [word for word in (content.plate.instrument, content.plate.wood) if word]
    about = f" · {', '.join(known)}" if known else ""
    pages.title_block(content.plate.name, f"{kind}{about}")
    if content.simulated:
        pages.paragraph(texts.SIMULATED, strong=True)
    pages.heading("What was found")
    for sentence in content.sentences():
        pages.paragraph(sentence)
    pages.points(content.cautions)
    if content.faces:
        pages.heading("How even", keep_mm=60.0)
        for face in content.faces:
            pages.paragraph(f"{face.tone_map.scan}: {texts.evenness_sentence(face.tone_map)}")
        for sentence in dict.fromkeys(face.smallest for face in content.faces if face.smallest):
            pages.paragraph(sentence)
        _evenness_figure(pages, content)
    current = [face for face in content.faces if not face.earlier]
    for face in current:
        _work_order(pages, face, several=len(current) > 1)
    if content.change is not None:
        _change_zones(pages, content.change.comparison)
    pages.heading(
        "Before you take wood off", keep_mm=11.5 + pages.height_of_points_mm(texts.CAUTIONS)
    )
    pages.points(texts.CAUTIONS)


def details(pages: Pages, content: ReportContent) -> None:
    """Ring partials, the plate, how each scan was made."""
    pages.text_page()
    everything = content.kind == "record"
    for face in (face for face in content.faces if not face.earlier):
        _ring(pages, face.tone_map, everything=everything)
    if content.change is not None:
        _shifts(pages, content.change.comparison, everything=everything)
    pages.heading("The plate")
    pages.pairs(_plate_pairs(content))
    measured = {name for face in content.faces for name in face.facts.conditions}
    unknown = texts.unknown_facts(content.plate, measured)
    if unknown:
        pages.paragraph(unknown)
    for face in content.faces:
        pages.heading(f"How scan {face.facts.scan} was made")
        pages.pairs(_scan_pairs(face.facts, face.tone_map))
        pages.points(
            (texts.verdict_sentence(face.tone_map), *map(true_minus, face.tone_map.reasons))
        )
        if face.facts.calibration:
            pages.points(face.facts.calibration)
        if face.facts.notes:
            pages.points(face.facts.notes)


def method(pages: Pages, content: ReportContent) -> None:
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
    pages.heading("This report")
    pages.pairs(
        (
            ("made", content.made_utc),
            ("software", f"platerig {__version__}"),
            ("content hash", _in_groups(content.content_hash())),
            ("scale of the maps", "named beside each map, with a bar to check the print by"),
        )
    )


def _in_groups(digits: str, size: int = 8) -> str:
    return " ".join(digits[start : start + size] for start in range(0, len(digits), size))


def all_places(pages: Pages, content: ReportContent) -> None:
    """Every value of every map, for the record."""
    for face in content.faces:
        made = face.tone_map
        pages.text_page()
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


def _evenness_figure(pages: Pages, content: ReportContent) -> None:
    maps = [
        (
            f"{face.tone_map.scan}\n{'before' if face.earlier else face_words(face.tone_map.face)}",
            face.tone_map,
        )
        for face in content.faces
    ]
    sheet = evenness_sheet(maps, simulated=content.simulated)
    if pages.will_page_break(sheet.height_mm + 2.0):
        pages.add_page(same=True)
    pages.place(sheet, pages.l_margin, pages.get_y(), dots_per_inch=300)
    pages.set_y(pages.get_y() + sheet.height_mm + 2.0)


def _work_order(pages: Pages, face: FaceSection, *, several: bool) -> None:
    order = face.work_order
    which = f", {face_words(face.tone_map.face)} ({order.scan})" if several else ""
    pages.heading(f"Work order{which}", keep_mm=35.0)
    if order.starting_spot_mm is not None:
        x, y = order.starting_spot_mm
        pages.paragraph(
            f"Start at x {plain_number(x)}, y {plain_number(y)} mm: {order.starting_spot_reason}"
        )
    elif order.starting_spot_reason:
        pages.paragraph(f"No starting spot: {order.starting_spot_reason}")
    if not order.zones:
        pages.paragraph("No high zone that chance could not explain.")
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


def _change_zones(pages: Pages, comparison: Comparison) -> None:
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


def _ring(pages: Pages, made: ToneMap, *, everything: bool) -> None:
    if not made.ring:
        return
    shown = list(made.ring)
    about = "The plate's own partials, pooled over all taps; no single place owns them."
    if not everything and len(shown) > MOST_PARTIALS:
        surest = sorted(shown, key=lambda p: p.sd_hz / p.hz)[:MOST_PARTIALS]
        shown = sorted(surest, key=lambda p: p.hz)
        about += (
            f" The {MOST_PARTIALS} surest of {len(made.ring)} are shown; all are in the table "
            "beside this report."
        )
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


def _shifts(pages: Pages, comparison: Comparison, *, everything: bool) -> None:
    if not comparison.ring:
        return
    shown = list(comparison.ring)
    pages.heading(f"Ring before and after, {comparison.before} and {comparison.after}", keep_mm=40)
    if not everything and len(shown) > MOST_PARTIALS:
        surest = sorted(shown, key=lambda shift: shift.sd_cents)[:MOST_PARTIALS]
        shown = sorted(surest, key=lambda shift: shift.before_hz)
        pages.paragraph(f"The {MOST_PARTIALS} surest of {len(comparison.ring)} partials are shown.")
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


def _plate_pairs(content: ReportContent) -> list[tuple[str, str]]:
    plate = content.plate
    width, length = content.outline.size_mm
    pairs = [("name", plate.name)]
    for name in ("instrument", "wood", "reference"):
        if getattr(plate, name):
            pairs.append((name, str(getattr(plate, name))))
    pairs.append(("size of the outline", f"{length:.0f} mm × {width:.0f} mm"))
    for name, (words, unit) in _UNITS.items():
        value = getattr(plate, name)
        if value is not None:
            pairs.append((words, f"{value:g} {unit}"))
    if plate.arch_heights_mm is not None:
        pairs.append(("arch", f"measured at {count(len(plate.arch_heights_mm), 'place')}"))
    for bar in plate.bars or ():
        high = f"{max(bar.heights_mm):g} mm high, {bar.width_mm:g} mm wide"
        pairs.append(("bar glued inside", f"{bar.length_mm:.0f} mm long, {high}"))
    if plate.notes:
        pairs.append(("notes", plate.notes))
    return pairs


def _scan_pairs(facts: ScanFacts, made: ToneMap) -> list[tuple[str, str]]:
    pairs = [
        ("recorded", facts.recorded_utc or "not known"),
        ("face and strike", f"{face_words(made.face)}, {facts.strength}"),
        (
            "taps and strikes",
            f"{count(facts.taps, 'tap')}, {facts.spacing_mm:g} mm apart; "
            f"{count(facts.strikes, 'strike')} used, {facts.superseded} struck again, "
            f"{facts.bad} left out as bad",
        ),
        ("reading", f"{READING_WORDS[made.reading]}, by the {made.estimator}"),
        (
            "target",
            " ".join((f"{made.target_name}.", *made.target_notes))
            if made.target_notes
            else made.target_name,
        ),
    ]
    if facts.microphone_xyz_mm is not None:
        x, y, z = facts.microphone_xyz_mm
        place = f"x {plain_number(x)}, y {plain_number(y)} mm, {z:.0f} mm above the face"
        pairs.append(("microphone", place))
    if facts.pose_sd_mm is not None:
        pairs.append(("place of the plate", f"known to about {facts.pose_sd_mm:.2f} mm"))
    for name, (words, unit) in _UNITS.items():
        if name in facts.conditions:
            pairs.append((words, f"{facts.conditions[name]:g} {unit}"))
    if facts.world:
        pairs.append(("world", f"{facts.world} (virtual rig)"))
    return pairs
