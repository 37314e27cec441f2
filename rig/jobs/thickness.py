"""The verb `thickness`: caliper readings kept with the plate, and local tone held against them."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.model.errors import FolderError, UsageError
from rig.model.frames import Face
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.archive.thickness_store import ThicknessRecord
    from rig.field.thickness import Parted, ThicknessField
    from rig.model.outline import Outline
    from rig.model.scan_record import ScanRecord


@dataclass(frozen=True)
class ThicknessResult:
    """The records of a folder, oldest first; kept: the one made by this call.

    parted: the local tone of `scan` taken apart, where that was asked for.
    """

    folder: Path
    records: tuple[ThicknessRecord, ...]
    kept: str | None = None
    scan: str | None = None
    simulated: bool = False
    parted: Parted | None = None
    cautions: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig thickness --json`."""
        return {
            "plate": str(self.folder),
            "kept": self.kept,
            "records": [record.as_json() for record in self.records],
            "scan": self.scan,
            "simulated": self.simulated,
            "cautions": list(self.cautions),
            "parted": None if self.parted is None else _parted_json(self.parted),
        }


def thickness(
    folder: Path | str,
    file: Path | str | None = None,
    *,
    face: Face = "outer",
    measured_on: str | None = None,
    scan: str | None = None,
    progress: Progress = silent,
) -> ThicknessResult:
    """Keep a caliper list in a plate folder (file given), and list what is kept.

    measured_on: YYYY-MM-DD, today without it. scan: take its local tone apart into thickness and
    stiffness. Raises AnalysisError for a list that cannot be taken, UsageError for a date that is
    none, the folder's own errors; what was kept before is never touched.
    """
    from rig.archive.plate_folder import PlateFolder
    from rig.archive.thickness_store import keep, records
    from rig.archive.thickness_tables import read_thickness

    kept = None
    with PlateFolder.open(folder, write=file is not None) as opened:
        path = opened.path
        if file is not None:
            found = read_thickness(file, opened.outline, face=face, measured_on=_day(measured_on))
            text = Path(file).read_text(encoding="utf-8-sig")
            kept = keep(opened, found, text).name
        all_kept = tuple(records(path))
    result = ThicknessResult(path, all_kept, kept)
    if scan is None:
        return result
    return _held_against(result, scan, progress)


def thickness_field(folder: Path | str, outline: Outline) -> ThicknessField | None:
    """The plate's thickness by its newest readings; None where the folder keeps none."""
    from rig.archive.naming import existing_folder
    from rig.archive.thickness_store import records
    from rig.field.thickness import ThicknessField, newest_readings

    found = newest_readings([r.readings for r in records(existing_folder(folder))])
    return None if found is None else ThicknessField(found, outline)


def age_cautions(field: ThicknessField, scan: ScanRecord) -> tuple[str, ...]:
    """A caution where readings and scan are of different days: wood may have come off between."""
    scanned = (scan.recorded_utc or "")[:10]
    measured = field.readings.measured_on
    if not scanned or scanned == measured:
        return ()
    first, then = ("the scan", "the readings") if scanned < measured else (
        "the readings", "the scan")  # fmt: skip
    return (
        f"The newest thickness readings are of {measured}, the scan of {scanned}: wood that came "
        f"off between {first} and {then} is not in both.",
    )


def _held_against(result: ThicknessResult, scan: str, progress: Progress) -> ThicknessResult:
    from dataclasses import replace

    from rig.field.thickness import parted
    from rig.jobs.make_map import map_of
    from rig.jobs.scan_readings import load_scan

    if not result.records:
        raise FolderError(
            "The folder keeps no thickness readings.",
            where=str(result.folder),
            remedy="Give a list first: platerig thickness FOLDER readings.csv",
        )
    record = load_scan(result.folder, scan, progress)
    made = map_of(record, (), "local", None, progress)  # the ring is not needed
    field = thickness_field(result.folder, made.scan.outline)
    assert field is not None
    progress(ProgressEvent("Taking the tone apart", 0, 1))
    return replace(
        result,
        scan=made.tone_map.scan,
        simulated=made.tone_map.simulated,
        parted=parted(made.tone_map, field),
        cautions=age_cautions(field, made.scan),
    )


def _day(text: str | None) -> str:
    if text is None:
        return date.today().isoformat()
    day: date | None = None
    with suppress(ValueError):
        day = date.fromisoformat(text)
    if day is None or day > date.today():
        raise UsageError(
            f"“{text}” is no day on which a plate can have been measured.",
            remedy="Write the date as 2026-11-01.",
        )
    return day.isoformat()


def _parted_json(found: Parted) -> dict[str, Any]:
    def plain(value: float, digits: int) -> float | None:
        return round(float(value), digits) if np.isfinite(value) else None

    spread = found.of_spread
    return {
        "share_of_spread": plain(spread.value, 3),
        "share_of_spread_low": None if spread.low is None else plain(spread.low, 3),
        "share_of_spread_high": None if spread.high is None else plain(spread.high, 3),
        "points": [
            {
                "x_mm": round(float(found.places[k, 0]), 2),
                "y_mm": round(float(found.places[k, 1]), 2),
                "tone_cents": plain(found.tone_cents[k], 1),
                "tone_sd_cents": plain(found.tone_sd_cents[k], 1),
                "thickness_mm": plain(found.thickness.mm[k], 3),
                "thickness_sd_mm": plain(found.thickness.sd_mm[k], 3),
                "thickness_cents": plain(found.thickness_cents[k], 1),
                "thickness_sd_cents": plain(found.thickness.cents_sd[k], 1),
                "stiffness_cents": plain(found.stiffness_cents[k], 1),
                "stiffness_sd_cents": plain(found.stiffness_sd_cents[k], 1),
                "stiffness_ratio": plain(found.stiffness_ratio[k], 4),
                "stiffness_ratio_sd": plain(found.stiffness_ratio_sd[k], 4),
                "share_of_excess": plain(found.share[k], 2),
                "share_of_excess_sd": plain(found.share_sd[k], 2),
            }
            for k in range(len(found.index))
        ],
    }
