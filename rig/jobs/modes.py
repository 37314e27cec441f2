"""The verb `modes`: shapes of the plate's partials, and how like those of another scan they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord

if TYPE_CHECKING:
    from rig.field.plate_modes import ModePair, PlateModes


@dataclass(frozen=True)
class ModesResult:
    """The modes of one scan; `against` and `pairs` where another one was given."""

    modes: PlateModes
    against: PlateModes | None = None
    pairs: tuple[ModePair, ...] = ()
    figures: tuple[Path, ...] = ()

    @property
    def likeness(self) -> tuple[list[float | None] | None, str | None]:
        """Of each mode the likeness to its partner, and the scan that was compared with."""
        if self.against is None:
            return None, None
        return [pair.mac for pair in self.pairs], self.against.scan

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig modes --json`."""
        made = self.modes
        entries = []
        for number, mode in enumerate(made.modes):
            entry: dict[str, Any] = {
                "hz": round(mode.hz, 3),
                "sd_hz": round(mode.sd_hz, 4),
                "decay_s": round(mode.decay_s, 5),
                "level_db": round(mode.level_db, 1),
                "in_phase_share": round(mode.in_phase_share, 4),
                "signal_to_noise_db": round(mode.signal_to_noise_db, 1),
                "quality": mode.quality,
                "reasons": list(mode.reasons),
                "points": [
                    {
                        "tap": int(tap),
                        "x_mm": round(float(x), 2),
                        "y_mm": round(float(y), 2),
                        "amplitude": round(float(amplitude), 4),
                        "sd": round(float(sd), 4),
                    }
                    for tap, (x, y), amplitude, sd in zip(
                        made.taps, made.places, mode.amplitude, mode.sd, strict=True
                    )
                ],
                "nodal_lines": [
                    [{"x_mm": round(float(x), 1), "y_mm": round(float(y), 1)} for x, y in line]
                    for line in made.nodal_lines[number]
                ],
                "mac": None,
                "against_hz": None,
            }
            if self.against is not None:
                pair = self.pairs[number]
                if pair.partner is not None and pair.mac is not None:
                    entry["mac"] = round(pair.mac, 4)
                    entry["against_hz"] = round(self.against.modes[pair.partner].hz, 3)
            entries.append(entry)
        return {
            "scan": made.scan,
            "against": None if self.against is None else self.against.scan,
            "face": made.face,
            "normalised": made.normalised,
            "simulated": made.simulated,
            "left_out": [{"hz": round(hz, 3), "reason": why} for hz, why in made.left_out],
            "modes": entries,
            "figures": [str(path) for path in self.figures],
        }


def modes(
    folder: Path | str,
    scan: str | None = None,
    *,
    against: str | None = None,
    highest_hz: float = 1500.0,
    picture: Path | None = None,
    figures: Path | None = None,
    progress: Progress = silent,
) -> ModesResult:
    """Read the modes of one scan off all its taps; scan None: the latest.

    against: another scan of the same plate to compare with. picture: where to draw them on one
    sheet; figures: a directory for a picture of each. Raises AnalysisError when there are too few
    taps, the folder's own errors, UsageError for a kind of picture that is not known.
    """
    from rig.jobs.pictures import check_kind
    from rig.jobs.scan_readings import load_scan

    if picture is not None:
        check_kind(picture)
    result = modes_of(
        load_scan(folder, scan, progress),
        None if against is None else load_scan(folder, against, progress),
        highest_hz=highest_hz,
        progress=progress,
    )
    if picture is not None:
        draw_modes(result, picture, progress=progress)
    if figures is not None:
        return replace(result, figures=tuple(draw_each(result, figures, progress=progress)))
    return result


def modes_of(
    record: ScanRecord,
    against: ScanRecord | None = None,
    *,
    rings: Sequence[tuple[RingPartial, ...]] | None = None,
    highest_hz: float = 1500.0,
    progress: Progress = silent,
) -> ModesResult:
    """The same for scans already in memory; rings: their pooled partials where these are known."""
    from rig.field.plate_modes import matched, plate_modes
    from rig.jobs.scan_readings import pooled_ring

    records = [record] if against is None else [record, against]
    found = []
    for number, one in enumerate(records):
        progress(ProgressEvent("Reading the modes", number, len(records)))
        ring = pooled_ring(one) if rings is None else rings[number]
        found.append(plate_modes(one, ring, highest_hz=highest_hz))
    progress(ProgressEvent("Reading the modes", len(records), len(records)))
    if against is None:
        return ModesResult(found[0])
    return ModesResult(found[0], found[1], matched(found[0], found[1]))


def draw_modes(made: ModesResult, path: Path, *, progress: Progress = silent) -> Path:
    """Draw all modes on one sheet. Raises UsageError for a kind not known, StorageFullError."""
    from rig.jobs.pictures import check_kind, saved
    from rig.report.mode_figures import modes_sheet

    check_kind(path)
    progress(ProgressEvent("Drawing", 0, 1))
    return saved(modes_sheet(made.modes, *made.likeness), path, progress)


def draw_each(made: ModesResult, directory: Path, *, progress: Progress = silent) -> list[Path]:
    """Draw every mode into a PNG of its own, named by scan and frequency; StorageFullError."""
    from rig.jobs.pictures import saved
    from rig.report.mode_figures import mode_sheet

    paths = []
    for number, mode in enumerate(made.modes.modes):
        progress(ProgressEvent("Drawing the modes", number, len(made.modes.modes)))
        path = directory / f"{made.modes.scan}-mode-{number + 1:02d}-{mode.hz:.0f}-Hz.png"
        paths.append(saved(mode_sheet(made.modes, number, *made.likeness), path, silent))
    progress(ProgressEvent("Drawing the modes", len(paths), len(paths)))
    return paths
