"""From a tap set into a plate folder: one scan for each face and strength."""

from __future__ import annotations

import hashlib
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.archive.naming import existing_folder, folder_path
from rig.archive.plate_folder import PlateFolder
from rig.archive.sound_files import read_clip_file
from rig.archive.stand_in_outline import CAUTION, nearest_distance_mm, outline_round
from rig.archive.tap_set import Rejected, TapSet, TapSetRow, read_tap_set
from rig.model.arch_heights import checked_heights
from rig.model.clip import Clip
from rig.model.errors import FolderMissingError, OutlineError, RecordingError, TapSetError
from rig.model.frames import PlateXY
from rig.model.glued_bars import checked_bars, text_of_bar
from rig.model.outline import Outline
from rig.model.plan import Plan, PlannedTap
from rig.model.plate_facts import PlateFacts
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanState

_SAME_OUTLINE_MM = 1.0


@dataclass(frozen=True)
class Gathered:
    """What came of a tap set.

    scan: the first of `scans`, None when no recording could be used; taps and strikes count over
    all of `scans`. rejected: each recording left out, with its reason. cautions: plain sentences.
    """

    scan: str | None
    scans: tuple[str, ...]
    taps: int
    strikes: int
    rejected: tuple[Rejected, ...]
    cautions: tuple[str, ...] = field(default=())

    def as_json(self) -> dict[str, Any]:
        """The JSON contract of `platerig gather`."""
        return {
            "scan": self.scan,
            "taps": self.taps,
            "strikes": self.strikes,
            "rejected": [one.as_json() for one in self.rejected],
            "scans": list(self.scans),
            "cautions": list(self.cautions),
        }


def gather_tap_set(
    directory: Path | str,
    folder: Path | str,
    progress: Progress = silent,
    *,
    again: bool = False,
) -> Gathered:
    """Take every usable recording of a tap set into a folder, made anew if there is none.

    Nothing is made or changed when no recording is usable. again: also where the folder has the
    very same recordings already, and no outline to gain. Raises TapSetError, OutlineError,
    PlateFactsError and what opening a folder raises.
    """
    tap_set = read_tap_set(directory)
    cautions = list(tap_set.cautions)
    rejected = list(tap_set.rejected)
    try:
        path = existing_folder(folder)
    except FolderMissingError:
        path = None
    known = None
    if path is not None:
        with PlateFolder.open(path) as existing:
            known = None if existing.outline_source == "stand-in" else existing.outline
    outline = _outline_to_use(tap_set, known, cautions)
    if outline is not None:
        _check_facts(tap_set, outline)
    rows = _usable_rows(tap_set, outline, rejected, progress)
    if not rows:
        return Gathered(None, (), 0, 0, tuple(rejected), tuple(cautions))
    new_outline = known is None and tap_set.outline is not None
    if path is not None and not new_outline and not again:
        _require_new(path, tap_set, rows)
    stand_in = None
    if outline is None:
        places = np.array([(row.x_mm, row.y_mm) for row in rows], dtype=np.float64)
        stand_in = _stand_in(places, tap_set, rejected)
        cautions.append(CAUTION)
    with _open(path, folder, tap_set, cautions) as target:
        if known is None:
            chosen, source = (outline, "tap set") if outline else (stand_in, "stand-in")
            if chosen is not None:
                target.set_outline(chosen, source=source)
        scans, taps, strikes = _store_all(target, tap_set, rows, rejected, cautions, progress)
    return Gathered(scans[0], tuple(scans), taps, strikes, tuple(rejected), tuple(cautions))


def _grouped(rows: Sequence[TapSetRow]) -> list[list[TapSetRow]]:
    """The rows of each scan to be: one for every face and strength, in the order of the file."""
    groups: dict[tuple[str, str], list[TapSetRow]] = defaultdict(list)
    for row in rows:
        groups[row.face, row.strength].append(row)
    return list(groups.values())


def _fingerprint(tap_set: TapSet, rows: Sequence[TapSetRow]) -> str:
    """A mark of these recordings at these places, whatever the files are called."""
    marks = []
    for row in rows:
        try:
            sound = hashlib.sha256((tap_set.directory / row.file).read_bytes()).hexdigest()
        except OSError:  # gone since it was looked at; storing tells of it
            sound = "missing"
        marks.append(f"{row.face} {row.strength} {row.x_mm:.3f} {row.y_mm:.3f} {sound}")
    return hashlib.sha256("\n".join(sorted(marks)).encode()).hexdigest()


