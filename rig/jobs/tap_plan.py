"""Where a scan would tap: counted, saved as CSV, drawn. Nothing moves."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.frames import Face, Strength
from rig.model.progress import Progress, silent

if TYPE_CHECKING:
    from rig.model.plan import Plan


@dataclass(frozen=True)
class TapPlan:
    """The plan, the way of the hammer over it, and the files written."""

    plan: Plan
    route_mm: float
    csv: Path | None = None
    picture: Path | None = None

    def as_json(self) -> dict[str, Any]:
        """The JSON contract of `platerig plan`."""
        plan = self.plan
        return {
            "taps": len(plan.taps),
            "strikes": plan.strike_count,
            "face": plan.face,
            "strength": plan.strength,
            "spacing_mm": plan.spacing_mm,
            "margin_mm": plan.margin_mm,
            "repeats": plan.repeats,
            "route_mm": round(self.route_mm, 1),
            "left_out": [{"reason": gone.reason, "count": gone.count} for gone in plan.left_out],
            "points": [{"tap": t.number, "x_mm": t.x_mm, "y_mm": t.y_mm} for t in plan.taps],
            "csv": None if self.csv is None else str(self.csv),
            "picture": None if self.picture is None else str(self.picture),
        }


def tap_plan(
    folder: Path | str,
    *,
    spacing_mm: float | None = None,
    margin_mm: float | None = None,
    face: Face = "outer",
    strength: Strength = "light",
    repeats: int = 1,
    out: Path | None = None,
    picture: Path | None = None,
    progress: Progress = silent,
) -> TapPlan:
    """Plan the taps of a scan of this plate. The folder is only read.

    Raises FolderError where there is no folder or no outline, UsageError for impossible values.
    """
    from rig.archive.plate_folder import PlateFolder
    from rig.model.errors import FolderError
    from rig.plan import grid_plan, path_length_mm
    from rig.plan.grid import DEFAULT_MARGIN_MM

    del progress  # done in a moment
    with PlateFolder.open(folder) as plate:
        outline = plate.outline
    if outline is None:
        raise FolderError(
            "The folder has no outline yet, so there is nothing to plan on.",
            where=str(folder),
            remedy="Make it with --outline outline.csv, or gather a tap set into it.",
        )
    plan = grid_plan(
        outline,
        face=face,
        strength=strength,
        spacing_mm=spacing_mm,
        margin_mm=DEFAULT_MARGIN_MM if margin_mm is None else margin_mm,
        repeats=repeats,
    )
    if out is not None:
        from rig.report.tables import write_table

        write_table(out, ("tap", "x_mm", "y_mm"), [(t.number, t.x_mm, t.y_mm) for t in plan.taps])
    if picture is not None:
        from rig.report.plan_figure import plan_picture

        plan_picture(plan, outline, picture)
    return TapPlan(plan, path_length_mm(plan.places()), out, picture)
