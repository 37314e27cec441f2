"""What a plate folder holds, for somebody who wants to look at it: scans, taps, verdicts."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.progress import Progress, silent

if TYPE_CHECKING:
    from rig.archive.rows import ScanSummary
    from rig.model.frames import Pose
    from rig.model.outline import Outline
    from rig.model.plate_facts import PlateFacts


@dataclass(frozen=True)
class TapState:
    """One planned tap: where, and what has come of it.

    state: "planned", "done", "doubtful", "bad" (its reading, or left out by hand). attack_hz and
    tone_hz: of the newest strike in use; None with `reasons`.
    """

    tap: int
    x_mm: float
    y_mm: float
    state: str
    attack_hz: float | None = None
    tone_hz: float | None = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Overview:
    """A folder at a glance; taps are those of `scan`, None where there is no scan yet."""

    folder: Path
    facts: PlateFacts
    outline: Outline | None
    outline_source: str | None
    scans: tuple[ScanSummary, ...]
    unfinished: str | None
    resumes_on: str | None  # the world or rig file of the unfinished scan
    scan: str | None
    pose: Pose | None
    taps: tuple[TapState, ...] = ()

    @property
    def simulated(self) -> bool:
        """Whether the scan shown was made on the virtual rig."""
        return any(one.simulated for one in self.scans if one.scan == self.scan)

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "plate": str(self.folder),
            "name": self.facts.name,
            "facts": {n: v for n, v in asdict(self.facts).items() if v is not None},
            "scans": [one.as_json() for one in self.scans],
            "unfinished": self.unfinished,
            "scan": self.scan,
            "taps": [vars(tap) for tap in self.taps],
        }


def overview(
    folder: Path | str, scan: str | None = None, *, progress: Progress = silent
) -> Overview:
    """Look into a folder without changing it; scan None: the latest. Raises FolderError."""
    from rig.archive.plate_folder import PlateFolder

    del progress  # done in a moment
    with PlateFolder.open(folder) as opened:
        scans = tuple(opened.scans())
        name = scan or (opened.latest_scan() if scans else None)
        unfinished = opened.unfinished_scan()
        origin = {} if unfinished is None else opened.origin(unfinished)
        return Overview(
            folder=opened.path,
            facts=opened.facts,
            outline=opened.outline,
            outline_source=opened.outline_source,
            scans=scans,
            unfinished=unfinished,
            resumes_on=origin.get("world") or origin.get("rig_file"),
            scan=name,
            pose=None if name is None else opened.pose(name),
            taps=() if name is None else _taps(opened, name),
        )


def _taps(opened: Any, scan: str) -> tuple[TapState, ...]:
    newest: dict[int, Any] = {}
    if opened.outline is not None:
        for strike in opened.scan_record(scan, with_clips=False).strikes:
            if not strike.superseded:
                newest[strike.tap] = strike
    found = []
    for tap in opened.plan(scan).taps:
        strike = newest.get(tap.number)
        if strike is None:
            found.append(TapState(tap.number, tap.x_mm, tap.y_mm, "planned"))
            continue
        reading = strike.reading
        if reading is None:
            found.append(TapState(tap.number, strike.x_mm, strike.y_mm, "done"))
            continue
        state = "done" if reading.quality == "good" else reading.quality
        found.append(
            TapState(
                tap.number, strike.x_mm, strike.y_mm, state,
                reading.attack_hz, reading.tone_hz, reading.reasons,
            )
        )  # fmt: skip
    return tuple(found)
