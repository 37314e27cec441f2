"""What lies beside the maps, ready to be drawn: marks of the hand and measured thickness."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rig.jobs.drawn import Lines, map_colours
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.units import FloatArray

if TYPE_CHECKING:
    from rig.field.thickness import ThicknessField
    from rig.jobs.plate_picture import PlatePicture
    from rig.model.hand_map import HandMap
    from rig.model.thickness import ThicknessReadings

_COARSE_MM = 4.0
_AT_ONCE = 400
_LEVEL_MM = (0.05, 0.1, 0.2, 0.5, 1.0)


@dataclass(frozen=True)
class DrawnThickness:
    """Thickness between its readings, coloured about its middle.

    rgba, box_mm as in a `Field`; reach_mm: of the last colours on either side of middle_mm;
    contours: lines (k, 2) in mm by thickness in mm.
    """

    readings: ThicknessReadings
    rgba: NDArray[np.uint8]
    box_mm: tuple[float, float, float, float]
    middle_mm: float
    reach_mm: float
    contours: dict[float, Lines]


@dataclass(frozen=True)
class HandKept:
    """One record of the hand: its name in the folder, and what it says."""

    name: str
    hand: HandMap


@dataclass(frozen=True)
class Beside:
    """Records of the hand on the face of a scan, newest first; thickness and the picture of the
    plate on the bed, None where none is kept. cautions: what could not be shown, and why."""

    hand: tuple[HandKept, ...]
    thickness: DrawnThickness | None
    picture: PlatePicture | None = None
    cautions: tuple[str, ...] = ()


def drawn_beside(
    folder: Path | str,
    face: str | None = None,
    scan: str | None = None,
    *,
    progress: Progress = silent,
) -> Beside:
    """Fetch hand, thickness and picture of a plate; face None: records of both faces.

    scan: the one whose picture is wanted; without it there is none.

    What cannot be read is told as a caution: the rest of the plate is looked at all the same.
    Raises FolderError.
    """
    from rig.archive.hand_store import records
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.plate_picture import plate_picture
    from rig.jobs.thickness import thickness_field
    from rig.model.errors import FolderError, PictureError, PlaterigError

    with PlateFolder.open(folder) as opened:
        path, outline = opened.path, opened.outline
    cautions = []
    hand: list[HandKept] = []
    thickness = None
    progress(ProgressEvent("Fetching marks and thickness", 0, 1))
    try:
        kept = [one for one in records(path) if face in (None, one.hand.face)]
        hand = [HandKept(one.name, one.hand) for one in kept]
    except PlaterigError as problem:
        cautions.append(str(problem))
    try:
        field = None if outline is None else thickness_field(path, outline)
        thickness = None if field is None else drawn_thickness(field)
    except PlaterigError as problem:
        cautions.append(str(problem))
    picture = None
    with suppress(FolderError):  # scans without a camera have none, which is no fault
        try:
            picture = None if scan is None else plate_picture(path, scan)
        except PictureError as problem:
            cautions.append(str(problem))
    return Beside(tuple(reversed(hand)), thickness, picture, tuple(cautions))


def drawn_thickness(field: ThicknessField, step_mm: float = 1.0) -> DrawnThickness:
    """Colours and lines of a thickness field, in steps of step_mm."""
    from contourpy import contour_generator
    from scipy.interpolate import RegularGridInterpolator

    outline = field.outline
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    x, y = (np.arange(a, b + _COARSE_MM, _COARSE_MM) for a, b in zip(low, high, strict=True))
    nodes = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    parts = [field.at(nodes[n : n + _AT_ONCE]).mm for n in range(0, len(nodes), _AT_ONCE)]
    coarse = np.concatenate(parts).reshape(len(y), len(x))
    fine_x, fine_y = np.arange(x[0], x[-1], step_mm), np.arange(y[0], y[-1], step_mm)
    fine = np.stack(np.meshgrid(fine_x, fine_y), axis=-1)
    mm = RegularGridInterpolator((y, x), coarse, "cubic")(fine[..., ::-1])
    wood = outline.contains(fine.reshape(-1, 2)).reshape(mm.shape)
    mm = np.where(wood, mm, np.nan)
    middle, reach, levels = _levels(mm, field.middle_mm)
    table = map_colours()
    place = np.clip((np.nan_to_num(mm, nan=middle) - middle) / reach, -1.0, 1.0)
    rgba = table[np.round((place + 1.0) / 2.0 * (len(table) - 1)).astype(int)].copy()
    rgba[..., 3] = np.where(wood, 255, 0)
    made = contour_generator(fine_x, fine_y, np.ma.masked_invalid(mm))
    contours = {level: [np.asarray(line) for line in made.lines(level)] for level in levels}
    half = 0.5 * step_mm
    box = (float(fine_x[0]) - half, float(fine_y[0]) - half,
           len(fine_x) * step_mm, len(fine_y) * step_mm)  # fmt: skip
    return DrawnThickness(field.readings, rgba, box, middle, reach, contours)


def _levels(mm: FloatArray, middle_mm: float) -> tuple[float, float, list[float]]:
    """Middle and half width of the colours, in whole steps, and the levels of the lines."""
    reach = float(np.nanmax(np.abs(mm - middle_mm)))
    step = next((one for one in _LEVEL_MM if reach / one <= 6.0), _LEVEL_MM[-1])
    middle = round(middle_mm / step) * step
    count = max(1, int(np.ceil(reach / step)))
    levels = [round(middle + n * step, 3) for n in range(-count, count + 1)]
    return round(middle, 3), count * step, [level for level in levels if level > 0]
