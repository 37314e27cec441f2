"""The verb `report`: maps, work order, change, conditions and limits as a PDF."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from rig.model.calibration import NOT_STUDIED, CalibrationNote, SmallestChange
from rig.model.errors import AnalysisError, StorageFullError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind, TargetKind

if TYPE_CHECKING:
    from rig.jobs.compare import CompareResult
    from rig.jobs.make_map import MapResult
    from rig.jobs.report_choice import Choice
    from rig.report.content import FaceSection, ModesSection, ReportContent


@dataclass(frozen=True)
class ReportResult:
    """The files written and the findings in plain words."""

    pdf: Path
    pictures: tuple[Path, ...]
    tables: tuple[Path, ...]
    pages: int
    sentences: tuple[str, ...]
    content_hash: str
    simulated: bool
    cautions: tuple[str, ...] = ()
    calibrations: tuple[tuple[str, CalibrationNote], ...] = ()  # scan, what held at its start
    smallest: SmallestChange = NOT_STUDIED

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig report --json`."""
        return {
            "pdf": str(self.pdf),
            "pages": self.pages,
            "pictures": [str(path) for path in self.pictures],
            "tables": [str(path) for path in self.tables],
            "sentences": list(self.sentences),
            "cautions": list(self.cautions),
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
    target: TargetKind | None = None,
    out: Path | str | None = None,
    kind: Literal["work", "record"] = "work",
    paper: Literal["A4", "A3"] = "A4",
    made_utc: str | None = None,
    records: Path | str | None = None,
    rig: Path | str | None = None,
    progress: Progress = silent,
) -> ReportResult:
    """Write a report on one plate folder.

    scan: the scan to be mapped; the later one of a comparison, else the latest. other_face: a
    scan of the other face, mapped as well. before and after add their comparison, and the
    earlier scan's map. With none of the four: the latest whole scan, compared with the one
    before it of the same face and strength, beside the other face, as far as there are such.
    The pictures and tables lie beside the PDF. records, rig: where the rig's repeatability study
    lies; without them beside the plate folder. Raises UsageError, and what the maps and the
    comparison raise.
    """
    from rig.archive.naming import existing_folder
    from rig.jobs.report_choice import Choice, choose
    from rig.report.document import write_report

    if (before is None) != (after is None):
        raise UsageError("A comparison needs both an earlier and a later scan.")
    path = existing_folder(folder)
    pdf = path.parent / f"{path.stem}-report.pdf" if out is None else Path(out)
    if pdf.suffix.lower() != ".pdf":
        raise UsageError(
            "A report is written as PDF.", where=str(pdf), remedy="Let its name end in .pdf."
        )
    _require_writable(pdf)
    choice = Choice(scan or after, other_face, before, after)
    if choice.scan is None:
        usual = choose(path)
        shown = usual.other_face if usual.scan == other_face else usual.scan
        choice = usual if other_face is None else Choice(shown, other_face)
    _require_different(choice)
    content, maps, change, cautions = gather_content(
        path,
        choice,
        reading=reading,
        target=target,
        kind=kind,
        paper=paper,
        made_utc=made_utc or f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
        records=records,
        rig=rig,
        progress=progress,
    )
    files = write_report(content, pdf, progress=progress)
    pictures, tables = _beside(pdf, maps, change, progress)
    return ReportResult(
        pdf=files.pdf,
        pictures=pictures,
        tables=tables,
        pages=files.pages,
        sentences=content.sentences(),
        content_hash=files.content_hash,
        simulated=content.simulated,
        cautions=cautions,
        calibrations=tuple((one.scan.scan, one.scan.calibration) for one in maps),
        smallest=maps[0].smallest,
    )


def _require_writable(pdf: Path) -> None:
    """Refuse a place that cannot be written to before the long work, not after it."""
    there = next(place for place in pdf.absolute().parents if place.exists())
    if not there.is_dir() or not os.access(there, os.W_OK) or pdf.is_dir():
        raise StorageFullError(
            "The report cannot be written there.",
            where=str(pdf),
            remedy="Choose another place with --out.",
        )


