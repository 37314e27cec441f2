"""`calibrate gantry`: ink dots are planned, marked by the hammer and read by the camera."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import PictureError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.calibrate.gantry import Dot, GantryCorrection, GantryFit
    from rig.calibrate.records import Record
    from rig.devices.roles import Controller
    from rig.model.rig_settings import RigSettings
    from rig.model.units import FloatArray
    from rig.scan.control import ScanControl

COLUMNS = ("x_mm", "y_mm", "target_x", "target_y", "side_x", "side_y")
SEEN = ("seen_x_mm", "seen_y_mm")
DETOUR_MM = 5.0
_MARGIN_MM = 60.0  # clear of the markers near the border


@dataclass(frozen=True)
class GantryResult:
    """The fit and the record it was stored in."""

    fit: GantryFit
    planned: int
    record: Record
    notes: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig calibrate gantry --json`."""
        return {
            "record": self.record.name,
            "path": str(self.record.path),
            "planned": self.planned,
            "notes": list(self.notes),
            **self.record.values,
        }


def plan_dots(settings: RigSettings) -> list[Dot]:
    """The dots of a rig: within its gantry's reach and clear of the markers near the border."""
    from rig.calibrate.gantry import dot_plan

    x0, y0, x1, y1 = settings.controller.limits_mm
    m = _MARGIN_MM + DETOUR_MM
    return dot_plan((x0 + m, y0 + m, x1 - m, y1 - m))


def write_dots(path: Path | str, dots: list[Dot]) -> Path:
    """Write a plan of dots as CSV."""
    path = Path(path)
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(COLUMNS)
        table.writerows([getattr(dot, name) for name in COLUMNS] for dot in dots)
    return path


def read_dots(path: Path | str) -> tuple[list[Dot], FloatArray | None]:
    """A plan of dots, and the places seen where the table has them (else None)."""
    import numpy as np

    from rig.calibrate.gantry import Dot

    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        dots = [
            Dot(float(row["x_mm"]), float(row["y_mm"]), *(int(row[n]) for n in COLUMNS[2:]))
            for row in rows
        ]
        seen = None
        if rows and all(name in rows[0] for name in SEEN):
            seen = np.array([[float(row[n]) if row[n] else np.nan for n in SEEN] for row in rows])
    except (OSError, ValueError, KeyError, TypeError, csv.Error) as problem:
        raise UsageError(
            f"This is no table of dots: {problem}.",
            where=str(path),
            remedy=f"Its columns are {', '.join(COLUMNS)}, and {', '.join(SEEN)} where known.",
        ) from problem
    if not dots or any(not np.isfinite([d.x_mm, d.y_mm]).all() for d in dots):
        raise UsageError("The table of dots is empty or has no true places.", where=str(path))
    return dots, seen


def mark_dots(
    controller: Controller,
    dots: list[Dot],
    pulse_us: int,
    *,
    stop_wanted: Callable[[], bool] = lambda: False,
    progress: Progress = silent,
) -> int:
    """Strike every dot, each come to from its side over a detour; returns how many were struck.

    The controller is open and homed; its own errors pass through.
    """
    for done, dot in enumerate(dots):
        if stop_wanted():
            return done
        controller.start_move(dot.x_mm - DETOUR_MM * dot.side_x, dot.y_mm - DETOUR_MM * dot.side_y)
        controller.wait_until_still()
        controller.start_move(dot.x_mm, dot.y_mm)
        controller.wait_until_still()
        controller.strike(pulse_us)
        progress(ProgressEvent("Marking the sheet", done + 1, len(dots)))
    return len(dots)


