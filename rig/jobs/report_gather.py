"""What a report is made of, gathered from the plate folder: maps, comparison, photographs, rig."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from rig.jobs.report_rig import calibrations_not_held, rig_pairs
from rig.model.errors import AnalysisError, FolderError
from rig.model.frames import Face
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind

if TYPE_CHECKING:
    from rig.jobs.compare import CompareResult
    from rig.jobs.make_map import MapResult
    from rig.jobs.report_choice import Choice
    from rig.report.content import (
        FaceSection,
        ModesSection,
        ReportContent,
        ReportKind,
        ScanFacts,
        ThicknessSection,
    )
    from rig.report.sheet import Paper


@dataclass(frozen=True)
class Wanted:
    """What was asked for: all that `report` is told besides folder, scans and file.

    true_size: which face is up on the sheets at true size; None: no such sheets.
    """

    kind: ReportKind = "technical"
    reading: ReadingKind | None = None
    target: str | None = None
    start_mm: tuple[float, float] | None = None
    paper: Paper = "A4"
    true_size: Face | None = None
    made_utc: str = ""
    records: Path | str | None = None
    rig: Path | str | None = None


@dataclass(frozen=True)
class Gathered:
    """The content with the maps and the comparison that it was made of."""

    content: ReportContent
    maps: list[MapResult]
    change: CompareResult | None


def gather(folder: Path, choice: Choice, wanted: Wanted, progress: Progress = silent) -> Gathered:
    """Make the maps and the comparison that the report shows, and say what could not be made.

    What was not asked for by name is left out, with a caution, where the data do not carry it.
    """
    from rig.jobs.hand_compare import hand_section
    from rig.report.content import ChangeSection, ReportContent

    cautions: list[str] = []
    made = _Maps(folder, choice, wanted, progress)
    maps = [made.of(choice.scan)]
    if choice.other_face is not None:
        with _optional(choice.chosen, f"The other face ({choice.other_face})", cautions):
            maps.append(made.of(choice.other_face))
    change = _change(made, maps, choice, cautions)
    latest = maps[0].scan
    cautions += calibrations_not_held([one.scan for one in maps])
    technical = wanted.kind == "technical"
    modes = None
    if technical:
        with _optional(True, f"The shapes of the partials of {latest.scan}", cautions):
            earlier = made.kept.get(choice.before) if choice.before != latest.scan else None
            modes = _modes_section(maps[0], earlier, progress)
    hand = None
    if technical:
        reading = maps[0].tone_map.reading
        hand = hand_section(folder, latest, reading, cautions, progress)
    photographs = ()
    if wanted.kind in ("owner", "technical"):
        photographs = _photographs(folder, maps)
    content = ReportContent(
        plate=latest.facts,
        outline=latest.outline,
        faces=tuple(
            _face_section(folder, one, with_plan=technical, earlier=one.scan.scan == choice.before)
            for one in maps
        ),
        change=None if change is None else ChangeSection(change.comparison, change.surface),
        modes=modes,
        hand=hand,
        thickness=_thickness(folder, maps[0], cautions) if wanted.kind != "class" else None,
        photographs=photographs,
        kind=wanted.kind,
        paper=wanted.paper,
        true_size=wanted.true_size,
        made_utc=wanted.made_utc,
        cautions=tuple(cautions),
    )
    return Gathered(replace(content, missing=missing(content)), maps, change)


class _Maps:
    """The maps of one report, each made once."""

    def __init__(self, folder: Path, choice: Choice, wanted: Wanted, progress: Progress) -> None:
        self.folder, self.choice, self.wanted = folder, choice, wanted
        self.progress = progress
        self.kept: dict[str | None, MapResult] = {}

    def of(self, scan: str | None) -> MapResult:
        """The map of a scan; target and start as they were asked for of the scan shown."""
        from rig.jobs.make_map import make_map

        if scan in self.kept:
            return self.kept[scan]
        wanted, shown = self.wanted, scan == self.choice.scan
        # another scan as a target is one for the scan shown, not for the others beside it
        own = wanted.target is None or wanted.target in ("flat", "smooth graduation", "mirror side")
        target = wanted.target if shown or own else None
        found = make_map(
            self.folder, scan, wanted.reading, target, self.progress, records=wanted.records,
            rig=wanted.rig,
        )  # fmt: skip
        if shown and wanted.start_mm is not None:
            found = replace(found, start_mm=wanted.start_mm)
        self.kept[scan] = found
        return found


def _change(
    made: _Maps, maps: list[MapResult], choice: Choice, cautions: list[str]
) -> CompareResult | None:
    """The comparison, and its two scans' maps added to `maps` where they are not there yet."""
    from rig.jobs.calibrate_records import smallest_changes
    from rig.jobs.compare import comparison_of

    if choice.before is None or choice.after is None:
        return None
    wanted, change = made.wanted, None
    with _optional(
        choice.chosen, f"The comparison of {choice.before} and {choice.after}", cautions
    ):
        first, second = made.of(choice.before), made.of(choice.after)
        rings = first.tone_map.ring, second.tone_map.ring
        smallest = smallest_changes(
            second.scan, folder=made.folder, records=wanted.records, rig=wanted.rig
        )
        change = comparison_of(
            first.scan, second.scan, rings, wanted.reading, made.progress, smallest
        )
        shown = {one.scan.scan for one in maps}
        if choice.other_face is not None and len(maps) > 1:
            cautions += _age(maps[0].scan, maps[1].scan)
        maps += [one for one in (second, first) if one.scan.scan not in shown]
    return change


