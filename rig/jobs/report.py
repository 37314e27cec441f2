"""The verb `report`: a working sheet, an owner's record, a class hand-out or a full record."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from rig.model.calibration import NOT_STUDIED, CalibrationNote, SmallestChange
from rig.model.errors import StorageFullError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.tone_map import ReadingKind

if TYPE_CHECKING:
    from rig.jobs.report_choice import Choice
    from rig.jobs.report_gather import Gathered

EARLIER_NAMES = {"work": "bench", "record": "technical"}  # of kinds, still understood
TRUE_SIZE = ("outer", "inner", "none")


@dataclass(frozen=True)
class ReportResult:
    """The files written and the findings in plain words; one of pdf and html is None.

    pages: of paper, None for an HTML file.
    """

    pdf: Path | None
    pictures: tuple[Path, ...]
    tables: tuple[Path, ...]
    pages: int | None
    sentences: tuple[str, ...]
    content_hash: str
    simulated: bool
    cautions: tuple[str, ...] = ()
    calibrations: tuple[tuple[str, CalibrationNote], ...] = ()  # scan, what held at its start
    smallest: SmallestChange = NOT_STUDIED
    html: Path | None = None
    kind: str = "technical"
    missing: tuple[str, ...] = ()  # what it would show if the folder held it

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig report --json`."""
        return {
            "kind": self.kind,
            "pdf": None if self.pdf is None else str(self.pdf),
            "html": None if self.html is None else str(self.html),
            "pages": self.pages,
            "pictures": [str(path) for path in self.pictures],
            "tables": [str(path) for path in self.tables],
            "sentences": list(self.sentences),
            "cautions": list(self.cautions),
            "missing": list(self.missing),
            "calibrations": [{"scan": scan} | held.as_json() for scan, held in self.calibrations],
            "smallest_change_cents": self.smallest.cents,
            "smallest_change": self.smallest.sentence,
            "content_hash": self.content_hash,
            "simulated": self.simulated,
        }


def report(
    folder: Path | str,
    *,
    scan: str | None = None,
    other_face: str | None = None,
    before: str | None = None,
    after: str | None = None,
    reading: ReadingKind | None = None,
    target: str | None = None,
    start_mm: tuple[float, float] | None = None,
    out: Path | str | None = None,
    html: bool = False,
    kind: str = "technical",
    paper: str = "A4",
    true_size: str | None = None,
    made_utc: str | None = None,
    records: Path | str | None = None,
    rig: Path | str | None = None,
    progress: Progress = silent,
) -> ReportResult:
    """Write a report on one plate folder.

    kind: bench (one page), owner, class or technical (everything); scan: the scan to be mapped;
    the later one of a comparison, else the latest. other_face: a scan of the other face, mapped as
    well. before and after add their comparison, and the earlier scan's map. With none of the four:
    the latest whole scan, compared with the one before it of the same face and strength, beside
    the other face, as far as there are such and the kind shows them. target, start_mm: as `zones`,
    of the scan shown. out: a name that ends in .pdf or .html; html: the latter where there is no
    name. true_size: adds sheets at 1:1, as the plate lies with its outer or inner face up; "none":
    no such; None: the scan's own face in the technical record, none otherwise. The technical
    record's pictures and tables lie beside it. records, rig: where the rig's repeatability study
    lies; without them beside the plate folder. Raises UsageError, StorageFullError, and what the
    maps and the comparison raise.
    """
    from rig.archive.naming import existing_folder
    from rig.jobs.report_gather import Wanted, gather
    from rig.report.document import write_report

    if (before is None) != (after is None):
        raise UsageError("A comparison needs both an earlier and a later scan.")
    kind = EARLIER_NAMES.get(kind, kind)
    _require_known(kind, paper, true_size)
    path = existing_folder(folder)
    file = _named(path, out, kind, html)
    _require_writable(file)
    if start_mm is not None:
        _check_start(path, start_mm)
    choice = _chosen(path, kind, scan, other_face, before, after)
    wanted = Wanted(
        kind=kind,  # type: ignore[arg-type]  # looked at by _require_known, as are the next two
        reading=reading,
        target=target,
        start_mm=start_mm,
        paper=paper,  # type: ignore[arg-type]
        true_size=_face_up(path, choice, kind, true_size),  # type: ignore[arg-type]
        made_utc=made_utc or f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
        records=records,
        rig=rig,
    )
    found = gather(path, choice, wanted, progress)
    files = write_report(found.content, file, progress=progress)
    pictures, tables = beside(found, file, progress) if kind == "technical" else ((), ())
    return ReportResult(
        pdf=None if files.pages is None else files.path,
        html=files.path if files.pages is None else None,
        pictures=pictures,
        tables=tables,
        pages=files.pages,
        sentences=found.content.sentences(),
        content_hash=files.content_hash,
        simulated=found.content.simulated,
        cautions=found.content.cautions,
        calibrations=tuple((one.scan.scan, one.scan.calibration) for one in found.maps),
        smallest=found.maps[0].smallest,
        kind=kind,
        missing=found.content.missing,
    )