def mark_sheet(
    rig: Path | str,
    plan: Path | str,
    *,
    control: ScanControl | None = None,
    progress: Progress = silent,
) -> Path:
    """Plan the dots of a rig, write the plan, home and mark them with firm strikes.

    The gantry goes as it is told, without any correction: that is what is to be found. control:
    for another thread that may want to stop or halt. Raises UsageError where it was stopped.
    """
    from rig.jobs.compose import compose

    made = compose(rig_file=rig)
    try:
        dots = plan_dots(made.settings)
        path = write_dots(plan, dots)
        made.controller.open()
        if control is not None:
            control.attach(made.controller.halt)
        made.controller.home()
        marked = mark_dots(
            made.controller, dots, made.settings.tapper.firm_pulse_us,
            stop_wanted=lambda: control is not None and control.any_wanted, progress=progress,
        )  # fmt: skip
    finally:
        made.close()
    if marked < len(dots):
        raise UsageError(
            f"Stopped after {marked} of {len(dots)} dots.",
            where=str(plan),
            remedy="Tape a fresh sheet to the bed and mark it anew.",
        )
    return path


def calibrate_gantry(
    rig: Path | str,
    plan: Path | str,
    picture: Path | str | None = None,
    *,
    records: Path | str | None = None,
    paper_mm: float = 0.1,
    progress: Progress = silent,
) -> GantryResult:
    """Fit the gantry to a marked sheet that still lies as it was marked, and store the record.

    picture None: the plan's table holds the places seen. paper_mm: height of its face above the
    bed. Raises PictureError without a bed in the picture, AnalysisError without enough dots.
    """
    from rig.archive.rig_file import load_rig_file
    from rig.calibrate.gantry import fit_gantry, match_dots
    from rig.jobs.calibrate_records import keep, records_folder

    folder = records_folder(records, rig)
    settings = load_rig_file(rig)
    dots, seen = read_dots(plan)
    notes: list[str] = []
    if picture is not None:
        progress(ProgressEvent("Reading the sheet", 0, 1))
        places, notes = _dots_of_picture(settings, dots, picture, paper_mm)
        seen = match_dots(dots, places)
    if seen is None:
        raise UsageError(
            "Where the dots came to lie is not known.",
            where=str(plan),
            remedy="Give the picture of the sheet with --picture.",
        )
    fit = fit_gantry(dots, seen)
    lost = len(dots) - fit.dots
    if lost:
        notes.append(f"{lost} of {len(dots)} dots were not found or do not fit.")
    used = [str(Path(plan).name)] + ([] if picture is None else [Path(picture).name])
    values = fit.as_values() | {"tapper_offset_mm": list(settings.tapper.offset_mm)}
    record = keep(folder, "gantry", values, rig, used=tuple(used), notes=tuple(notes))
    return GantryResult(fit, len(dots), record, tuple(notes))


def _dots_of_picture(
    settings: RigSettings, dots: list[Dot], picture: Path | str, paper_mm: float
) -> tuple[FloatArray, list[str]]:
    from rig.jobs.locate import read_picture
    from rig.vision.bed import NoBed, find_bed
    from rig.vision.dots import find_dots

    image = read_picture(picture)
    grey = image if image.ndim == 2 else image[..., 1]  # green: sharpest of the three
    bed = find_bed(grey, settings.bed, settings.camera.lens)
    if isinstance(bed, NoBed):
        raise PictureError(bed.reason, where=str(picture), remedy="Take the picture anew.")
    margin = 25.0
    area = (
        min(d.x_mm for d in dots) - margin, min(d.y_mm for d in dots) - margin,
        max(d.x_mm for d in dots) + margin, max(d.y_mm for d in dots) + margin,
    )  # fmt: skip
    found = find_dots(grey, bed.camera, area_mm=area, height_mm=paper_mm)
    return found.places_mm, list(bed.notes)


def correction_in_force(
    rig: Path | str, *, records: Path | str | None = None
) -> tuple[GantryCorrection | None, str]:
    """The newest gantry correction that holds for this rig, and a sentence about it.

    Raises AnalysisError for a record that holds but cannot be used.
    """
    from datetime import UTC, datetime

    from rig.calibrate.records import load_all, standing
    from rig.jobs.calibrate_records import records_folder
    from rig.jobs.in_force import correction_of

    found, _ = load_all(records_folder(records, rig))
    (state,) = standing(found, datetime.now(UTC), ("gantry",), rig=Path(rig).name, real=True)
    if state.state != "holds" or state.record is None:
        return None, state.sentence
    return correction_of(state.record), state.sentence
