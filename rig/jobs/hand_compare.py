"""The verb `hand compare`: the machine's map against what the hand found."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from rig.model.errors import AnalysisError, FolderError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind, ToneMap

if TYPE_CHECKING:
    from rig.archive.hand_store import HandRecord
    from rig.field.hand_agreement import Agreement
    from rig.field.hand_blocks import Interval
    from rig.field.hand_ear import EarChoice
    from rig.model.hand_map import HandMap
    from rig.report.hand_figure import HandSection

READINGS: tuple[ReadingKind, ...] = ("local", "attack", "contact", "rebound")
_SEED = 20213  # of the redrawing behind the intervals; any fixed number


@dataclass(frozen=True)
class HandComparison:
    """One hand map against the maps of one scan.

    agreements: one for each reading the scan carries, the one asked for or in front first;
    tone_map: that of the first agreement; missing: why other readings are not there.
    """

    record: HandRecord
    scan: ScanRecord
    tone_map: ToneMap
    agreements: tuple[Agreement, ...]
    ear: EarChoice
    missing: tuple[str, ...]

    @property
    def simulated(self) -> bool:
        """Whether hand or scan is virtual."""
        return self.record.hand.simulated or self.scan.simulated

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig hand compare --json`."""
        first = self.agreements[0]
        return {
            "record": self.record.name,
            "kind": self.record.hand.kind,
            "scan": self.scan.scan,
            "reading": first.reading,
            "quantity": first.quantity,
            "sentence": first.sentence,
            "rank_correlation": _interval(first.rank),
            "kappa": None if first.kappa is None else _interval(first.kappa),
            "blocks": first.blocks,
            "points": [
                {
                    "x_mm": round(float(x), 2),
                    "y_mm": round(float(y), 2),
                    "hand": round(float(hand), 3),
                    "machine": round(float(machine), 3),
                    "difference": round(float(difference), 3),
                    "sd": round(float(sd), 3),
                    "sure": bool(sure),
                }
                for (x, y), hand, machine, difference, sd, sure in zip(
                    first.places, first.hand_z, first.machine_z, first.difference, first.sd,
                    first.sure, strict=True,
                )
            ],
            "readings": [
                {
                    "reading": one.reading,
                    "rank_correlation": _interval(one.rank),
                    "skill": _rounded(self.ear.skill.get(one.reading)),
                }
                for one in self.agreements
            ],
            "best_reading": self.ear.best,
            "leading_reading": self.ear.leading,
            "ear": self.ear.sentence,
            "places_needed": self.ear.places_needed,
            "notes": [*first.notes, *self.missing],
            "simulated": self.simulated,
        }  # fmt: skip


def hand_compare(
    folder: Path | str,
    hand: str | None = None,
    scan: str | None = None,
    reading: ReadingKind | None = None,
    *,
    quantity: Literal["tone", "above target"] = "tone",
    picture: Path | None = None,
    progress: Progress = silent,
) -> HandComparison:
    """Compare what the hand found with a scan; hand None: the latest record.

    scan None: the latest scan of the face that the hand worked on, else the latest. reading None:
    every reading the scan carries. picture: a file to draw into. Raises FolderError where nothing
    is kept, AnalysisError where hand and scan have too little in common.
    """
    from rig.archive.hand_store import read, records
    from rig.archive.naming import existing_folder
    from rig.jobs.scan_readings import load_scan

    if picture is not None:
        from rig.jobs.pictures import check_kind

        check_kind(picture)
    path = existing_folder(folder)
    if hand is not None:
        record = read(path, hand)
    else:
        kept = records(path)
        if not kept:
            raise FolderError(
                "Nothing of the hand is kept in this folder.",
                where=str(path),
                remedy="Read marks, a scratch or answers first: platerig hand --help",
            )
        record = kept[-1]
    scanned = load_scan(path, scan or _scan_of_face(path, record.hand.face), progress)
    found = compare_with(record, scanned, reading, quantity=quantity, progress=progress)
    if picture is not None:
        draw(found, picture, progress=progress)
    return found