def missing(content: ReportContent) -> tuple[str, ...]:
    """What this kind of report would show if the folder held it, and how it gets there."""
    told = []
    if content.kind in ("owner", "technical"):
        if content.change is None:
            told.append(
                "There is no before and after: only one whole scan of this face and strength is "
                "kept, or only one was named. Scan again after work and both are compared."
            )
        if content.other_face is None:
            told.append("The other face is not shown: no whole scan of it is kept, or none named.")
        if not content.photographs:
            told.append("No photograph: these scans were not made by a rig with a camera.")
    if content.kind == "owner" and not content.plate.reference:
        told.append("No owner's reference is kept with this plate (platerig new --reference).")
    if content.kind == "technical":
        if content.thickness is None:
            told.append("No caliper readings are kept (platerig thickness).")
        if content.hand is None:
            told.append("No findings by hand are kept for this face (platerig hand).")
    return tuple(told)


def _photographs(folder: Path, maps: Sequence[MapResult]):  # type: ignore[no-untyped-def]
    from rig.jobs.report_photograph import photograph

    found = (photograph(folder, one.scan.scan) for one in maps)
    return tuple(one for one in found if one is not None)


def _thickness(folder: Path, made: MapResult, cautions: list[str]) -> ThicknessSection | None:
    """The caliper readings and what they say of each zone; what cannot be read is a caution."""
    from rig.jobs.floor import stopped_order
    from rig.jobs.thickness import age_cautions, thickness_field
    from rig.report.content import ThicknessSection

    try:
        field = thickness_field(folder, made.scan.outline)
        if field is None:
            return None
        found = stopped_order(folder, made)
        zones = () if found is None else tuple(
            f"Zone {depth.zone.rank}: {depth.sentence}" for depth in found.depths
        )  # fmt: skip
        return ThicknessSection(field.readings, zones, age_cautions(field, made.scan))
    except (AnalysisError, FolderError) as problem:
        cautions.append(f"The caliper readings are not shown: {problem.what}")
        return None


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


def _face_section(folder: Path, made: MapResult, *, with_plan: bool, earlier: bool) -> FaceSection:
    from rig.archive.plate_folder import PlateFolder
    from rig.report.content import FaceSection

    with PlateFolder.open(folder) as opened:
        plan = opened.plan(made.scan.scan) if with_plan else None
        settings, origin = opened.settings(made.scan.scan), opened.origin(made.scan.scan)
    facts = scan_facts(made.scan)
    return FaceSection(
        facts=replace(facts, rig=rig_pairs(made.scan, settings, origin.get("rig_file"))),
        tone_map=made.tone_map,
        work_order=made.work_order,
        tone_surface=made.surface,
        excess_surface=made.excess_surface,
        plan=plan,
        earlier=earlier,
        smallest=made.smallest.sentence,
    )


def scan_facts(record: ScanRecord) -> ScanFacts:
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
