"""`calibrate list`: which calibrations of a rig hold, which have expired, which are missing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.tone_map import ReadingKind

if TYPE_CHECKING:
    from rig.calibrate.records import Record, Standing
    from rig.model.calibration import SmallestChange
    from rig.model.scan_record import ScanRecord

READINGS: tuple[ReadingKind, ...] = ("local", "attack", "contact", "rebound")


@dataclass(frozen=True)
class CalibrationList:
    """How every kind of calibration stands at this moment."""

    folder: Path
    now: datetime
    standings: tuple[Standing, ...]
    history: int
    problems: tuple[str, ...]
    unreadable: tuple[str, ...] = ()  # names of the files that the problems are about

    @property
    def all_hold(self) -> bool:
        """True when nothing is missing, expired or unreadable."""
        return not self.problems and all(s.state == "holds" for s in self.standings)

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig calibrate list --json`."""
        return {
            "folder": str(self.folder),
            "now_utc": self.now.isoformat(),
            "all_hold": self.all_hold,
            "records": self.history,
            "problems": list(self.problems),
            "calibrations": [s.as_json(self.now) for s in self.standings],
        }


def calibrations(
    *, records: Path | str | None = None, rig: Path | str | None = None, now: datetime | None = None
) -> CalibrationList:
    """Read the records kept for a rig. Raises UsageError where there is no such folder."""
    from rig.calibrate.records import load_each, standing

    folder = records_folder(records, rig)
    now = now or datetime.now(UTC)
    found, problems = load_each(folder)
    name = "" if rig is None else Path(rig).name
    states = standing(found, now, rig=name, real=rig is not None)
    return CalibrationList(
        folder, now, tuple(states), len(found), tuple(problems.values()), tuple(problems)
    )


def records_folder(
    records: Path | str | None, rig: Path | str | None, beside: Path | str | None = None
) -> Path:
    """The folder named, or `calibration` beside the rig file, or beside another file."""
    from rig.calibrate.records import folder_of
    from rig.model.errors import UsageError

    if rig is not None and not Path(rig).is_file():
        raise UsageError(
            "There is no rig file here.", where=str(rig), remedy="Name the rig's own file."
        )
    if records is not None:
        folder = Path(records)
        if folder.exists() and not folder.is_dir():
            raise UsageError(
                "Records are kept in a folder; this is a file.",
                where=str(records),
                remedy="Name a folder with --records.",
            )
        return folder
    rig_path = None if rig is None else Path(rig)
    return folder_of(rig_path, None if beside is None else Path(beside))


def keep(
    folder: Path, kind: str, values: dict[str, Any], rig: Path | str | None, **more: Any
) -> Record:
    """Store a record of this moment and return it with its path."""
    from dataclasses import replace

    from rig.calibrate.records import new_record, store

    record = new_record(
        kind, values, datetime.now(UTC), rig="" if rig is None else Path(rig).name, **more
    )
    return replace(record, path=store(folder, record))


def smallest_change_cents(
    reading: str,
    *,
    records: Path | str | None = None,
    rig: Path | str | None = None,
    beside: Path | str | None = None,
    now: datetime | None = None,
    simulated: bool | None = None,
) -> tuple[float | None, str]:
    """The smallest change of a reading that means something, by the newest study that holds.

    beside: a plate folder, whose neighbour `calibration` is looked into where neither a folder nor
    a rig file is named. simulated: of the scans it is to be used on; a study of virtual scans says
    nothing of a real rig, nor the other way round. None with the reason where there is none.
    """
    from rig.calibrate.records import load_each, standing

    now = now or datetime.now(UTC)
    name = "" if rig is None else Path(rig).name
    found, problems = load_each(records_folder(records, rig, beside))
    kind = [r for r in found if r.kind == "repeatability"]
    alike = [r for r in kind if simulated is None or r.simulated == simulated]
    of_reading = [r for r in alike if _studied(r, reading) is not None]
    (state,) = standing(of_reading, now, ("repeatability",), rig=name)
    cents = None if state.record is None else _studied(state.record, reading)
    if state.state == "holds" and state.record is not None and cents is not None:
        made = state.record.made_utc[:10]
        where = state.record.values
        what = f"{where.get('face', '?')} face, {where.get('strength', '?')} strikes"
        return cents, (
            f"Smallest change that means something: {cents:.0f} cents at a place "
            f"(repeatability study of {made}, {what})."
        )
    if of_reading:
        why = state.sentence
    elif alike:
        why = f"None has studied the reading “{reading}”."
    elif kind:
        other = "a real" if simulated else "a virtual"
        why = f"The one there is was made on {other} rig."
    else:
        why = ""
    broken = [file for file in problems if file.startswith("repeatability")]
    why = " ".join([why, *(f"{file} cannot be read." for file in broken)]).strip()
    return None, f"No repeatability study is known that holds for these scans. {why}".strip()


def _studied(record: Record, reading: str) -> float | None:
    """The smallest change that a study found for a reading; None where it says nothing usable."""
    studies = record.values.get("studies")
    for study in studies if isinstance(studies, list) else []:
        if isinstance(study, dict) and study.get("reading") == reading:
            cents = study.get("smallest_change_cents")
            if isinstance(cents, int | float) and 0.0 <= cents < 1e4:
                return float(cents)
    return None


def smallest_changes(
    scan: ScanRecord,
    *,
    folder: Path | str | None = None,
    records: Path | str | None = None,
    rig: Path | str | None = None,
) -> dict[ReadingKind, SmallestChange]:
    """For every reading what the rig of this scan can tell apart.

    Looked for where the records are named to be, else in `calibration` beside the plate folder,
    else where the scan found its own records.
    """
    from rig.calibrate.records import folder_of
    from rig.model.calibration import SmallestChange

    if records is None and rig is None:
        beside = None if folder is None else folder_of(None, Path(folder).absolute())
        records = scan.calibration.folder if beside is None or not beside.is_dir() else beside
        if records is None:
            records = beside
    if records is None and rig is None:
        return {}
    return {
        kind: SmallestChange(
            *smallest_change_cents(kind, records=records, rig=rig, simulated=scan.simulated)
        )
        for kind in READINGS
    }


def records_in_force(
    *,
    records: Path | str | None = None,
    rig: Path | str | None = None,
    now: datetime | None = None,
) -> dict[str, Any]:
    """What a scan made now uses: records that hold, and a sentence for every other kind.

    Plain JSON, for the scan's origin and for the foot of its map.
    """
    from rig.calibrate.records import in_one_sentence

    listed = calibrations(records=records, rig=rig, now=now)
    held = [s for s in listed.standings if s.state == "holds" and s.record]
    return {
        "folder": str(listed.folder.absolute()),
        "at_utc": listed.now.isoformat(timespec="seconds"),
        "used": [s.record.name for s in held if s.record],
        "records": {s.kind: s.record.name for s in held if s.record},
        "states": {s.kind: s.state for s in listed.standings},
        "cautions": [s.sentence for s in listed.standings if s.state != "holds"],
        "unreadable": list(listed.problems),
        "sentence": in_one_sentence(listed.standings, listed.unreadable),
    }
