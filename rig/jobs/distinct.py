"""The verb `distinct`: how far the maps of a plate stand above what repeats of itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from rig.model.errors import AnalysisError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind, TapTone

if TYPE_CHECKING:
    from rig.field.distinctness import Distinctness


@dataclass(frozen=True)
class DistinctRow:
    """One reading of one scan; against: the scan that its repeatability was taken from."""

    scan: str
    face: str
    strength: str
    reading: ReadingKind
    found: Distinctness
    against: str | None
    simulated: bool


@dataclass(frozen=True)
class DistinctResult:
    """All that could be read, the most distinct first, and what could not, with the reason."""

    rows: tuple[DistinctRow, ...]
    left_out: tuple[tuple[str, str, str], ...]
    cautions: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig distinct --json`."""
        return {
            "simulated": any(row.simulated for row in self.rows),
            "cautions": list(self.cautions),
            "rows": [
                {
                    "scan": row.scan,
                    "face": row.face,
                    "strength": row.strength,
                    "reading": row.reading,
                    "distinctness": round(row.found.value, 2),
                    "low": round(row.found.low, 2),
                    "high": round(row.found.high, 2),
                    "spread_cents": round(row.found.spread_cents, 1),
                    "repeat_cents": round(row.found.repeat_cents, 1),
                    "repeat_from": row.found.source,
                    "against": row.against,
                    "taps": row.found.taps,
                }
                for row in self.rows
            ],
            "left_out": [
                {"scan": scan, "reading": reading, "reason": why}
                for scan, reading, why in self.left_out
            ],
        }


def distinct(
    folder: Path | str,
    scans: Sequence[str] = (),
    *,
    reading: ReadingKind | None = None,
    progress: Progress = silent,
) -> DistinctResult:
    """Compare scans and readings by how distinct they are; no scans named: all of the folder.

    Two scans named that are alike in face and strength are taken to be of the untouched plate:
    what differs between them is what repeats. reading None: all that the scans carry. Raises
    AnalysisError where nothing can be read, UsageError for a scan named twice.
    """
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.scan_readings import load_scan

    if len(set(scans)) < len(scans):
        raise UsageError("A scan is named twice.", where=" ".join(scans))
    with PlateFolder.open(folder) as opened:
        names = list(scans) or [one.scan for one in opened.scans()] or [opened.latest_scan()]
    readings = get_args(ReadingKind) if reading is None else (reading,)
    records: dict[str, ScanRecord] = {}
    tones: dict[tuple[str, ReadingKind], TapTone] = {}
    left_out: list[tuple[str, str, str]] = []
    for number, name in enumerate(names):
        progress(ProgressEvent("Reading the scans", number, len(names)))
        try:
            records[name] = load_scan(folder, name, progress)
        except AnalysisError as problem:
            left_out.append((name, "all", problem.what))
            continue
        _read(records[name], readings, tones, left_out, progress)
    progress(ProgressEvent("Reading the scans", len(names), len(names)))
    pairs = _pairs(records) if scans else {}
    rows = _rows(records, tones, pairs, left_out)
    if not rows:
        raise AnalysisError(
            "None of the scans carries a reading that can be judged. "
            + " ".join(dict.fromkeys(why for *_, why in left_out)),
            where=str(folder),
        )
    return DistinctResult(rows, tuple(left_out), _cautions(records, pairs))


def _read(
    record: ScanRecord,
    readings: Sequence[ReadingKind],
    tones: dict[tuple[str, ReadingKind], TapTone],
    left_out: list[tuple[str, str, str]],
    progress: Progress,
) -> None:
    from rig.jobs.tones import tones_of

    for kind in readings:
        try:
            tones[record.scan, kind] = tones_of(record, kind, progress)
        except AnalysisError as problem:
            left_out.append((record.scan, kind, problem.what))


def _pairs(records: dict[str, ScanRecord]) -> dict[str, str]:
    """Of each scan named another one that was made alike."""
    found: dict[str, str] = {}
    for one, other in combinations(records.values(), 2):
        if (one.face, one.strength) == (other.face, other.strength):
            found.setdefault(one.scan, other.scan)
            found.setdefault(other.scan, one.scan)
    return found


def _rows(
    records: dict[str, ScanRecord],
    tones: dict[tuple[str, ReadingKind], TapTone],
    pairs: dict[str, str],
    left_out: list[tuple[str, str, str]],
) -> tuple[DistinctRow, ...]:
    from rig.field.distinctness import distinctness

    rows = []
    for (name, kind), found in tones.items():
        record, partner = records[name], pairs.get(name)
        again = None if partner is None else tones.get((partner, kind))
        try:
            value = distinctness(found, again)
        except AnalysisError as problem:
            left_out.append((name, kind, problem.what))
            continue
        rows.append(
            DistinctRow(
                name, record.face, record.strength, kind, value,
                partner if again is not None else None, record.simulated,
            )
        )  # fmt: skip
    return tuple(sorted(rows, key=lambda row: -row.found.value))


def _cautions(records: dict[str, ScanRecord], pairs: dict[str, str]) -> tuple[str, ...]:
    from rig.field.comparison_cautions import cautions_between

    said: list[str] = []
    if pairs:
        said.append(
            "Scans of one face and strength are taken to be of the untouched plate; where wood "
            "came off between them, name one of them only."
        )
    for one, other in {(a, b) if a < b else (b, a) for a, b in pairs.items()}:
        said += [f"{one} and {other}: {c}" for c in cautions_between(records[one], records[other])]
    return tuple(said)