def compare_with(
    record: HandRecord,
    scan: ScanRecord,
    reading: ReadingKind | None = None,
    *,
    quantity: Literal["tone", "above target"] = "tone",
    show: ReadingKind | None = None,
    progress: Progress = silent,
) -> HandComparison:
    """The same for a record and a scan already in memory.

    show: the reading that comes first, where the scan has it; None: the one in front.
    """
    import numpy as np

    from rig.field import tone_map
    from rig.field.hand_agreement import hand_agreement
    from rig.jobs.tones import tones_of

    maps: dict[str, ToneMap] = {}
    agreements: dict[str, Agreement] = {}
    missing: list[str] = []
    wanted = READINGS if reading is None else (reading,)
    for kind in wanted:
        try:
            made = tone_map(scan, tones_of(scan, kind, progress))
            agreements[kind] = hand_agreement(
                record.hand, made, scan.outline, rng=np.random.default_rng(_SEED),
                quantity=quantity,
            )  # fmt: skip
            maps[kind] = made
        except AnalysisError as problem:
            if reading is not None or _nothing_in_common(problem):
                raise
            missing.append(f"{kind}: {problem.what}")
    if not maps:
        raise AnalysisError(
            f"{scan.scan} carries no reading to compare with.",
            where=scan.scan,
            remedy=" ".join(missing),
        )
    progress(ProgressEvent("Comparing", 1, 1))
    ear = _ear(record.hand, maps, scan, quantity)
    shown: str = show if show in maps else ear.leading or next(iter(maps))
    order = [shown, *(kind for kind in maps if kind != shown)]
    return HandComparison(
        record, scan, maps[shown], tuple(agreements[kind] for kind in order), ear, tuple(missing)
    )


def hand_section(
    folder: Path, scan: ScanRecord, reading: ReadingKind, cautions: list[str], progress: Progress
) -> HandSection | None:
    """What a report on this scan shows of the hand: its latest record on that face, if any.

    What cannot be shown becomes a caution.
    """
    from rig.archive.hand_store import records
    from rig.field import surface
    from rig.report.hand_figure import HandSection

    try:
        kept = [one for one in records(folder) if one.hand.face == scan.face]
        if not kept:
            return None
        found = compare_with(kept[-1], scan, show=reading, progress=progress)
    except (AnalysisError, FolderError) as problem:
        cautions.append(f"What the hand found is not shown: {problem.what}")
        return None
    return HandSection(
        kept[-1].name, kept[-1].hand, found.agreements[0], found.tone_map,
        surface(found.tone_map, scan.outline), found.ear.sentence, found.simulated,
    )  # fmt: skip


def draw(found: HandComparison, path: Path, *, progress: Progress = silent) -> Path:
    """Draw machine, hand and difference; raises StorageFullError, UsageError."""
    from rig.field import surface
    from rig.jobs.pictures import check_kind
    from rig.model.errors import StorageFullError
    from rig.report.hand_figure import hand_sheet

    check_kind(path)
    progress(ProgressEvent("Drawing", 0, 1))
    excess = found.agreements[0].quantity == "above target"
    field = surface(found.tone_map, found.scan.outline, excess=excess)
    sheet = hand_sheet(
        found.tone_map, field, found.scan.outline, found.record.hand, found.agreements[0],
        name=found.record.name, ear=found.ear.sentence, simulated=found.simulated,
    )  # fmt: skip
    try:
        return sheet.save(path)
    except OSError as problem:
        raise StorageFullError(
            f"The picture could not be written: {problem.strerror or problem}.",
            where=str(path),
            remedy="Choose another place.",
        ) from problem


def _ear(
    hand: HandMap,
    maps: dict[str, ToneMap],
    scan: ScanRecord,
    quantity: Literal["tone", "above target"],
) -> EarChoice:
    """Readings compared at the places that all of them have."""
    import numpy as np

    from rig.field.hand_agreement import machine_at
    from rig.field.hand_ear import ear_choice

    chosen = np.flatnonzero(np.asarray(hand.group) == 0)
    places = np.asarray(hand.places_mm)[chosen]
    there = {kind: machine_at(one, scan.outline, places, quantity) for kind, one in maps.items()}
    common = np.arange(len(places))
    for one in there.values():
        common = np.intersect1d(common, one.rows)
    values = {kind: one.value[np.searchsorted(one.rows, common)] for kind, one in there.items()}
    return ear_choice(places[common], hand.value[chosen][common], values)


def _nothing_in_common(problem: AnalysisError) -> bool:
    return problem.what.startswith("Only ") and "hand's places" in problem.what


def _scan_of_face(folder: Path, face: str) -> str | None:
    """The latest scan of this face; None: none of it."""
    from rig.archive.plate_folder import PlateFolder

    with PlateFolder.open(folder) as opened:
        names = [one.scan for one in opened.scans() if one.face == face and one.strikes]
    return names[-1] if names else None


def _interval(found: Interval) -> dict[str, float | None]:
    return {
        "value": _rounded(found.value),
        "low": _rounded(found.low),
        "high": _rounded(found.high),
    }


def _rounded(value: float | None, digits: int = 3) -> float | None:
    return None if value is None or value != value else round(value, digits)