def gather_content(
    folder: Path,
    choice: Choice,
    *,
    reading: ReadingKind | None,
    target: TargetKind | None,
    kind: Literal["work", "record"],
    paper: Literal["A4", "A3"],
    made_utc: str,
    progress: Progress,
    records: Path | str | None = None,
    rig: Path | str | None = None,
) -> tuple[ReportContent, list[MapResult], CompareResult | None, tuple[str, ...]]:
    """Make the maps and the comparison that the report shows, and say what could not be made.

    What was not asked for by name is left out, with a caution, where the data do not carry it.
    """
    from rig.jobs.calibrate_records import smallest_changes
    from rig.jobs.compare import comparison_of
    from rig.jobs.hand_compare import hand_section
    from rig.jobs.make_map import make_map
    from rig.report.content import ChangeSection, ReportContent

    made: dict[str | None, MapResult] = {}
    cautions: list[str] = []

    def map_once(scan: str | None) -> MapResult:
        if scan not in made:
            made[scan] = make_map(folder, scan, reading, target, progress, records=records, rig=rig)
        return made[scan]

    maps = [map_once(choice.scan)]
    change = None
    if choice.other_face is not None:
        with _optional(choice.chosen, f"The other face ({choice.other_face})", cautions):
            maps.append(map_once(choice.other_face))
    if choice.before is not None and choice.after is not None:
        which = f"The comparison of {choice.before} and {choice.after}"
        with _optional(choice.chosen, which, cautions):
            first, second = map_once(choice.before), map_once(choice.after)
            rings = first.tone_map.ring, second.tone_map.ring
            smallest = smallest_changes(second.scan, folder=folder, records=records, rig=rig)
            change = comparison_of(first.scan, second.scan, rings, reading, progress, smallest)
            shown = {one.scan.scan for one in maps}
            if choice.other_face is not None and len(maps) > 1:
                cautions += _age(maps[0].scan, maps[1].scan)
            maps += [one for one in (second, first) if one.scan.scan not in shown]
    latest = maps[0].scan
    cautions += calibrations_not_held([one.scan for one in maps])
    modes = None
    with _optional(True, f"The shapes of the partials of {latest.scan}", cautions):
        earlier = made.get(choice.before) if choice.before != latest.scan else None
        modes = _modes_section(maps[0], earlier, progress)
    hand = hand_section(folder, latest, maps[0].tone_map.reading, cautions, progress)
    content = ReportContent(
        plate=latest.facts,
        outline=latest.outline,
        faces=tuple(
            _face_section(folder, one, kind, earlier=one.scan.scan == choice.before) for one in maps
        ),
        change=None if change is None else ChangeSection(change.comparison, change.surface),
        modes=modes,
        hand=hand,
        kind=kind,
        paper=paper,
        made_utc=made_utc,
        cautions=tuple(cautions),
    )
    return content, maps, change, tuple(cautions)


def calibrations_not_held(scans: Sequence[ScanRecord]) -> list[str]:
    """What of the rig's calibrations did not hold, each sentence once with its scans."""
    said: dict[str, list[str]] = {}
    for scan in scans:
        if scan.calibration.cautions:
            said.setdefault(scan.calibration.sentence, []).append(scan.scan)
    return [f"{', '.join(names)}: {sentence}" for sentence, names in said.items()]


def _modes_section(shown: MapResult, earlier: MapResult | None, progress: Progress) -> ModesSection:
    """The modes of the scan shown, compared with the earlier one's where there is one."""
    from rig.jobs.modes import modes_of
    from rig.report.content import ModesSection

    both = [shown] if earlier is None else [shown, earlier]
    found = modes_of(
        *(one.scan for one in both), rings=[one.tone_map.ring for one in both], progress=progress
    )
    alike, against = found.likeness
    return ModesSection(found.modes, None if alike is None else tuple(alike), against)


@contextmanager
def _optional(optional: bool, what: str, cautions: list[str]) -> Iterator[None]:
    """Turn data that do not carry something nobody asked for into a caution."""
    try:
        yield
    except AnalysisError as problem:
        if not optional:
            raise
        cautions.append(f"{what} is not shown: {problem.what}")


def _age(shown: ScanRecord, other: ScanRecord) -> list[str]:
    """A caution where the plate was worked on and the other face scanned before its latest scan."""
    if not shown.recorded_utc or not other.recorded_utc or other.recorded_utc > shown.recorded_utc:
        return []
    return [
        f"The {other.face} face ({other.scan}) was scanned before {shown.scan}: where wood has "
        "come off since, its map and work order no longer hold."
    ]


def _require_different(choice: Choice) -> None:
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


def _face_section(folder: Path, made: MapResult, kind: str, *, earlier: bool) -> FaceSection:
    from rig.archive.plate_folder import PlateFolder
    from rig.report.content import FaceSection

    plan = None
    if kind == "record":
        with PlateFolder.open(folder) as opened:
            plan = opened.plan(made.scan.scan)
    return FaceSection(
        facts=scan_facts(made.scan),
        tone_map=made.tone_map,
        work_order=made.work_order,
        tone_surface=made.surface,
        excess_surface=made.excess_surface,
        plan=plan,
        earlier=earlier,
        smallest=made.smallest.sentence,
    )


def scan_facts(record: ScanRecord):  # type: ignore[no-untyped-def]
    """How a scan was made, as the report prints it."""
    from rig.report.content import ScanFacts

    taps, _ = record.tap_places()
    kept = [strike for strike in record.strikes if not strike.superseded]
    used = record.used_strikes()
    return ScanFacts(
        scan=record.scan,
        strength=record.strength,
        spacing_mm=record.spacing_mm,
        taps=len(taps),
        strikes=len(used),
        superseded=len(record.strikes) - len(kept),
        bad=len(kept) - len(used),
        recorded_utc=record.recorded_utc,
        world=record.world,
        conditions=dict(record.conditions),
        microphone_xyz_mm=record.microphone_xyz_mm,
        pose_sd_mm=None if record.pose is None else record.pose.sd_mm,
        notes=record.notes,
        calibration=(record.calibration.sentence, *record.calibration.cautions),
    )


def _beside(
    pdf: Path, maps: list[MapResult], change: CompareResult | None, progress: Progress
) -> tuple[tuple[Path, ...], tuple[Path, ...]]:
    """Write pictures and tables beside the PDF; each is named after it."""
    from rig.jobs.pictures import draw_comparison, draw_map
    from rig.report.tables import (
        write_change_table,
        write_map_table,
        write_ring_table,
        write_zone_table,
    )

    pictures, tables = [], []

    def named(ending: str) -> Path:
        return pdf.with_name(f"{pdf.stem}-{ending}")

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
