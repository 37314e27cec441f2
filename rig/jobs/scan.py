"""Scan a plate: find it, plan, tap it all over, store every strike. Resume a scan."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.jobs.interrupts import interrupts
from rig.jobs.locate import check_rim_height
from rig.jobs.mend import mended
from rig.model.errors import DeviceError, PictureError, UsageError
from rig.model.frames import Face, Pose, Strength
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.rig_settings import RIM_HEIGHT_MM

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.compose import Rig
    from rig.model.outline import Outline
    from rig.model.rig_settings import RigSettings
    from rig.scan import ScanControl, ScanListener, ScanOutcome

MOVED_MM = 1.5  # a plate found this far from its earlier place has been moved


@dataclass(frozen=True)
class ScanResult:
    """How the scan ended."""

    scan: str
    outcome: ScanOutcome
    simulated: bool
    warnings: tuple[str, ...] = ()  # about finding the plate

    def as_json(self) -> dict[str, Any]:
        """The JSON contract of `platerig scan`."""
        outcome = self.outcome
        return {
            "scan": self.scan,
            "taps": outcome.taps,
            "strikes": outcome.strikes,
            "retakes": outcome.retakes,
            "rejected": len(outcome.rejected),
            "wall_s": round(outcome.wall_s, 3),
            "floor_s": round(outcome.floor_s, 3),
            "state": outcome.state.value,
            "rig_s": round(outcome.rig_s, 3),
            "reason": outcome.reason,
            "simulated": self.simulated,
            "warnings": list(self.warnings),
            "rejections": [asdict(strike) for strike in outcome.rejected],
            "struck_again": [asdict(strike) for strike in outcome.struck_again],
        }


def scan(
    folder: Path | str,
    *,
    world: str | None = None,
    rig_file: Path | str | None = None,
    seed: int = 1,
    spacing_mm: float = 9.0,
    face: Face = "outer",
    strength: Strength = "light",
    repeats: int = 1,
    speed: float | None = None,
    resume: bool = False,
    max_taps: int | None = None,
    rim_height_mm: float | None = None,
    pose: Pose | None = None,
    serial_log: Path | str | None = None,
    listeners: Iterable[ScanListener] = (),
    control: ScanControl | None = None,
    plugged_in: Callable[[DeviceError], bool] | None = None,
    progress: Progress = silent,
) -> ScanResult:
    """Scan a plate on a virtual world or on the rig of a rig file, into a plate folder.

    A missing folder is made for a virtual world. resume: go on with the folder's unfinished
    scan, on the same world or rig; plan, face and strength are the stored ones. max_taps: end
    after the first so many taps of the plan, as if stopped. rim_height_mm: upper edge of the rim
    above the bed; None as before when resumed, 3 otherwise. pose: virtual worlds only, where the
    plate truly lies; the camera still has to find it. control: the three stops. Ctrl-C stops, a
    second one halts. speed: of a virtual world, 0 as fast as it can; None as before when resumed,
    1 otherwise. serial_log: a file that takes every byte of the controller's line. plugged_in:
    asked when controller or microphone are lost on a real rig: True when they are back and hands
    are clear; the rig is then homed again and the scan goes on. Nobody to ask: it ends there.

    Raises UsageError, FolderError, PictureError (plate not found or moved), DeviceError; what
    was stored is safe and the scan can be resumed.
    """
    from rig.scan import ScanControl

    _check_call(world, rig_file, resume, face, strength, max_taps, rim_height_mm)
    control = control or ScanControl()
    with ExitStack() as stack:
        stack.enter_context(interrupts(control))
        opened = stack.enter_context(_folder(folder, make=world is not None and not resume))
        if resume:
            job = _resumed(opened, world, rig_file, speed, serial_log)
        else:
            rig = _new_rig(opened, world, rig_file, seed, speed, face, pose, serial_log)
            job = _Job(None, rig, face)
        stack.callback(job.rig.close)
        control.attach(job.rig.controller.halt)  # homing can be halted too
        progress(ProgressEvent("opening the devices"))
        _open(job.rig)
        progress(ProgressEvent("looking for the plate"))
        seen = _look(opened, job, rim_height_mm)
        if job.scan is None:
            name, pose = _begin(opened, job.rig, seen, strength, spacing_mm, repeats), seen.pose
        else:
            name, pose = job.scan, _same_place(opened, job.scan, seen.pose)
        opened.store_image(name, "registration", seen.picture)
        rig = job.rig
        outcome = _run(opened, name, rig, pose, progress, listeners, control, max_taps)
        while (again := mended(rig, outcome.error, control, plugged_in)) is not None:
            rig = again
            stack.callback(rig.close)
            outcome = _run(opened, name, rig, pose, progress, listeners, control, max_taps)
        if outcome.error is not None and not control.halted:
            raise outcome.error
        return ScanResult(name, outcome, job.rig.simulated, seen.notes)


def _check_call(
    world: str | None,
    rig_file: Path | str | None,
    resume: bool,
    face: str,
    strength: str,
    max_taps: int | None,
    rim_height_mm: float | None,
) -> None:
    """Refuse a wrong call before anything is made or moved."""
    if world is not None and rig_file is not None:
        raise UsageError("A scan runs on a virtual world or on a real rig, not on both.")
    if world is None and rig_file is None and not resume:
        raise UsageError(
            "A scan needs a virtual world or a rig file.",
            remedy="Give --virtual WORLD or --rig rig.toml.",
        )
    if face not in ("outer", "inner"):
        raise UsageError(f'There is no face "{face}".', remedy='Say "outer" or "inner".')
    if strength not in ("light", "firm"):
        raise UsageError(f'There is no strength "{strength}".', remedy='Say "light" or "firm".')
    if max_taps is not None and max_taps < 1:
        raise UsageError(f"{max_taps} taps are no scan.")
    if rim_height_mm is not None:
        check_rim_height(rim_height_mm)
    if world is not None:
        from rig.virtual.worlds import world_spec

        world_spec(world)


@dataclass(frozen=True)
class _Job:
    """The rig, and the scan to resume (None: a new one)."""

    scan: str | None
    rig: Rig
    face: Face


def _new_rig(
    folder: PlateFolder,
    world: str | None,
    rig_file: Path | str | None,
    seed: int,
    speed: float | None,
    face: Face,
    pose: Pose | None,
    serial_log: Path | str | None,
) -> Rig:
    from rig.jobs.compose import compose

    rig = compose(
        world,
        rig_file,
        seed=seed,
        speed=1.0 if speed is None else speed,
        face=face,
        pose=pose,
        session=100_000 * len(folder.scans()),
        serial_log=serial_log,
    )
    if rig.facts is not None:  # scales and rulers of the virtual workshop
        known = folder.facts
        names = ("instrument", "wood", "mass_g", "arching_mm", "temperature_c",
                 "humidity_percent")  # fmt: skip
        new = {n: getattr(rig.facts, n) for n in names if getattr(known, n) is None}
        if new:
            folder.update_facts(**new)
    return rig


def _resumed(
    folder: PlateFolder,
    world: str | None,
    rig_file: Path | str | None,
    speed: float | None,
    serial_log: Path | str | None,
) -> _Job:
    """Compose the very rig of the unfinished scan."""
    from rig.jobs.compose import compose

    name = folder.unfinished_scan()
    if name is None:
        raise UsageError(
            "There is no unfinished scan to go on with.",
            where=str(folder.path),
            remedy="Start a new one without --resume.",
        )
    plan, origin = folder.plan(name), folder.origin(name)
    before = origin.get("world") or origin.get("rig_file")
    if before is None:
        raise UsageError(
            f"{name} was not made by a rig, so it cannot be resumed.", where=str(folder.path)
        )
    given = world or (str(Path(rig_file).resolve()) if rig_file is not None else None)
    if given is not None and given != before:
        raise UsageError(
            f"{name} was begun on {before}, not on {given}.",
            remedy="Resume it there, or start a new scan.",
        )
    laid = origin.get("laid")
    rig = compose(
        origin.get("world"),
        origin.get("rig_file"),
        seed=int(origin.get("seed") or 1),
        speed=float(origin.get("speed", 1.0)) if speed is None else speed,
        face=plan.face,
        pose=None if laid is None else Pose(**laid),
        session=int(origin.get("session") or 0) + 1 + len(folder.done(name)),
        serial_log=serial_log,
    )
    _require_same_rig(folder.settings(name), rig.settings, name)
    return _Job(name, rig, plan.face)


def _require_same_rig(before: RigSettings | None, now: RigSettings, scan: str) -> None:
    """Ports and devices may have other names today; the mechanics must be the same."""
    if before is None:
        return
    for what, then, today in (
        ("bed", before.bed, now.bed),
        ("tapper", before.tapper, now.tapper),
        ("limits", before.controller.limits_mm, now.controller.limits_mm),
        ("microphone position", before.microphone.position_mm, now.microphone.position_mm),
        ("sample rate", before.microphone.rate_hz, now.microphone.rate_hz),
    ):
        if then != today:
            raise UsageError(
                f"The rig file has changed since {scan} was begun: {what}.",
                remedy="Put it back as it was, or start a new scan.",
            )


def _open(rig: Rig) -> None:
    """Open the devices and drive the gantry out of the camera's view."""
    rig.controller.open()
    rig.microphone.open()
    rig.camera.open()
    rig.controller.home()


