"""`calibrate list`: which calibrations of a rig hold, which have expired, which are missing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.calibrate.records import Record, Standing


@dataclass(frozen=True)
class CalibrationList:
    """How every kind of calibration stands at this moment."""

    folder: Path
    now: datetime
    standings: tuple[Standing, ...]
    history: int
    problems: tuple[str, ...]

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
    from rig.calibrate.records import load_all, standing

    folder = records_folder(records, rig)
    now = now or datetime.now(UTC)
    found, problems = load_all(folder)
    return CalibrationList(folder, now, tuple(standing(found, now)), len(found), tuple(problems))


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
) -> tuple[float | None, str]:
    """The smallest change of a reading that means something, by the newest study that holds.

    beside: a plate folder, whose neighbour `calibration` is looked into where neither a folder nor
    a rig file is named. None with the reason where there is no such study.
    """
    from rig.calibrate.records import load_all, standing

    found, _ = load_all(records_folder(records, rig, beside))
    (state,) = standing(found, now or datetime.now(UTC), ("repeatability",))
    if state.state != "holds" or state.record is None:
        return None, state.sentence
    for study in state.record.values.get("studies", []):
        if study.get("reading") == reading:
            return float(study["smallest_change_cents"]), state.sentence
    return None, f"{state.sentence} It did not study the reading “{reading}”."


def records_in_force(
    *, records: Path | str | None = None, rig: Path | str | None = None, now: datetime | None = None
) -> dict[str, Any]:
    """What a scan made now uses: records that hold, and a sentence for every other kind.

    Plain JSON, for the scan's origin and for the foot of its map.
    """
    listed = calibrations(records=records, rig=rig, now=now)
    return {
        "used": [s.record.name for s in listed.standings if s.state == "holds" and s.record],
        "cautions": [s.sentence for s in listed.standings if s.state != "holds"],
    }
