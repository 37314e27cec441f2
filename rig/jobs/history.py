"""The verb `history`: all scans of a plate in order, its partials followed over them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import AnalysisError, FolderError, PlaterigError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord

if TYPE_CHECKING:
    from rig.archive.rows import ScanSummary
    from rig.field.history import Track
    from rig.model.tone_map import ToneMap


@dataclass(frozen=True)
class HistoryEntry:
    """One scan. made: its map, None with the reason in `notes`.

    differs: what was not as in the scan before it (face, strength, air, microphone, calibrations).
    """

    summary: ScanSummary
    taps: int
    made: ToneMap | None
    conditions: dict[str, float]
    differs: tuple[str, ...]
    notes: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        made = self.made
        return {
            "scan": self.summary.scan,
            "date_utc": self.summary.created_utc,
            "state": self.summary.state.value,
            "face": self.summary.face,
            "strength": self.summary.strength,
            "spacing_mm": self.summary.spacing_mm,
            "taps": self.taps,
            "simulated": self.summary.simulated,
            "reading": None if made is None else made.reading,
            "evenness_cents": None if made is None else round(made.evenness_cents, 1),
            "evenness_low_cents": None if made is None else round(made.evenness_low_cents, 1),
            "evenness_high_cents": None if made is None else round(made.evenness_high_cents, 1),
            "repeatability_cents": None
            if made is None or made.repeatability_cents is None
            else round(made.repeatability_cents, 1),
            "temperature_c": self.conditions.get("temperature_c"),
            "humidity_percent": self.conditions.get("humidity_percent"),
            "mass_g": self.conditions.get("mass_g"),
            "differs": list(self.differs),
            "notes": list(self.notes),
        }


@dataclass(frozen=True)
class HistoryResult:
    """A plate's scans, oldest first, and its partials followed over them."""

    folder: Path
    name: str
    entries: tuple[HistoryEntry, ...]
    tracks: tuple[Track, ...]
    picture: Path | None = None

    @property
    def simulated(self) -> bool:
        """Whether any of the scans was made on the virtual rig."""
        return any(entry.summary.simulated for entry in self.entries)

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig history --json`."""
        scans = [entry.summary.scan for entry in self.entries]
        return {
            "plate": str(self.folder),
            "name": self.name,
            "simulated": self.simulated,
            "scans": [entry.as_json() for entry in self.entries],
            "partials": [
                {
                    "hz": round(track.first.hz, 3),
                    "over_scans": [
                        None
                        if (change := track.change_cents(k)) is None
                        else {
                            "scan": scan,
                            "change_cents": round(change[0], 2),
                            "sd_cents": round(change[1], 2),
                        }
                        for k, scan in enumerate(scans)
                    ],
                }
                for track in self.tracks
            ],
            "picture": None if self.picture is None else str(self.picture),
        }


def history(
    folder: Path | str, *, picture: Path | None = None, progress: Progress = silent
) -> HistoryResult:
    """Put all scans of a plate side by side, oldest first.

    Tones that were kept are recalled, the rest is read now and kept. A scan that cannot be read
    stands in the list with its reason. picture: where to draw it (png, svg, pdf). Raises
    FolderError where there is no scan, UsageError for a kind of picture that is not known.
    """
    from rig.archive.plate_folder import PlateFolder
    from rig.field.history import followed
    from rig.jobs.pictures import check_kind

    if picture is not None:
        check_kind(picture)
    with PlateFolder.open(folder) as opened:
        path, name, summaries = opened.path, opened.facts.name, opened.scans()
    if not summaries:
        raise FolderError(
            "There is no scan in this folder yet.",
            where=str(path),
            remedy="Scan the plate, or gather a tap set into the folder.",
        )
    entries: list[HistoryEntry] = []
    rings: list[tuple[RingPartial, ...]] = []
    before: ScanRecord | None = None
    for number, summary in enumerate(summaries):
        progress(ProgressEvent("Reading the scans", number, len(summaries)))
        entry, ring, record = _entry(path, summary, before, progress)
        entries.append(entry)
        rings.append(ring)
        before = record or before
    progress(ProgressEvent("Reading the scans", len(summaries), len(summaries)))
    made = HistoryResult(path, name, tuple(entries), followed(rings), picture)
    if picture is not None:
        draw_history(made, picture, progress=progress)
    return made


def draw_history(made: HistoryResult, path: Path, *, progress: Progress = silent) -> Path:
    """Draw a history. Raises UsageError for a kind not known, StorageFullError."""
    from rig.jobs.pictures import check_kind, saved
    from rig.report.history_figure import HistoryColumn, history_sheet

    check_kind(path)
    columns = [
        HistoryColumn(
            scan=e.summary.scan,
            date=e.summary.created_utc[:10],
            words=f"{e.summary.face}, {e.summary.strength}",
            made=e.made,
            conditions=e.conditions,
            differs=bool(e.differs),
        )
        for e in made.entries
    ]
    sheet = history_sheet(made.name, columns, made.tracks, simulated=made.simulated)
    return saved(sheet, path, progress)


def _entry(
    folder: Path, summary: ScanSummary, before: ScanRecord | None, progress: Progress
) -> tuple[HistoryEntry, tuple[RingPartial, ...], ScanRecord | None]:
    from rig.field import tone_map
    from rig.field.comparison_cautions import cautions_between
    from rig.jobs.scan_readings import load_scan
    from rig.jobs.tones import ring_of, tones_of

    try:
        record = load_scan(folder, summary.scan, progress)
    except PlaterigError as problem:
        return HistoryEntry(summary, 0, None, {}, (), (problem.what,)), (), None
    notes = record.notes
    made = None
    try:
        # the evenness does not depend on the target, and the flat one costs nothing
        made = tone_map(record, tones_of(record, None, progress), "flat")
    except AnalysisError as problem:
        notes = (*notes, problem.what)
    differs = () if before is None else tuple(cautions_between(before, record))
    entry = HistoryEntry(
        summary, len(record.tap_places()[0]), made, dict(record.conditions), differs, notes
    )
    return entry, ring_of(record, progress), record