@dataclass(frozen=True)
class _Seen:
    """What the camera said of the plate."""

    pose: Pose
    outline: Outline
    picture: Any
    rim_height_mm: float
    notes: tuple[str, ...]


def _look(folder: PlateFolder, job: _Job, rim_height_mm: float | None) -> _Seen:
    """Find the plate in a fresh picture; take the outline from it where the folder has none."""
    from rig.vision.locate import locate_plate

    if rim_height_mm is None and job.scan is not None:
        rim_height_mm = folder.origin(job.scan).get("rim_height_mm")
    told_mm = RIM_HEIGHT_MM if rim_height_mm is None else rim_height_mm
    picture = job.rig.camera.frame().pixels
    stored = None if folder.outline_source == "stand-in" else folder.outline
    located = locate_plate(picture, job.rig.settings, stored, job.face, rim_height_mm=told_mm)
    first_scan = not folder.scans()
    outline = stored or located.outline
    if first_scan and located.outline is not None:
        outline = located.outline  # the stored one, with sound holes that it lacks
    if located.pose is None or outline is None:
        raise PictureError(
            f"The plate was not found on the bed: {located.reason}",
            where=str(folder.path),
            remedy="Lay it flat on the bed with the markers in view, and scan again.",
        )
    if outline is not stored:
        folder.set_outline(outline, source="picture" if stored is None else "file and picture")
    seen_mm = told_mm if located.rim_height_mm is None else located.rim_height_mm
    return _Seen(located.pose, outline, picture, round(seen_mm, 2), located.notes)


