"""A square grid of taps inside the outline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.model.errors import UsageError
from rig.model.frames import Face, PlateXY, Pose, Strength
from rig.model.outline import Outline
from rig.model.plan import LeftOut, Plan, PlannedTap
from rig.model.plate_size import times_violin
from rig.model.rig_settings import RigSettings
from rig.model.units import FloatArray
from rig.plan.route import short_route

DEFAULT_MARGIN_MM = 6.0
USUAL_SPACING_MM = 9.0
OVER_THE_EDGE, OUT_OF_REACH = "over the edge of the bed", "out of the hammer's reach"
_MOST_TAPS = 20_000


@dataclass(frozen=True)
class KeepOut:
    """A round place not to be struck: a support, a clamp, a loose purfling."""

    x_mm: float
    y_mm: float
    radius_mm: float
    reason: str = "support"


def usual_spacing_mm(outline: Outline) -> float:
    """9 mm on a violin or viola; more on larger plates, whose zones are larger, too."""
    return float(round(USUAL_SPACING_MM * times_violin(outline)))


def grid_plan(
    outline: Outline,
    *,
    face: Face,
    strength: Strength,
    spacing_mm: float | None = None,
    margin_mm: float = DEFAULT_MARGIN_MM,
    repeats: int = 1,
    keep_out: Sequence[KeepOut] = (),
    offset_mm: tuple[float, float] = (0.0, 0.0),
) -> Plan:
    """Plan taps on a square grid, at least `margin_mm` from rim and sound holes.

    The grid has a row on the centre line and lies evenly between the ends; `offset_mm` shifts it
    (half a spacing gives the places between). spacing_mm None: `usual_spacing_mm`. Raises
    UsageError for values that make no plan.
    """
    if spacing_mm is None:
        spacing_mm = usual_spacing_mm(outline)
    check_values(spacing_mm, margin_mm, repeats)
    grid = _grid_over(outline, spacing_mm, offset_mm)
    inside_rim = Outline(outline.rim).contains(grid)
    grid = grid[inside_rim]
    on_wood = outline.contains(grid)
    far_enough = outline.edge_distance_mm(grid) >= margin_mm
    blocked, reasons = _blocked(grid, keep_out)
    left_out = [
        LeftOut("in a sound hole", int(np.sum(~on_wood))),
        LeftOut(f"nearer than {margin_mm:g} mm to an edge", int(np.sum(on_wood & ~far_enough))),
        *(LeftOut(reason, int(np.sum(on_wood & far_enough & hit))) for reason, hit in reasons),
    ]
    places = grid[on_wood & far_enough & ~blocked]
    if len(places) == 0:
        raise UsageError(
            f"No tap fits: the grid of {spacing_mm:g} mm with a margin of {margin_mm:g} mm "
            "leaves no place on the plate.",
            remedy="Choose a smaller spacing or margin.",
        )
    return Plan(
        face=face,
        strength=strength,
        spacing_mm=float(spacing_mm),
        margin_mm=float(margin_mm),
        repeats=repeats,
        taps=_numbered(places[short_route(places)]),
        left_out=tuple(entry for entry in left_out if entry.count),
    )


def reachable(plan: Plan, pose: Pose, settings: RigSettings) -> Plan:
    """Leave out the taps that the hammer cannot reach or that hang over the bed's edge.

    The order of the rest stays. Raises UsageError when nothing is left.
    """
    bed_xy = pose.to_bed(plan.places())
    x0, y0, x1, y1 = settings.controller.limits_mm
    gantry = bed_xy - np.asarray(settings.tapper.offset_mm)
    in_reach = (
        (gantry[:, 0] >= x0) & (gantry[:, 0] <= x1) & (gantry[:, 1] >= y0) & (gantry[:, 1] <= y1)
    )
    on_bed = (
        (bed_xy[:, 0] >= 0.0)
        & (bed_xy[:, 0] <= settings.bed.width_mm)
        & (bed_xy[:, 1] >= 0.0)
        & (bed_xy[:, 1] <= settings.bed.depth_mm)
    )
    if bool(np.all(in_reach & on_bed)):
        return plan
    if not bool(np.any(in_reach & on_bed)):
        raise UsageError(
            "No planned tap lies within reach of the hammer.",
            where=f"plate at x {pose.x_mm:.0f}, y {pose.y_mm:.0f} mm of the bed",
            remedy="Lay the plate inside the bed, or correct the limits in the rig file.",
        )
    dropped = [
        LeftOut(OVER_THE_EDGE, int(np.sum(~on_bed))),
        LeftOut(OUT_OF_REACH, int(np.sum(on_bed & ~in_reach))),
    ]
    return replace(
        plan,
        taps=_numbered(plan.places()[in_reach & on_bed]),
        left_out=plan.left_out + tuple(entry for entry in dropped if entry.count),
    )


def unreached_words(plan: Plan) -> tuple[str, ...]:
    """What to say of taps that were left out because of where the plate lies; often nothing."""
    return tuple(
        f"{gone.count} of {gone.count + len(plan.taps)} places are not tapped: {gone.reason}. "
        "Lay the plate farther in to tap them too."
        for gone in plan.left_out
        if gone.reason in (OVER_THE_EDGE, OUT_OF_REACH)
    )


def check_values(spacing_mm: float, margin_mm: float, repeats: int) -> None:
    """Raise UsageError for a spacing, a margin or repeats that make no plan."""
    if not 1.0 <= spacing_mm <= 100.0:
        raise UsageError(f"A tap spacing of {spacing_mm:g} mm is outside 1 to 100 mm.")
    if not 0.0 <= margin_mm <= 50.0:
        raise UsageError(f"A margin of {margin_mm:g} mm is outside 0 to 50 mm.")
    if not 1 <= repeats <= 20:
        raise UsageError(f"{repeats} strikes per tap are outside 1 to 20.")


def _grid_over(outline: Outline, spacing_mm: float, offset_mm: tuple[float, float]) -> FloatArray:
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    if np.prod((high - low) / spacing_mm) > _MOST_TAPS:
        raise UsageError(
            f"A grid of {spacing_mm:g} mm would need more than {_MOST_TAPS} taps.",
            remedy="Choose a wider spacing.",
        )
    dx, dy = offset_mm
    first = np.floor((low[0] - dx) / spacing_mm)
    last = np.ceil((high[0] - dx) / spacing_mm)
    x = dx + spacing_mm * np.arange(first, last + 1)
    middle = 0.5 * (low[1] + high[1])
    half = int(np.ceil(0.5 * (high[1] - low[1]) / spacing_mm)) + 1
    y = middle + dy + spacing_mm * np.arange(-half, half + 1)
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def _blocked(
    xy: FloatArray, keep_out: Sequence[KeepOut]
) -> tuple[np.ndarray, list[tuple[str, np.ndarray]]]:
    """Which places lie in any keep-out, and the same per reason."""
    blocked = np.zeros(len(xy), dtype=bool)
    reasons = []
    for spot in keep_out:
        hit = np.hypot(xy[:, 0] - spot.x_mm, xy[:, 1] - spot.y_mm) <= spot.radius_mm
        reasons.append((spot.reason, hit & ~blocked))
        blocked |= hit
    return blocked, reasons


def _numbered(places: FloatArray) -> tuple[PlannedTap, ...]:
    return tuple(
        PlannedTap(number, round(float(x), 3), round(float(y), 3))
        for number, (x, y) in enumerate(PlateXY(places))
    )
