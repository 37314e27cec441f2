"""The owner's record: which plate, in what state, what has changed, in plain words."""

from __future__ import annotations

from rig.report import texts
from rig.report.content import FaceSection, ReportContent, ScanFacts
from rig.report.facts_text import condition_rows, plate_pairs
from rig.report.map_figures import change_sheet
from rig.report.small_maps import SmallMap, side_by_side_sheet
from rig.report.text_parts import this_report, title
from rig.report.words import DEPTH_READINGS, change_lines, count, face_words, map_alt, true_minus
from rig.report.writer import Writer

_PLATE_MM = (78.0, 150.0)  # room for each of two plates side by side
_FACES_MM = (78.0, 95.0)
_ONE_MM = (110.0, 150.0)
_PHOTOGRAPH_MM = 105.0


def opening(pages: Writer, content: ReportContent) -> None:
    """Whose plate it is, what it looks like, and under which conditions it was scanned."""
    pages.text_page()
    title(pages, content, "Record for the owner")
    pages.heading("The plate")
    pages.pairs(plate_pairs(content))
    for photograph in content.photographs[:1]:
        pages.photograph(photograph, height_mm=_PHOTOGRAPH_MM)
    faces = in_order_of_time(content)
    pages.heading("When and how it was tapped", keep_mm=45.0)
    pages.grid(
        ("", *(face.tone_map.scan for face in faces)), condition_rows(faces),
        widths=(42, *[128.0 / len(faces)] * len(faces)),
    )  # fmt: skip
    pages.points((*content.cautions, *content.missing))


def change(pages: Writer, content: ReportContent) -> None:
    """Before and after side by side, and what has changed in plain words."""
    pages.text_page()
    found, before, shown = content.change, content.before, content.shown
    if found is None or before is None:
        pages.heading("The plate's tone")
        alt = map_alt(shown.tone_map, (), "Tone map")
        pages.figure(side_by_side_sheet([_small("Tone", shown)], content.outline, _ONE_MM), alt)
        pages.heading("What was found")
        for sentence in content.sentences():
            pages.paragraph(sentence)
        pages.paragraph(texts.evenness_sentence(shown.tone_map))
        return
    pages.heading("Before and after")
    after = next(f for f in content.faces if f.tone_map.scan == found.comparison.after)
    maps = [_small("Before", before), _small("After", after)]
    alt = " ".join(map_alt(one.tone_map, (), one.title) for one in maps)
    pages.figure(side_by_side_sheet(maps, content.outline, _PLATE_MM), alt)
    pages.heading("What has changed")
    for sentence in _in_plain_words(content):
        pages.paragraph(sentence)
    pages.points(true_minus(text) for text in found.comparison.cautions)


def change_map(pages: Writer, content: ReportContent) -> None:
    """The change itself, where it is beyond chance outlined."""
    found = content.change
    assert found is not None
    sheet = change_sheet(
        found.comparison, found.surface, content.outline, paper=content.paper, headed=False
    )
    title_text = f"Change from {found.comparison.before} to {found.comparison.after}"
    alt = f"{title_text}. {true_minus(found.comparison.sentence)}"
    pages.sheet_page(title_text, change_lines(found.comparison), sheet, content.paper, alt)


def both_faces(pages: Writer, content: ReportContent) -> None:
    """Both faces side by side, how to read the maps, what they do not say, and this record."""
    pages.text_page(narrow=True)
    other = content.other_face
    if other is not None:
        pages.heading("Both faces")
        maps = [_small(face_words(f.tone_map.face).capitalize(), f) for f in (content.shown, other)]
        alt = " ".join(map_alt(one.tone_map, (), one.title) for one in maps)
        pages.figure(side_by_side_sheet(maps, content.outline, _FACES_MM), alt)
        pages.paragraph(
            "Both are drawn as seen from the outer face, so a place on the left is the same piece "
            "of wood in both."
        )
    pages.heading("How to read the maps", keep_mm=50.0)
    for sentence in texts.FOR_OWNERS:
        pages.paragraph(sentence)
    thick = content.shown.tone_map.reading in DEPTH_READINGS
    pages.paragraph(texts.HIGHER_IS_THICKER if thick else texts.NOT_THICKNESS)
    for scans, facts in _by_rig(content):
        pages.heading(f"Rig and calibration ({', '.join(scans)})", keep_mm=40.0)
        pages.pairs(facts.rig)
        pages.points(facts.calibration)
    this_report(pages, content)


def in_order_of_time(content: ReportContent) -> list[FaceSection]:
    """The scans, oldest first."""
    return sorted(content.faces, key=lambda f: (f.facts.recorded_utc or "", f.tone_map.scan))


def _by_rig(content: ReportContent) -> list[tuple[list[str], ScanFacts]]:
    """Scans that were made alike, with what is said of their rig."""
    found: dict[tuple[object, ...], tuple[list[str], ScanFacts]] = {}
    for face in in_order_of_time(content):
        alike = face.facts.rig, face.facts.calibration
        found.setdefault(alike, ([], face.facts))[0].append(face.tone_map.scan)
    return list(found.values())


def _small(heading: str, face: FaceSection) -> SmallMap:
    made = face.tone_map
    return SmallMap(f"{heading}: {made.scan}", made, face.tone_surface)


def _in_plain_words(content: ReportContent) -> list[str]:
    found = content.change
    assert found is not None
    comparison = found.comparison
    told = [true_minus(comparison.sentence)]
    before, after = comparison.evenness_before_cents, comparison.evenness_after_cents
    told.append(
        f"From the lowest to the highest places (5 % to 95 %) the tone spreads over "
        f"{after:.0f} cents now; before it was {before:.0f}. 100 cents are one semitone."
    )
    if comparison.zones:
        told.append(
            f"{count(len(comparison.zones), 'region')} changed by more than chance explains "
            "(outlined on the map of the change). Elsewhere the two scans agree within their doubt."
        )
    else:
        told.append("Nowhere is the change larger than what two scans differ by of themselves.")
    shifts = comparison.ring
    if shifts:
        moved = [round(shift.change_cents, 1) + 0.0 for shift in shifts]  # no −0.0
        low, high = min(moved), max(moved)
        told.append(
            true_minus(
                f"The notes of the whole plate ({count(len(shifts), 'partial')} heard in both) "
                f"moved by {low:+.1f} to {high:+.1f} cents."
            )
        )
    return told
