"""What a map is to be held against, as people name it: a target, a scan or a drawn profile."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from rig.model.errors import UsageError
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind, TargetKind

if TYPE_CHECKING:
    from rig.field.targets import Against
    from rig.model.drawn_profile import DrawnProfile

_SCAN = re.compile(r"S\d{4,}", re.IGNORECASE)
_NAMES = (
    "Name flat, smooth, mirror, other-face, an earlier scan such as S0001, or a CSV file with the "
    "columns x_mm,y_mm,target_cents."
)


@dataclass(frozen=True)
class WantedTarget:
    """kind None: the usual one of the reading; other, profile: what the target is taken from."""

    kind: TargetKind | None = None
    other: ScanRecord | None = None
    profile: DrawnProfile | None = None

    def against(self, reading: ReadingKind, progress: Progress = silent) -> Against | None:
        """The other scan read as the map is, or the drawing; None where there is neither."""
        if self.other is None:
            return self.profile
        from rig.field.given_targets import OtherTones
        from rig.jobs.tones import tones_of

        other = self.other
        return OtherTones(other.scan, other.face, tones_of(other, reading, progress))


def wanted_target(
    folder: Path | str, scan: str | None, named: str | None, progress: Progress = silent
) -> WantedTarget:
    """Find what the name of a target means for one scan; scan None: the latest.

    Raises UsageError for a name that is none, a scan that is not earlier, or a drawing that cannot
    be; FolderError where the folder has no such scan.
    """
    if named is None or named in ("flat", "smooth graduation", "mirror side"):
        return WantedTarget(named)  # type: ignore[arg-type]  # one of TargetKind, see the line above
    if named.lower().endswith(".csv"):
        from rig.archive.profile_files import read_profile

        return WantedTarget("drawn profile", profile=read_profile(named))
    if named != "other face" and not _SCAN.fullmatch(named):
        kinds = ", ".join(get_args(TargetKind))
        raise UsageError(f"There is no target “{named}” ({kinds}).", remedy=_NAMES)
    from rig.jobs.scan_readings import load_scan

    other, kind = _other_scan(folder, scan, None if named == "other face" else named.upper())
    return WantedTarget(kind, other=load_scan(folder, other, progress))


def _other_scan(folder: Path | str, scan: str | None, named: str | None) -> tuple[str, TargetKind]:
    """The scan that is meant and what it is to the map's scan; named None: the other face."""
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.report_choice import LEAST_TAPS

    with PlateFolder.open(folder) as opened:
        order = opened.scans()  # oldest first
        now = scan or opened.latest_scan()
        for name in (now, named):
            if name is not None:
                opened.scan_row(name)  # names the scans there are when it is none of them
    here = next(one for one in order if one.scan == now)
    if named is None:
        other = [one for one in order if one.face != here.face and one.taps_done >= LEAST_TAPS]
        if not other:
            raise UsageError(
                f"The folder has no scan of the other face than {now} ({here.face}), with "
                f"{LEAST_TAPS} taps at least.",
                where=str(folder),
                remedy="Scan the other face, or choose another target.",
            )
        alike = [one for one in other if one.strength == here.strength] or other
        return alike[-1].scan, "other face"
    told = next(one for one in order if one.scan == named)
    if told.face != here.face:
        return named, "other face"
    if order.index(told) >= order.index(here):
        raise UsageError(
            f"{named} is no earlier scan than {now}, which is to be mapped.",
            where=str(folder),
            remedy="Name an earlier scan of the same face; `platerig check` lists them.",
        )
    return named, "earlier scan"
