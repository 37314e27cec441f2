"""The verb `hand marks`: chalk or sticker marks read from a picture of the plate on the bed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rig.jobs.hand import HandResult, arch_note, check_face, kept, rise_of, stored_plate
from rig.model.errors import AnalysisError, UsageError
from rig.model.frames import Face
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.rig_settings import RIM_HEIGHT_MM, RigSettings

if TYPE_CHECKING:
    from rig.model.units import FloatArray

SIZES_MM = (4.0, 25.0)


def hand_marks(
    picture: Path | str,
    rig_file: Path | str | None = None,
    settings: RigSettings | None = None,
    *,
    plate: Path | str | None = None,
    face: Face = "outer",
    higher: str | None = None,
    lower: str | None = None,
    size_mm: tuple[float, float] = SIZES_MM,
    rim_height_mm: float = RIM_HEIGHT_MM,
    progress: Progress = silent,
) -> HandResult:
    """Read marks for "higher" and "lower" from a picture, and keep them with the plate.

    higher, lower: colours by name or #rrggbb; both None: warm ones are higher, cool ones lower.
    Raises PictureError where the plate is not found, AnalysisError where no mark is, UsageError.
    """
    from rig.field.hand_judged import judged_map
    from rig.jobs.locate import check_rim_height, read_picture
    from rig.model.hand_map import Judgement
    from rig.vision.hand_marks import find_marks
    from rig.vision.hand_view import find_view

    check_face(face)
    check_rim_height(rim_height_mm)
    if not 0.5 <= size_mm[0] < size_mm[1] <= 120.0:
        raise UsageError(
            f"Marks from {size_mm[0]:g} to {size_mm[1]:g} mm wide cannot be meant.",
            remedy="Give the smallest and the largest width, between 0.5 and 120 mm.",
        )
    colours = _colour(higher), _colour(lower)
    rig = settings_of(rig_file, settings)
    stored = stored_plate(plate)
    progress(ProgressEvent("Reading the picture", 0, 2))
    pixels = read_picture(picture)
    progress(ProgressEvent("Looking for plate and marks", 1, 2))
    view, _ = find_view(
        pixels, rig, stored.outline, face, rise_of(face, stored.arching_mm),
        rim_height_mm=rim_height_mm,
    )  # fmt: skip
    seen = find_marks(pixels, view, higher=colours[0], lower=colours[1], size_mm=size_mm)
    progress(ProgressEvent("Looking for plate and marks", 2, 2))
    notes = (*view.notes, *seen.notes, *arch_note(stored.arching_mm))
    if not seen.marks:
        raise AnalysisError(
            "No mark is seen on the plate.",
            where=str(picture),
            remedy=" ".join(
                (*seen.notes, "Mark with strong colours such as red and blue, 6 to 20 mm wide.")
            ),
        )
    hand = judged_map(
        [Judgement(m.x_mm, m.y_mm, m.side) for m in seen.marks],
        source=Path(picture).name,
        kind="marks",
        face=face,
        notes=notes,
    )
    more = {
        "marks": [
            {
                "x_mm": round(m.x_mm, 2),
                "y_mm": round(m.y_mm, 2),
                "side": m.side,
                "width_mm": round(m.width_mm, 1),
                "surety": round(m.surety, 3),
            }
            for m in seen.marks
        ]
    }
    options = {
        "higher": higher, "lower": lower, "size_mm": list(size_mm), "rim_height_mm": rim_height_mm,
    }  # fmt: skip
    raw = [(Path(picture), Path(picture).name)]
    return kept(hand, plate, raw, options, more)


def settings_of(rig_file: Path | str | None, settings: RigSettings | None) -> RigSettings:
    """The rig, from its file or as given; raises UsageError without either, RigFileError."""
    if settings is not None:
        return settings
    if rig_file is None:
        raise UsageError(
            "The bed, its markers and the lens are not known.", remedy="Give a rig file."
        )
    from rig.archive.rig_file import load_rig_file

    return load_rig_file(rig_file)


def _colour(name: str | None) -> FloatArray | None:
    from rig.vision.hand_colours import chroma_of_name

    return None if name is None else chroma_of_name(name)
