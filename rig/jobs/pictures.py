"""Draw what a verb found, as a picture that stands alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from rig.model.errors import StorageFullError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.jobs.compare import CompareResult
    from rig.jobs.make_map import MapResult
    from rig.report.sheet import Sheet

Shown = Literal["tone", "above", "doubt"]
KINDS = (".png", ".svg", ".pdf")


def draw_map(
    made: MapResult, path: Path, *, show: Shown = "tone", progress: Progress = silent
) -> Path:
    """Draw a map: the tone, how far it stands above the target, or how doubtful it is.

    Raises UsageError for a kind of picture that is not known, StorageFullError.
    """
    from rig.report.map_figures import tone_map_sheet, uncertainty_sheet

    check_kind(path)
    progress(ProgressEvent("Drawing", 0, 1))
    tone_map, outline, strength = made.tone_map, made.scan.outline, made.scan.strength
    foot = " ".join((*tone_map.target_notes, made.scan.calibration.sentence))
    if show == "doubt":
        sheet = uncertainty_sheet(tone_map, made.surface, outline, strength=strength, foot=foot)
    else:
        surface = made.excess_surface if show == "above" else made.surface
        sheet = tone_map_sheet(
            tone_map,
            surface,
            outline,
            made.work_order,
            excess=show == "above",
            strength=strength,
            foot=foot,
        )
    return saved(sheet, path, progress)


def draw_comparison(made: CompareResult, path: Path, *, progress: Progress = silent) -> Path:
    """Draw the change between two scans; errors as `draw_map`."""
    from rig.report.map_figures import change_sheet

    check_kind(path)
    progress(ProgressEvent("Drawing", 0, 1))
    return saved(change_sheet(made.comparison, made.surface, made.after.outline), path, progress)


def check_kind(path: Path) -> None:
    """Raise UsageError unless the ending names a kind of picture that can be drawn."""
    if path.suffix.lower() not in KINDS:
        raise UsageError(
            f'A picture cannot be written as "{path.suffix or path.name}".',
            where=str(path),
            remedy=f"Let its name end in {', '.join(KINDS)}.",
        )


def saved(sheet: Sheet, path: Path, progress: Progress) -> Path:
    """Write a sheet; raises StorageFullError."""
    try:
        sheet.save(path)
    except OSError as problem:
        raise StorageFullError(
            f"The picture could not be written: {problem.strerror or problem}.",
            where=str(path),
            remedy="Choose another place.",
        ) from problem
    progress(ProgressEvent("Drawing", 1, 1))
    return path
