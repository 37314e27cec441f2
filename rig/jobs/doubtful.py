"""`plan --where doubtful`: further taps where a map is least sure about what matters."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.jobs.tap_plan import TapPlan
from rig.model.progress import Progress, silent
from rig.model.tone_map import ReadingKind

if TYPE_CHECKING:
    from rig.field.next_taps import NextTaps

_ALL_NEEDED = (
    "Local tone is read from all taps together: `platerig scan --where doubtful` makes these and "
    "has them read with the scan's own. The figures hold for taps that are read one by one "
    "(attack, contact, rebound); local tone gains more evenly over the plate."
)


@dataclass(frozen=True)
class DoubtfulPlan:
    """A plan in the order of the hammer's way, and what its taps are expected to bring."""

    planned: TapPlan
    from_scan: str
    reading: ReadingKind
    found: NextTaps
    simulated: bool
    notes: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig plan --where doubtful --json`."""
        found = self.found
        return self.planned.as_json() | {
            "where": "doubtful",
            "from_scan": self.from_scan,
            "reading": self.reading,
            "simulated": self.simulated,
            "threshold_cents": round(found.threshold_cents, 1),
            "rms_before_cents": round(float(found.rms_cents[0]), 2),
            "rms_after_cents": round(float(found.rms_cents[-1]), 2),
            "doubtful_before_cents": round(float(found.doubtful_cents[0]), 2),
            "doubtful_after_cents": round(float(found.doubtful_cents[-1]), 2),
            "notes": list(self.notes),
        }


def doubtful_plan(
    folder: Path | str,
    *,
    from_scan: str | None = None,
    count: int = 40,
    reading: ReadingKind | None = None,
    margin_mm: float | None = None,
    repeats: int = 1,
    out: Path | None = None,
    picture: Path | None = None,
    progress: Progress = silent,
) -> DoubtfulPlan:
    """Plan `count` taps between those of a scan (None: the latest), where they tell most.

    Face, strength and margin are the scan's own; `planned.plan` is a plan like any other and can
    be handed to the runner. Raises UsageError for impossible values, AnalysisError, FolderError.
    """
    from rig.archive.plate_folder import PlateFolder
    from rig.field.next_taps import next_taps
    from rig.field.work_order import FLOOR_CENTS
    from rig.jobs.calibrate_records import smallest_changes
    from rig.jobs.make_map import map_of
    from rig.jobs.scan_readings import load_scan
    from rig.model.plan import Plan, PlannedTap
    from rig.plan import path_length_mm, short_route
    from rig.plan.grid import check_values

    scan = load_scan(folder, from_scan, progress)
    smallest = smallest_changes(scan, folder=folder)
    made = map_of(scan, (), reading, None, progress, smallest)  # the ring is not needed
    tone_map = made.tone_map
    with PlateFolder.open(folder) as opened:
        plan = opened.plan(scan.scan)
    margin = plan.margin_mm if margin_mm is None else margin_mm
    check_values(plan.spacing_mm, margin, repeats)
    threshold = max(FLOOR_CENTS, made.smallest.cents or 0.0)
    found = next_taps(tone_map, scan.outline, count, margin_mm=margin, threshold_cents=threshold)
    places = found.places[short_route(found.places)]
    taps = tuple(
        PlannedTap(number, round(float(x), 3), round(float(y), 3))
        for number, (x, y) in enumerate(places)
    )
    fresh = Plan(scan.face, scan.strength, plan.spacing_mm, float(margin), repeats, taps)
    planned = TapPlan(fresh, path_length_mm(fresh.places()))
    if out is not None:
        from rig.report.tables import write_table

        write_table(out, ("tap", "x_mm", "y_mm"), [(t.number, t.x_mm, t.y_mm) for t in taps])
        planned = replace(planned, csv=out)
    if picture is not None:
        from rig.report.plan_figure import plan_picture

        plan_picture(fresh, scan.outline, picture)
        planned = replace(planned, picture=picture)
    notes: tuple[str, ...] = (_ALL_NEEDED,) if tone_map.reading == "local" else ()
    if len(taps) < count:
        notes += (f"There is room for {len(taps)} further taps only.",)
    return DoubtfulPlan(planned, scan.scan, tone_map.reading, found, scan.simulated, notes)
