"""The verb `preview`: what a cut would do to partials and local tone, before it is made."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.model.errors import AnalysisError, FolderError, PlaterigError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanRecord

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder
    from rig.field.preview import CutEffect, HeardShift
    from rig.field.preview_plate import PreviewPlate
    from rig.model.tone_map import TapTone

LIMITS = (
    "For small cuts only, up to 15 % of the thickness; the cut is a dish, half as deep at half its "
    "width from the middle. Supports, the room and what hangs on the wood's moisture are left out."
)


@dataclass(frozen=True)
class PreviewResult:
    """A cut's effect: on the model's modes, and on the partials heard where a scan has them."""

    effect: CutEffect
    source: str
    scan: str | None
    simulated: bool
    heard: tuple[HeardShift, ...]
    notes: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig preview --json`."""
        found = self.effect
        cut = found.cut
        return {
            "scan": self.scan,
            "simulated": self.simulated,
            "source": self.source,
            "cut": {"x_mm": cut.x_mm, "y_mm": cut.y_mm, "width_mm": cut.width_mm,
                    "depth_mm": cut.depth_mm, "mass_g": round(found.mass_g, 4)},
            "thickness_mm": round(found.thickness_mm, 3),
            "thickness_sd_mm": round(found.thickness_sd_mm, 3),
            "tone_cents": round(found.tone_cents, 1),
            "tone_sd_cents": round(found.tone_sd_cents, 1),
            "tone_over_cents": round(found.tone_over_cents, 1),
            "partials": [
                {
                    "hz": round(one.hz, 3),
                    "model_hz": _rounded(one.model_hz, 1),
                    "likeness": _rounded(one.likeness, 3),
                    "change_cents": _rounded(one.change_cents, 3),
                    "sd_cents": _rounded(one.sd_cents, 3),
                }
                for one in self.heard
            ],
            "modes": [
                {
                    "hz": round(float(hz), 2),
                    "change_cents": round(float(change), 3),
                    "first_order_cents": round(float(first), 3),
                    "sd_cents": round(float(sd), 3),
                }
                for hz, change, first, sd in zip(
                    found.hz, found.change_cents, found.first_order_cents, found.sd_cents,
                    strict=True,
                )
            ],
            "notes": list(self.notes),
            "limits": LIMITS,
        }  # fmt: skip


def preview(
    folder: Path | str,
    *,
    x_mm: float,
    y_mm: float,
    width_mm: float,
    depth_mm: float,
    scan: str | None = None,
    progress: Progress = silent,
) -> PreviewResult:
    """Preview a cut on the plate of a folder; scan None: the latest, where there is one.

    The plate is the one fitted to the scan's taps where that may be believed, else what outline,
    mass and mean thickness tell; the result says which. Raises UsageError for a cut off the wood or
    of more than 15 % of the thickness, FolderError without an outline.
    """
    from rig.archive.plate_folder import PlateFolder
    from rig.field.preview import Cut, check_cut, cut_effect
    from rig.field.preview_plate import preview_plate

    cut = Cut(x_mm, y_mm, width_mm, depth_mm)
    with PlateFolder.open(folder) as opened:
        name = scan or (opened.latest_scan() if opened.scans() else None)
        outline = _empty(opened).outline
        bare = None if name is not None else _empty(opened)
    check_cut(cut, outline)
    notes: list[str] = []
    record, tones = bare, None
    if record is None:
        record, tones = _read(folder, name, notes, progress)
    plate = preview_plate(record, tones)
    effect = cut_effect(
        plate.geometry, plate.belief, cut, plate.doubts,
        measured_mm=_measured(folder, record, cut, notes), progress=progress,
    )  # fmt: skip
    heard = () if bare is not None else _heard(record, plate, effect, notes, progress)
    return PreviewResult(
        effect, plate.source, name, record.simulated, heard, (*plate.notes, *notes)
    )


def _empty(opened: PlateFolder) -> ScanRecord:
    """A scan without strikes, which carries outline and facts."""
    if opened.outline is None:
        raise FolderError(
            "The folder has no outline yet, so there is no plate to cut.",
            where=str(opened.path),
            remedy="Make it with --outline outline.csv, or scan the plate.",
        )
    return ScanRecord("", "outer", "light", 0.0, opened.outline, opened.facts, ())


def _read(
    folder: Path | str, name: str | None, notes: list[str], progress: Progress
) -> tuple[ScanRecord, TapTone | None]:
    """The scan, and its local tone where it carries any."""
    from rig.jobs.scan_readings import load_scan
    from rig.jobs.tones import tones_of

    record = load_scan(folder, name, progress)
    try:
        tones = tones_of(record, None, progress)
    except AnalysisError as error:
        notes.append(f"The scan carries no local tone: {error.what}")
        return record, None
    if tones.reading != "local":
        notes += tones.reasons[:1]
        return record, None
    return record, tones


def _measured(
    folder: Path | str, record: ScanRecord, cut: Any, notes: list[str]
) -> tuple[float, float] | None:
    """Thickness at the cut where a caliper reading is near."""
    from rig.jobs.thickness import thickness_field

    field = thickness_field(folder, record.outline)
    if field is None:
        return None
    here = field.at(np.array([[cut.x_mm, cut.y_mm]]))
    if not here.known[0]:
        return None
    notes.append(f"The thickness there is of caliper readings of {field.readings.measured_on}.")
    return float(here.mm[0]), float(here.sd_mm[0])


def _heard(
    record: ScanRecord,
    plate: PreviewPlate,
    effect: CutEffect,
    notes: list[str],
    progress: Progress,
) -> tuple[HeardShift, ...]:
    """Partials of the scan's ring, each with the change of the mode that has its shape."""
    from rig.field.plate_modes import plate_modes
    from rig.field.preview import heard_shifts
    from rig.field.preview_plate import likeness_to_model
    from rig.jobs.tones import ring_of

    progress(ProgressEvent("Reading the modes", 0, 1))
    try:
        shapes = plate_modes(record, ring_of(record, progress))
    except PlaterigError as error:
        notes.append(f"The partials heard are not given their changes: {error.what}")
        return ()
    progress(ProgressEvent("Reading the modes", 1, 1))
    found = heard_shifts(
        effect, [mode.hz for mode in shapes.modes], likeness_to_model(shapes, effect),
        reach=plate.reach,
    )  # fmt: skip
    lost = sum(one.mode is None for one in found)
    if lost:
        notes.append(
            f"{lost} of {len(found)} partials have no mode of the model that moves alike; their "
            "change is not told."
        )
    return found


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