def _begin(
    folder: PlateFolder,
    rig: Rig,
    seen: _Seen,
    strength: Strength,
    spacing_mm: float,
    repeats: int,
) -> str:
    """Plan, and save the plan before anything moves."""
    from rig.plan import grid_plan, reachable

    plan = grid_plan(
        seen.outline, face=seen.pose.face, strength=strength, spacing_mm=spacing_mm,
        repeats=repeats,
    )  # fmt: skip
    plan = reachable(plan, seen.pose, rig.settings)
    origin = rig.origin | {"rim_height_mm": seen.rim_height_mm, "place_notes": list(seen.notes)}
    return folder.new_scan(plan, pose=seen.pose, settings=rig.settings, origin=origin)


def _same_place(folder: PlateFolder, scan: str, found: Pose) -> Pose:
    """The pose the scan was begun with, provided that the plate still lies there."""
    import numpy as np

    before, outline = folder.pose(scan), folder.outline
    if before is None or outline is None:
        return found
    shift = found.to_bed(outline.rim) - before.to_bed(outline.rim)
    moved_mm = float(np.max(np.hypot(shift[:, 0], shift[:, 1])))
    if moved_mm > MOVED_MM:
        raise PictureError(
            f"The plate has been moved by {moved_mm:.1f} mm since {scan} was begun.",
            where=str(folder.path),
            remedy="Lay it back, or start a new scan.",
        )
    return before


def _run(
    folder: PlateFolder,
    name: str,
    rig: Rig,
    pose: Pose,
    progress: Progress,
    listeners: Iterable[ScanListener],
    control: ScanControl,
    max_taps: int | None,
) -> ScanOutcome:
    from rig.jobs.scan_progress import ProgressListener
    from rig.scan import Devices, Runner
    from rig.tone import read_clip

    runner = Runner(
        folder,
        name,
        Devices(rig.controller, rig.microphone, rig.clock),
        rig.settings,
        pose,
        read_clip,
        listeners=(*listeners, ProgressListener(progress)),
        control=control,
        max_taps=max_taps,
    )
    return runner.run()


@contextmanager
def _folder(folder: Path | str, *, make: bool) -> Iterator[PlateFolder]:
    """The folder, open for writing; made first for a virtual plate that has none.

    One that was made here goes again where no scan was begun in it.
    """
    from rig.archive.naming import folder_path
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.unfinished import removed_if_empty
    from rig.model.plate_facts import PlateFacts

    path = folder_path(folder)
    made = make and not path.exists()
    if made:
        opened = PlateFolder.create(path, PlateFacts(name=path.stem))
    else:
        opened = PlateFolder.open(path, write=True)
    with removed_if_empty(path) if made else nullcontext(), opened:
        yield opened