def _require_new(path: Path, tap_set: TapSet, rows: Sequence[TapSetRow]) -> None:
    """Refuse recordings that were gathered before; a gathering cut short may be made good."""
    with PlateFolder.open(path) as existing:
        known = {
            str(existing.origin(scan.scan).get("recordings")): scan.scan
            for scan in existing.scans()
            if scan.state is ScanState.FINISHED
        }
    found = [known.get(_fingerprint(tap_set, group)) for group in _grouped(rows)]
    scans = [scan for scan in found if scan is not None]
    if scans and len(scans) == len(found):
        raise TapSetError(
            f"These recordings are in {path.name} already, as {' and '.join(scans)}.",
            where=str(tap_set.directory),
            remedy=f"Go on with {scans[0]}; to take them in once more all the same, add --again.",
        )


def _stand_in(
    places: NDArray[np.float64], tap_set: TapSet, rejected: Sequence[Rejected]
) -> Outline:
    """A rim round the taps; where they are too few, what was left out belongs to the reason."""
    try:
        return outline_round(PlateXY(places), where=str(tap_set.directory))
    except OutlineError as problem:
        if not rejected:
            raise
        first = rejected[0]
        raise OutlineError(
            problem.what,
            where=problem.where,
            remedy=f"{problem.remedy} {len(rejected)} left out as well; the first, {first.file}: "
            f"{first.reason}.",
        ) from None


def _check_facts(tap_set: TapSet, outline: Outline) -> None:
    """Heights and bars against the outline that holds, which may be the folder's own."""
    where = str(tap_set.directory)
    if tap_set.facts.get("arch_heights_mm") is not None:
        checked_heights(tap_set.facts["arch_heights_mm"], outline, where=where)
    checked_bars(tap_set.facts.get("bars") or (), outline, where=where)


def _outline_to_use(tap_set: TapSet, known: Outline | None, cautions: list[str]) -> Outline | None:
    """The folder's own outline comes first; a tap set that disagrees with it is told so."""
    if known is None or tap_set.outline is None:
        return known or tap_set.outline
    apart = max(
        float(known.edge_distance_mm(tap_set.outline.rim).max()),
        float(tap_set.outline.edge_distance_mm(known.rim).max()),
    )
    if apart > _SAME_OUTLINE_MM:
        cautions.append(
            f"The tap set's outline differs from the folder's by up to {apart:.1f} mm; "
            "the folder's was kept."
        )
    return known


def _usable_rows(
    tap_set: TapSet, outline: Outline | None, rejected: list[Rejected], progress: Progress
) -> list[TapSetRow]:
    """Rows on the plate whose recording can be read, all of one sample rate per face."""
    found: list[tuple[TapSetRow, int]] = []
    for number, row in enumerate(tap_set.rows, start=1):
        progress(ProgressEvent("reading recordings", number, len(tap_set.rows)))
        place = np.array([[row.x_mm, row.y_mm]])
        if outline is not None and not bool(outline.contains(place)[0]):
            gap = float(outline.edge_distance_mm(place)[0])
            reason = (
                f"({row.x_mm:g}, {row.y_mm:g}) mm is off the wood, {gap:.1f} mm from its nearest "
                f"edge (taps.csv line {row.line})"
            )
            rejected.append(Rejected(row.file, reason))
            continue
        try:
            clip = _read(tap_set, row)
        except RecordingError as problem:
            rejected.append(Rejected(row.file, f"{problem.what} {problem.remedy}".strip()))
            continue
        found.append((row, clip.sample_rate_hz))
    if not found:
        return []
    common = Counter(rate for _, rate in found).most_common(1)[0][0]
    for row, rate in found:
        if rate != common:
            reason = (
                f"it has {rate} samples a second where most of the set has {common}; "
                "record all taps at one rate"
            )
            rejected.append(Rejected(row.file, reason))
    return [row for row, rate in found if rate == common]


def _read(tap_set: TapSet, row: TapSetRow) -> Clip:
    clip = read_clip_file(
        tap_set.directory / row.file,
        mic_channel=row.mic_channel,
        pickup_channel=row.pickup_channel,
    )
    if not clip.samples[:, row.mic_channel].any():
        raise RecordingError(f"The microphone channel ({row.mic_channel}) is silent throughout.")
    strike = row.strike_sample
    if strike is not None and strike >= len(clip.samples):
        raise RecordingError(f"strike_sample {strike} lies behind the end of the recording.")
    return replace(
        clip,
        strike_sample=strike,
        strike_speed_m_s=row.strike_speed_m_s,
        rebound_ratio=row.rebound_ratio,
        full_scale=row.full_scale or clip.full_scale,
    )


