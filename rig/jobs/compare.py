"""The verb `compare`: what changed between two scans, or how two faces, rigs, plates differ."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.calibration import NOT_STUDIED, SmallestChange
from rig.model.errors import UsageError
from rig.model.progress import Progress, silent
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import CompareKind, Comparison, ReadingKind

if TYPE_CHECKING:
    from rig.field import Surface


@dataclass(frozen=True)
class CompareResult:
    """A comparison with its two scans, and what the rig can tell apart in its reading."""

    comparison: Comparison
    before: ScanRecord
    after: ScanRecord
    smallest: SmallestChange = NOT_STUDIED

    @cached_property
    def surface(self) -> Surface:
        """The change between the places, in steps of 1 mm."""
        from rig.field import surface

        return surface(self.comparison, self.before.outline)

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig compare --json`."""
        found = self.comparison
        return {
            "before": found.before,
            "after": found.after,
            "reading": found.reading,
            "estimator": found.estimator,
            "evenness_before_cents": round(found.evenness_before_cents, 1),
            "evenness_after_cents": round(found.evenness_after_cents, 1),
            "kind": found.kind,
            "evenness_change_sd_cents": _rounded(found.evenness_change_sd_cents),
            "level_cents": _rounded(found.level_cents),
            "agreement": None
            if found.agreement is None
            else {
                "limits_cents": _rounded(found.agreement.limits_cents),
                "expected_cents": _rounded(found.agreement.expected_cents),
                "rank": _rounded(found.agreement.rank, 3),
            },
            "sentence": found.sentence,
            "cautions": list(found.cautions),
            "smallest_change_cents": found.smallest_change_cents,
            "smallest_change": self.smallest.sentence,
            "simulated": found.simulated,
            "points": [
                {
                    "x_mm": round(float(x), 2),
                    "y_mm": round(float(y), 2),
                    "change_cents": round(float(change), 1),
                    "sd_cents": round(float(sd), 1),
                    "significant": bool(certain),
                }
                for (x, y), change, sd, certain in zip(
                    found.places,
                    found.change_cents,
                    found.sd_cents,
                    found.significant,
                    strict=True,
                )
            ],
            "ring": [
                {
                    "before_hz": round(s.before_hz, 3),
                    "after_hz": round(s.after_hz, 3),
                    "change_cents": round(s.change_cents, 2),
                    "sd_cents": round(s.sd_cents, 2),
                }
                for s in found.ring
            ],
            "zones": [
                {
                    "x_mm": round(z.x_mm, 1),
                    "y_mm": round(z.y_mm, 1),
                    "area_mm2": round(z.area_mm2),
                    "change_cents": round(z.change_cents, 1),
                    "sd_cents": round(z.sd_cents, 1),
                    "confidence": round(z.confidence, 4),
                }
                for z in found.zones
            ],
        }


def _rounded(value: float | None, digits: int = 1) -> float | None:
    return None if value is None else round(value, digits)


def compare(
    folder: Path | str,
    before: str,
    after: str,
    reading: ReadingKind | None = None,
    progress: Progress = silent,
    *,
    other: Path | str | None = None,
    kind: CompareKind | None = None,
    records: Path | str | None = None,
    rig: Path | str | None = None,
) -> CompareResult:
    """Compare two scans of one plate folder, or of two.

    other: the folder of the later scan, where it lies in another one. kind: what differs; None:
    two faces or two strengths where the scans differ in them, two plates where there is another
    folder, else a change by work. Two rigs and two plates are compared by maps read independently,
    plates scaled to each other. records, rig: where the rig's repeatability study lies; without
    them beside the plate folder. Raises UsageError where the scans do not fit what is asked, or
    are the same, AnalysisError when they have nothing in common.
    """
    if before == after and other is None:
        raise UsageError(
            "Before and after are the same scan.",
            where=before,
            remedy="Name two different scans; `platerig check` lists them.",
        )
    from rig.jobs.calibrate_records import smallest_changes
    from rig.jobs.scan_readings import load_scan
    from rig.jobs.tones import ring_of

    first = load_scan(folder, before, progress)
    second = load_scan(folder if other is None else other, after, progress)
    wanted = _kind(first, second, kind, two_folders=other is not None)
    if other is None:
        _require_apart(folder, first.scan, second.scan)
    else:
        first, second = (replace(s, scan=f"{s.facts.name} {s.scan}") for s in (first, second))
    rings = ring_of(first, progress), ring_of(second, progress)
    smallest = smallest_changes(second, folder=other or folder, records=records, rig=rig)
    return comparison_of(first, second, rings, reading, progress, smallest, kind=wanted)


