"""The four kinds of report laid out: which parts stand in which, and in which order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rig.model.errors import StorageFullError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.report import class_handout, owner_record, text_parts
from rig.report.bench_sheet import bench_sheet
from rig.report.content import FaceSection, ReportContent
from rig.report.facts_text import thickness_sentence
from rig.report.html_pages import HtmlPages
from rig.report.map_figures import tone_map_sheet, uncertainty_sheet
from rig.report.mode_figures import modes_lines, modes_pages
from rig.report.pages import Pages
from rig.report.plan_figure import plan_sheet
from rig.report.thickness_figure import thickness_sheet
from rig.report.true_size import TrueSizeMap
from rig.report.words import face_words, map_alt, map_lines, true_minus
from rig.report.writer import Writer

Step = tuple[str, Callable[[Writer], None]]
KIND_WORDS = {
    "bench": "Working sheet",
    "owner": "Owner's record",
    "class": "Class hand-out",
    "technical": "Technical record",
}


@dataclass(frozen=True)
class ReportFiles:
    """What was written; pages: of paper, None for an HTML file."""

    path: Path
    pages: int | None
    content_hash: str


def write_report(content: ReportContent, out: Path, *, progress: Progress = silent) -> ReportFiles:
    """Lay the report out and write it, as HTML where the name ends so; same content, same bytes.

    Raises StorageFullError when the file cannot be written.
    """
    title = f"{KIND_WORDS[content.kind]}: {content.plate.name}"
    pages: Pages | HtmlPages
    if out.suffix.lower() in (".html", ".htm"):
        pages = HtmlPages(title, simulated=content.simulated, made_utc=content.made_utc)
    else:
        pages = Pages(
            title, simulated=content.simulated, made_utc=content.made_utc, paper=content.paper
        )
    steps = _steps(content)
    for done, (stage, step) in enumerate(steps):
        progress(ProgressEvent(f"report: {stage}", done, len(steps)))
        step(pages)
    progress(ProgressEvent("report: written", len(steps), len(steps)))
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(pages, HtmlPages):
            pages.output(out)
        else:
            pages.output(str(out))
    except OSError as problem:
        raise StorageFullError(
            f"The report could not be written: {problem.strerror or problem}.",
            where=str(out),
            remedy="Choose another place with --out.",
        ) from problem
    count = None if isinstance(pages, HtmlPages) else pages.pages_count
    return ReportFiles(out, count, content.content_hash())


def _steps(content: ReportContent) -> list[Step]:
    kinds = {"bench": _bench, "owner": _owner, "class": _class, "technical": _technical}
    steps = kinds[content.kind](content)
    if content.true_size is not None:
        face = content.shown
        drawn = _true_size(content, face)
        # before what is written about how it was made, so that the maps stay together
        place = len(steps) if content.kind != "technical" else _after_maps(steps)
        steps.insert(place, ("true size", lambda pages: pages.true_size_pages(drawn)))
    return steps


def _bench(content: ReportContent) -> list[Step]:
    return [("working sheet", lambda pages: bench_sheet(pages, content))]


def _owner(content: ReportContent) -> list[Step]:
    steps: list[Step] = [
        ("plate", lambda pages: owner_record.opening(pages, content)),
        ("before and after", lambda pages: owner_record.change(pages, content)),
    ]
    if content.change is not None:
        steps.append(("change", lambda pages: owner_record.change_map(pages, content)))
    return [*steps, ("both faces", lambda pages: owner_record.both_faces(pages, content))]


def _class(content: ReportContent) -> list[Step]:
    return [
        ("explanation", lambda pages: class_handout.explanation(pages, content)),
        ("map", lambda pages: class_handout.map_page(pages, content, blank=False)),
        ("map to fill in", lambda pages: class_handout.map_page(pages, content, blank=True)),
        ("questions", lambda pages: class_handout.questions(pages, content)),
        ("answers", lambda pages: class_handout.answers(pages, content)),
    ]


def _technical(content: ReportContent) -> list[Step]:
    steps: list[Step] = [("summary", lambda pages: text_parts.summary(pages, content))]
    if content.photographs:
        steps.append(("photographs", lambda pages: text_parts.photographs(pages, content)))
    for face in content.faces:
        steps += _face_steps(content, face)
    if content.change is not None:
        steps.append(("change map", lambda pages: owner_record.change_map(pages, content)))
    if content.hand is not None:
        steps.append(("hand", lambda pages: _hand_page(pages, content)))
    if content.thickness is not None:
        steps.append(("thickness", lambda pages: _thickness_page(pages, content)))
    if content.modes is not None:
        steps.append(("modes", lambda pages: _mode_pages(pages, content)))
    for number, face in enumerate(content.faces):
        if face.plan is not None and not _planned_before(content.faces[:number], face):
            steps.append((f"plan {face.tone_map.scan}", _plan_step(content, face)))
    return [
        *steps,
        ("ring and conditions", lambda pages: text_parts.details(pages, content)),
        ("method and limits", lambda pages: text_parts.method(pages, content)),
        ("all places", lambda pages: text_parts.all_places(pages, content)),
    ]


def _planned_before(earlier: Sequence[FaceSection], face: FaceSection) -> bool:
    """Whether the plan of another scan has the same places."""
    assert face.plan is not None
    places = face.plan.places()
    return any(
        one.plan is not None and np.array_equal(one.plan.places(), places) for one in earlier
    )


def _after_maps(steps: list[Step]) -> int:
    """Where the sheets at true size belong in the technical record: after the maps of the scan."""
    names = [name for name, _ in steps]
    maps = [n for n, name in enumerate(names) if name.startswith(("above", "tone", "uncertainty"))]
    return maps[-1] + 1 if maps else len(steps)


def _true_size(content: ReportContent, face: FaceSection) -> TrueSizeMap:
    made, order = face.tone_map, face.work_order
    rows = {tap: row for row, tap in enumerate(made.taps)}
    return TrueSizeMap(
        title="Above target, true size",
        lines=(
            content.plate.name,
            f"Scan {made.scan}, {face_words(made.face)}; target: {made.target_name}.",
        ),
        outline=content.outline,
        surface=face.excess_surface,
        places=made.places,
        zones=order.zones,
        zone_rows=tuple(tuple(rows[t] for t in z.taps if t in rows) for z in order.zones),
        start_mm=order.starting_spot_mm if order.zones else None,
        face_up=content.true_size or made.face,
        paper=content.paper,
        simulated=content.simulated,
    )


def _face_steps(content: ReportContent, face: FaceSection) -> list[Step]:
    made, strength = face.tone_map, face.facts.strength
    lines = map_lines(made, strength)
    where = face_words(made.face) + (", before the change" if face.earlier else "")

    def excess(pages: Writer) -> None:
        sheet = tone_map_sheet(
            made, face.excess_surface, content.outline, face.work_order, excess=True,
            paper=content.paper, headed=False,
        )  # fmt: skip
        alt = map_alt(made, face.work_order.zones, "Tone above target")
        pages.sheet_page(f"Above target, {where}", lines, sheet, content.paper, alt)

    def tone(pages: Writer) -> None:
        sheet = tone_map_sheet(
            made, face.tone_surface, content.outline, face.work_order,
            paper=content.paper, headed=False,
        )  # fmt: skip
        alt = map_alt(made, face.work_order.zones, "Tone map")
        pages.sheet_page(f"Tone map, {where}", lines, sheet, content.paper, alt)

    def doubt(pages: Writer) -> None:
        sheet = uncertainty_sheet(
            made, face.tone_surface, content.outline, paper=content.paper, headed=False
        )
        alt = f"Standard deviation of the map, {where}, scan {made.scan}."
        pages.sheet_page(f"How sure the map is, {where}", lines, sheet, content.paper, alt)

    steps: list[Step] = [(f"above target, {made.scan}", excess)]
    if face.earlier:
        return steps
    if made.target != "flat":  # against a flat target both pictures would be the same
        steps.append((f"tone map, {made.scan}", tone))
    steps.append((f"uncertainty, {made.scan}", doubt))
    return steps


def _hand_page(pages: Writer, content: ReportContent) -> None:
    section = content.hand
    assert section is not None
    sheet = section.sheet(content.outline)
    alt = true_minus(f"Machine and hand side by side. {section.agreement.sentence}")
    pages.sheet_page("Machine and hand", section.lines(), sheet, "A4", alt)


def _mode_pages(pages: Writer, content: ReportContent) -> None:
    section = content.modes
    assert section is not None
    sheets = modes_pages(section.modes, content.paper, section.alike, section.against)
    lines = [line for line in modes_lines(section.modes, section.against) if line]
    for number, sheet in enumerate(sheets, start=1):
        title = f"Plate modes of {section.modes.scan}"
        if len(sheets) > 1:
            title += f", {number} of {len(sheets)}"
        heard = ", ".join(f"{mode.hz:.0f}" for mode in section.modes.modes)
        alt = f"Shapes of the partials with their nodal lines, at {heard} Hz."
        pages.sheet_page(title, lines, sheet, content.paper, alt)


def _thickness_page(pages: Writer, content: ReportContent) -> None:
    section = content.thickness
    assert section is not None
    sheet = thickness_sheet(
        section.readings, content.outline, paper=content.paper, simulated=content.simulated
    )
    said = thickness_sentence(section.readings)
    pages.sheet_page("Thickness by caliper", (said,), sheet, content.paper, said)


def _plan_step(content: ReportContent, face: FaceSection) -> Callable[[Writer], None]:
    def step(pages: Writer) -> None:
        assert face.plan is not None
        sheet = plan_sheet(
            face.plan, content.outline, paper=content.paper, headed=False,
            simulated=face.tone_map.simulated,
        )  # fmt: skip
        alike = [f for f in content.faces if f.plan is not None and _planned_before([f], face)]
        title = f"Tap plan of {', '.join(f.tone_map.scan for f in alike)}"
        alt = f"{title}: {len(face.plan.taps)} places."
        pages.sheet_page(title, (), sheet, content.paper, alt)

    return step
