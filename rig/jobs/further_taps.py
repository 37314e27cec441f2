"""`scan --where doubtful`: a second scan of chosen spots, and how it is read with the first.

Local tone is read from all taps together, so that a few further taps say nothing by themselves.
They are a scan of their own in the folder, recorded and resumed like any other, which names the
scan that it adds to (`further_to` in its origin); whenever it is read, the taps of both are taken
together. That holds as long as plate and microphone stay where they were: every partial reaches
the microphone by its own way, and the fit knows one such way for each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rig.model.errors import PictureError, UsageError
from rig.model.frames import Pose
from rig.model.outline import Outline
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind

if TYPE_CHECKING:
    from rig.model.plan import Plan

# Against the waves in the air, 60 mm long at the top of what is read of local tone. The camera
# finds a plate that lies still again to 0.3 mm.
STILL_MM = 3.0


@dataclass(frozen=True)
class FurtherTaps:
    """What is to be tapped besides, and where the plate lay in the scan it adds to."""

    plan: Plan
    further_to: str
    pose: Pose | None
    world: str | None
    rig_file: str | None
    seed: int | None

    def require_still(self, pose: Pose, outline: Outline) -> None:
        """Raise PictureError where the plate does not lie as it did."""
        from rig.jobs.scan_places import moved_by_mm

        if self.pose is None:
            return
        moved_mm = moved_by_mm(outline, self.pose, pose)
        if moved_mm <= STILL_MM:
            return
        raise PictureError(
            f"The plate lies {moved_mm:.1f} mm from where it lay in {self.further_to}: further "
            "taps are read together with those, and only as long as plate and microphone stay "
            "where they were.",
            remedy="Scan the whole plate anew, without --where doubtful.",
        )


def further_taps(
    folder: Path | str,
    *,
    from_scan: str | None = None,
    count: int = 40,
    reading: ReadingKind | None = None,
    repeats: int = 1,
    world: str | None = None,
    rig_file: Path | str | None = None,
    progress: Progress = silent,
) -> FurtherTaps:
    """Plan `count` taps where the map of a scan (None: the latest) is least sure of what matters.

    world, rig_file: where they are to be made; the rig of that scan if left out. Raises UsageError
    where that was another one, and what `rig.jobs.doubtful` raises.
    """
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.doubtful import doubtful_plan

    with PlateFolder.open(folder) as opened:
        name = from_scan or opened.latest_scan()
        origin, pose = opened.origin(name), opened.pose(name)
    if origin.get("moves"):  # it slipped on the way
        pose = Pose(**origin["moves"][-1]["pose"])
    made_on = origin.get("world") or origin.get("rig_file")
    if made_on is None:
        raise UsageError(
            f"{name} was not made by a rig, so a rig cannot add taps to it.",
            where=str(folder),
            remedy="`platerig plan --where doubtful` tells where to tap by hand.",
        )
    given = world or (None if rig_file is None else str(Path(rig_file).resolve()))
    if given is not None and given != made_on:
        raise UsageError(
            f"{name} was made on {made_on}, not on {given}: taps of two rigs are not read "
            "together.",
            remedy="Leave --virtual and --rig out, or scan the whole plate.",
        )
    found = doubtful_plan(
        folder, from_scan=name, count=count, reading=reading, repeats=repeats, progress=progress
    )
    return FurtherTaps(
        found.planned.plan, name, pose, origin.get("world"), origin.get("rig_file"),
        origin.get("seed"),
    )  # fmt: skip


def runs_on_real_rig(folder: Path | str, from_scan: str | None) -> bool:
    """Whether further taps on this folder would move a real rig. Raises FolderError."""
    from rig.archive.plate_folder import PlateFolder

    with PlateFolder.open(folder) as opened:
        return "rig_file" in opened.origin(from_scan or opened.latest_scan())


def begun_with(scan: str, further_to: Mapping[str, str | None]) -> str:
    """The whole scan that a scan's further taps add to in the end; itself for a whole scan.

    further_to: of every scan of the folder. Scans with one answer tell of one state of the plate.
    """
    seen = {scan}
    while (before := further_to.get(scan)) is not None and before not in seen:
        seen.add(before)
        scan = before
    return scan


def taken_together(first: ScanRecord, further: ScanRecord) -> ScanRecord:
    """The later scan with the strikes of both, taps numbered on; noted in the record.

    Where the plate moved, or the two cannot be read together for another reason, the later scan
    stays alone, and its notes say why.
    """
    why = _apart(first, further)
    if why:
        note = f"Not read together with the taps of {first.scan}: {why}"
        return replace(further, notes=(*further.notes, note))
    offset = 1 + max((strike.tap for strike in first.strikes), default=-1)
    strikes = tuple(replace(strike, tap=strike.tap + offset) for strike in further.strikes)
    count = len(first.tap_places()[0])
    note = f"Read together with the {count} taps of {first.scan}."
    return replace(
        further,
        spacing_mm=first.spacing_mm,
        strikes=(*first.strikes, *strikes),
        notes=(*first.notes, *further.notes, note),
    )


def _apart(first: ScanRecord, further: ScanRecord) -> str:
    """Why two scans are not read together; empty where they are."""
    if (first.face, first.strength) != (further.face, further.strength):
        return "another face or strength."
    places = first.microphone_xyz_mm, further.microphone_xyz_mm
    if places[0] is not None and places[1] is not None:
        moved = float(np.linalg.norm(np.subtract(places[1], places[0])))
        if moved > 2.0 * STILL_MM:
            return f"the microphone stands {moved:.0f} mm elsewhere over the plate."
    rates = {s.clip.sample_rate_hz for s in (*first.strikes, *further.strikes)}
    if len(rates) > 1:
        return "they were recorded at different sample rates."
    return ""