def _require_apart(folder: Path | str, first: str, second: str) -> None:
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.further_taps import begun_with

    with PlateFolder.open(folder) as opened:
        further_to = {scan.scan: scan.further_to for scan in opened.scans()}
    state = begun_with(first, further_to)
    if state == begun_with(second, further_to):
        more, less = (first, second) if further_to[first] is not None else (second, first)
        raise UsageError(
            f"{more} holds further taps of {state}"
            f"{'' if less == state else f', as {less} does'}: both tell of one state of the plate "
            "and are read together.",
            remedy="Compare with a scan that was made after work.",
        )


def _kind(
    first: ScanRecord, second: ScanRecord, asked: CompareKind | None, *, two_folders: bool
) -> CompareKind:
    """What is compared; raises UsageError where the scans are not of that kind."""
    from rig.field.comparison import kind_of

    seen = kind_of(first, second)
    wanted = asked or ("plates" if two_folders else seen)
    if wanted not in ("rigs", "plates"):
        if two_folders:
            raise UsageError(
                "Scans of two folders are compared as two plates or as two rigs.",
                remedy="Say --as plates or --as rigs; scans of one plate belong in one folder.",
            )
        unlike = {"change": True, "faces": first.face != second.face}
        if not unlike.get(wanted, first.strength != second.strength):
            raise UsageError(
                f"{first.scan} and {second.scan} do not compare as {wanted}: both were struck "
                f"{first.strength} on the {first.face} face.",
                remedy="Leave --as out, and it is told by the scans themselves.",
            )
    elif seen != "change":
        raise UsageError(
            f"Two {wanted} are compared by scans of the same face and strength; these are "
            f"{first.face}, {first.strength} and {second.face}, {second.strength}.",
            remedy="Scan both alike.",
        )
    if wanted == "plates" and not two_folders:
        raise UsageError(
            "Two plates lie in two folders.", remedy="Name the other one: --with OTHER.plate."
        )
    return wanted


def comparison_of(
    before: ScanRecord,
    after: ScanRecord,
    rings: tuple[tuple[RingPartial, ...], tuple[RingPartial, ...]],
    reading: ReadingKind | None = None,
    progress: Progress = silent,
    smallest: Mapping[ReadingKind, SmallestChange] | None = None,
    *,
    kind: CompareKind | None = None,
) -> CompareResult:
    """The same for scans already in memory, with the pooled rings of both.

    smallest: by reading, what the rig can tell apart.
    """
    from rig.field import compare_scans
    from rig.jobs.tones import change_of, tones_of

    known = smallest or {}
    tones, change = None, None
    if kind in ("rigs", "plates"):
        tones = tones_of(before, reading, progress), tones_of(after, reading, progress)
    else:
        change = change_of(before, after, reading, progress)
    found = compare_scans(
        before,
        after,
        kind=kind,
        reading=reading,
        tones=tones,
        change=change,
        ring_before=rings[0],
        ring_after=rings[1],
        smallest_change_cents={
            kind: change.cents for kind, change in known.items() if change.cents is not None
        },
        progress=progress,
    )
    return CompareResult(found, before, after, known.get(found.reading, NOT_STUDIED))
