"""Which scans a report shows when nobody has said so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rig.jobs.further_taps import begun_with

if TYPE_CHECKING:
    from rig.archive.rows import ScanSummary

LEAST_TAPS = 12  # a few knocks to try the microphone are no scan to report on
ENOUGH = 0.8  # of the planned taps: below it a scan that was broken off is passed over


@dataclass(frozen=True)
class Choice:
    """Scans by name; chosen: whether comparison and other face were not asked for by name."""

    scan: str | None
    other_face: str | None = None
    before: str | None = None
    after: str | None = None
    chosen: bool = False


def choose(folder: Path) -> Choice:
    """The latest scan, the one before it of the same face and strength, the other face's latest.

    Raises the folder's own errors, FolderError where there is no scan at all.
    """
    from rig.archive.plate_folder import PlateFolder

    with PlateFolder.open(folder) as opened:
        return choose_of(opened.scans(), opened.latest_scan())


def choose_of(scans: Sequence[ScanSummary], latest: str) -> Choice:
    """The same from the summaries, oldest first; latest: what to show when none is whole."""
    whole = [s for s in scans if s.taps_done >= max(LEAST_TAPS, ENOUGH * s.taps_planned)]
    if not whole:
        return Choice(latest)
    now = whole[-1]
    alike = [s for s in whole[:-1] if (s.face, s.strength) == (now.face, now.strength)]
    further_to = {s.scan: s.further_to for s in scans}
    state = begun_with(now.scan, further_to)
    earlier = [s for s in alike if begun_with(s.scan, further_to) != state]
    other = [s for s in whole if s.face != now.face]
    others = [s for s in other if s.strength == now.strength] or other
    return Choice(
        now.scan,
        other_face=others[-1].scan if others else None,
        before=earlier[-1].scan if earlier else None,
        after=now.scan if earlier else None,
        chosen=True,
    )
