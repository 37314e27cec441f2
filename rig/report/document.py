"""The report as a PDF: findings, maps, work order, conditions, method, limits, cautions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rig.model.errors import StorageFullError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.report import text_parts
from rig.report.content import FaceSection, ReportContent
from rig.report.map_figures import change_sheet, tone_map_sheet, uncertainty_sheet
from rig.report.mode_figures import modes_lines, modes_pages
from rig.report.pages import Pages
from rig.report.plan_figure import plan_sheet
from rig.report.words import change_lines, face_words, map_lines

Step = tuple[str, Callable[[Pages], None]]


@dataclass(frozen=True)
class ReportFiles:
    """What was written."""

    pdf: Path
    pages: int
    content_hash: str


def write_report(content: ReportContent, out: Path, *, progress: Progress = silent) -> ReportFiles:
    """Lay the report out and write it; same content and moment, same bytes.

    Raises StorageFullError when the file cannot be written.
    """
    title = f"Report on {content.plate.name}"
    pages = Pages(title, simulated=content.simulated, made_utc=content.made_utc)
    steps = _steps(content)
    for done, (stage, step) in enumerate(steps):
        progress(ProgressEvent(f"report: {stage}", done, len(steps)))
        step(pages)
    progress(ProgressEvent("report: written", len(steps), len(steps)))
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        pages.output(str(out))
    except OSError as problem:
        raise StorageFullError(
            f"The report could not be written: {problem.strerror or problem}.",
            where=str(out),
            remedy="Choose another place with --out.",
        ) from problem
    return ReportFiles(out, pages.pages_count, content.content_hash())


def _steps(content: ReportContent) -> list[Step]:
    steps: list[Step] = [("summary", lambda pages: text_parts.summary(pages, content))]
    for face in content.faces:
        steps += _face_steps(content, face)
    if content.change is not None:
        steps.append(("change", lambda pages: _change_page(pages, content)))
    if content.hand is not None:
        steps.append(("hand", lambda pages: _hand_page(pages, content)))
    if content.modes is not None:
        steps.append(("modes", lambda pages: _mode_pages(pages, content)))
    if content.kind == "record":
        for face in content.faces:
            if face.plan is not None:
                steps.append((f"plan {face.tone_map.scan}", _plan_step(content, face)))
    steps.append(("ring and conditions", lambda pages: text_parts.details(pages, content)))
    steps.append(("method and limits", lambda pages: text_parts.method(pages, content)))
    if content.kind == "record":
        steps.append(("all places", lambda pages: text_parts.all_places(pages, content)))
    return steps


def _face_steps(content: ReportContent, face: FaceSection) -> list[Step]:
    made, strength = face.tone_map, face.facts.strength
    lines = map_lines(made, strength)
    where = face_words(made.face) + (", before the change" if face.earlier else "")

    def excess(pages: Pages) -> None:
        sheet = tone_map_sheet(
            made, face.excess_surface, content.outline, face.work_order, excess=True,
            paper=content.paper, headed=False,
        )  # fmt: skip
        pages.sheet_page(f"Above target, {where}", lines, sheet, content.paper)

    def tone(pages: Pages) -> None:
        sheet = tone_map_sheet(
            made, face.tone_surface, content.outline, face.work_order,
            paper=content.paper, headed=False,
        )  # fmt: skip
        pages.sheet_page(f"Tone map, {where}", lines, sheet, content.paper)

    def doubt(pages: Pages) -> None:
        sheet = uncertainty_sheet(
            made, face.tone_surface, content.outline, paper=content.paper, headed=False
        )
        pages.sheet_page(f"How sure the map is, {where}", lines, sheet, content.paper)

    steps: list[Step] = [(f"above target, {made.scan}", excess)]
    if face.earlier:
        return steps
    if made.target != "flat":  # against a flat target both pictures would be the same
        steps.append((f"tone map, {made.scan}", tone))
    steps.append((f"uncertainty, {made.scan}", doubt))
    return steps


def _change_page(pages: Pages, content: ReportContent) -> None:
    change = content.change
    assert change is not None
    sheet = change_sheet(
        change.comparison, change.surface, content.outline, paper=content.paper, headed=False
    )
    title = f"Change from {change.comparison.before} to {change.comparison.after}"
    pages.sheet_page(title, change_lines(change.comparison), sheet, content.paper)


def _hand_page(pages: Pages, content: ReportContent) -> None:
    section = content.hand
    assert section is not None
    sheet = section.sheet(content.outline)
    pages.sheet_page("Machine and hand", section.lines(), sheet, "A4")


def _mode_pages(pages: Pages, content: ReportContent) -> None:
    section = content.modes
    assert section is not None
    sheets = modes_pages(section.modes, content.paper, section.alike, section.against)
    lines = [line for line in modes_lines(section.modes, section.against) if line]
    for number, sheet in enumerate(sheets, start=1):
        title = f"Plate modes of {section.modes.scan}"
        if len(sheets) > 1:
            title += f", {number} of {len(sheets)}"
        pages.sheet_page(title, lines, sheet, content.paper)


def _plan_step(content: ReportContent, face: FaceSection) -> Callable[[Pages], None]:
    def step(pages: Pages) -> None:
        assert face.plan is not None
        sheet = plan_sheet(
            face.plan, content.outline, paper=content.paper, headed=False,
            simulated=face.tone_map.simulated,
        )  # fmt: skip
        title = f"Tap plan of {face.tone_map.scan}, {face_words(face.tone_map.face)}"
        pages.sheet_page(title, (), sheet, content.paper)

    return step