def _require_known(kind: str, paper: str, true_size: str | None) -> None:
    """Refuse a kind, paper or face that is none, before the long work."""
    from rig.report.content import ReportKind
    from rig.report.sheet import PAPERS

    for word, known, what in (
        (kind, get_args(ReportKind), "kind of report"),
        (paper, PAPERS, "paper"),
        (true_size or "none", TRUE_SIZE, "way to lay the plate on a sheet at true size"),
    ):
        if word not in known:
            raise UsageError(
                f"There is no {what} “{word}”.", remedy=f"There are: {', '.join(known)}."
            )


def _named(folder: Path, out: Path | str | None, kind: str, html: bool) -> Path:
    """The file to write; raises UsageError for an ending that is neither."""
    if out is None:
        word = "report" if kind == "technical" else kind
        return folder.parent / f"{folder.stem}-{word}{'.html' if html else '.pdf'}"
    path = Path(out)
    if path.suffix.lower() not in (".pdf", ".html", ".htm"):
        raise UsageError(
            "A report is written as PDF or as one HTML file.",
            where=str(path),
            remedy="Let its name end in .pdf or .html.",
        )
    if html and path.suffix.lower() == ".pdf":
        raise UsageError(
            "HTML was asked for under a name that ends in .pdf.",
            where=str(path),
            remedy="Let the name end in .html, or leave --html out.",
        )
    return path


def _require_writable(file: Path) -> None:
    """Refuse a place that cannot be written to before the long work, not after it."""
    there = next(place for place in file.absolute().parents if place.exists())
    if not there.is_dir() or not os.access(there, os.W_OK) or file.is_dir():
        raise StorageFullError(
            "The report cannot be written there.",
            where=str(file),
            remedy="Choose another place with --out.",
        )


def _check_start(folder: Path, start_mm: tuple[float, float]) -> None:
    """Raise UsageError for a start off the wood, before the long work."""
    from rig.archive.plate_folder import PlateFolder
    from rig.field.work_order import put_by_hand

    with PlateFolder.open(folder) as opened:
        outline = opened.outline
    if outline is not None:
        put_by_hand(start_mm, outline)


def _chosen(
    folder: Path, kind: str, scan: str | None, other_face: str | None, before: str | None,
    after: str | None,
) -> Choice:  # fmt: skip
    """Which scans are shown; a sheet for the bench and a hand-out show one only."""
    from rig.jobs.report_choice import Choice, choose

    choice = Choice(scan or after, other_face, before, after)
    if choice.scan is None:
        usual = choose(folder)
        shown = usual.other_face if usual.scan == other_face else usual.scan
        choice = usual if other_face is None else Choice(shown, other_face)
    if choice.other_face is not None and choice.other_face in (choice.scan, choice.before):
        raise UsageError(
            "Both faces name the same scan.",
            where=choice.other_face,
            remedy="Name two different scans.",
        )
    if choice.before is not None and choice.before == choice.after:
        raise UsageError(
            "Before and after are the same scan.",
            where=choice.before,
            remedy="Name two different scans; `platerig check` lists them.",
        )
    if kind in ("bench", "class"):
        return replace(choice, other_face=None, before=None, after=None)
    return choice


def _face_up(folder: Path, choice: Choice, kind: str, true_size: str | None) -> str | None:
    """Which face is up on the sheets at true size; None where there are to be none."""
    from rig.archive.plate_folder import PlateFolder

    if true_size is not None:
        return None if true_size == "none" else true_size
    if kind != "technical":
        return None
    with PlateFolder.open(folder) as opened:
        return opened.plan(choice.scan or opened.latest_scan()).face


def beside(
    found: Gathered, file: Path, progress: Progress = silent
) -> tuple[tuple[Path, ...], tuple[Path, ...]]:
    """Write pictures and tables beside the report; each is named after it."""
    from rig.jobs.pictures import draw_comparison, draw_map
    from rig.report.tables import (
        write_change_table,
        write_map_table,
        write_ring_table,
        write_zone_table,
    )

    pictures, tables = [], []
    maps, change = found.maps, found.change

    def named(ending: str) -> Path:
        return file.with_name(f"{file.stem}-{ending}")

    for number, made in enumerate(maps):
        progress(ProgressEvent("Pictures and tables", number, len(maps)))
        scan = made.tone_map.scan
        pictures.append(draw_map(made, named(f"{scan}-above.png"), show="above"))
        if made.tone_map.target != "flat":
            pictures.append(draw_map(made, named(f"{scan}-tone.png")))
        tables.append(write_map_table(named(f"{scan}-map.csv"), made.tone_map))
        tables.append(write_zone_table(named(f"{scan}-zones.csv"), made.work_order))
        tables.append(write_ring_table(named(f"{scan}-ring.csv"), made.tone_map.ring))
    if change is not None:
        pictures.append(draw_comparison(change, named("change.png")))
        tables.append(write_change_table(named("change.csv"), change.comparison))
    progress(ProgressEvent("Pictures and tables", len(maps), len(maps)))
    return tuple(pictures), tuple(tables)