def _open(
    path: Path | None, folder: Path | str, tap_set: TapSet, cautions: list[str]
) -> PlateFolder:
    facts = {name: value for name, value in tap_set.facts.items() if value is not None}
    if path is None:
        facts.setdefault("name", folder_path(folder).stem)
        return PlateFolder.create(folder, PlateFacts(**facts))
    target = PlateFolder.open(path, write=True)
    kept = target.facts
    fresh = {}
    for name, value in facts.items():
        own = getattr(kept, name)
        if own is None:
            fresh[name] = value
        elif own != value and name not in ("temperature_c", "humidity_percent", "notes", "name"):
            cautions.append(_kept(name, value, own))
    if fresh:
        target.update_facts(**fresh)
    return target


def _kept(name: str, value: Any, own: Any) -> str:
    if name == "arch_heights_mm":
        return "heights.csv differs from the heights that the folder has; the folder's were kept."
    if name == "bars":
        value, own = ([text_of_bar(bar) for bar in bars] for bars in (value, own))
    return f"plate.toml says {name} = {value}, the folder {own}, which was kept."


def _store_all(
    target: PlateFolder,
    tap_set: TapSet,
    rows: Sequence[TapSetRow],
    rejected: list[Rejected],
    cautions: Sequence[str],
    progress: Progress,
) -> tuple[list[str], int, int]:
    """One scan per face and strength, in the order of the file; scans, taps and strikes."""
    scans, taps, strikes = [], 0, 0
    for members in _grouped(rows):
        plan, numbers = _plan_of(members, target.outline)
        origin: dict[str, Any] = {
            "gathered_from": tap_set.directory.name,
            "recordings": _fingerprint(tap_set, members),
            "simulated": tap_set.simulated,
            "microphone_xyz_mm": tap_set.microphone_xyz_mm,
            "temperature_c": tap_set.facts.get("temperature_c"),
            "humidity_percent": tap_set.facts.get("humidity_percent"),
            "mass_g": tap_set.facts.get("mass_g"),
            "notes": list(cautions),
        }
        scan = target.new_scan(plan, origin=origin)
        target.set_state(scan, ScanState.RUNNING, "gathering")
        for row, (tap, repeat) in zip(members, numbers, strict=True):
            try:
                clip = _read(tap_set, row)
            except RecordingError as problem:  # the file changed while we were at it
                rejected.append(Rejected(row.file, problem.what))
                continue
            target.store_strike(
                scan,
                tap=tap,
                repeat=repeat,
                x_mm=row.x_mm,
                y_mm=row.y_mm,
                clip=clip,
                source=row.file,
            )
            strikes += 1
            where: dict[str, object] = {"x_mm": row.x_mm, "y_mm": row.y_mm}
            progress(ProgressEvent("storing", strikes, len(rows), detail=where))
        target.set_state(scan, ScanState.FINISHED, "gathered from recordings")
        scans.append(scan)
        taps += len(plan.taps)
    return scans, taps, strikes


def _plan_of(
    rows: Sequence[TapSetRow], outline: Outline | None
) -> tuple[Plan, list[tuple[int, int]]]:
    """The plan that the recordings amount to, and each row's tap and repeat.

    A repeat that is not given, or given twice, takes the next free number of its tap.
    """
    taps: dict[tuple[float, float], int] = {}
    taken: dict[int, set[int]] = defaultdict(set)
    numbers = []
    for row in rows:
        tap = taps.setdefault((round(row.x_mm, 2), round(row.y_mm, 2)), len(taps))
        repeat = row.repeat
        if repeat is None or repeat in taken[tap]:
            repeat = next(n for n in range(len(rows) + 1) if n not in taken[tap])
        taken[tap].add(repeat)
        numbers.append((tap, repeat))
    first: dict[int, TapSetRow] = {}
    for row, (tap, _) in zip(rows, numbers, strict=True):
        first.setdefault(tap, row)
    places = PlateXY(np.array([(row.x_mm, row.y_mm) for row in first.values()], dtype=np.float64))
    spacing = nearest_distance_mm(places)
    margin = 0.0
    if outline is not None:
        margin = float(outline.edge_distance_mm(places).min())
        spacing = spacing or max(outline.size_mm)
    plan = Plan(
        face=rows[0].face,
        strength=rows[0].strength,
        spacing_mm=round(spacing or 0.0, 3),
        margin_mm=round(margin, 3),
        repeats=min(len(repeats) for repeats in taken.values()),
        taps=tuple(PlannedTap(tap, row.x_mm, row.y_mm) for tap, row in first.items()),
    )
    return plan, numbers
