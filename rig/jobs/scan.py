"""Scan a plate: find it, plan, tap it all over, store every strike. Resume a scan."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from rig.jobs.further_taps import FurtherTaps, further_taps
from rig.jobs.interrupts import interrupts
from rig.jobs.locate import check_rim_height
from rig.jobs.mend import mended
from rig.jobs.scan_places import Seen, check_picture, look, pose_to_resume
from rig.jobs.scan_rig import (
    Job,
    conditions_given,
    new_rig,
    note_slip,
    resumed,
    unknown_conditions,
)
from rig.model.calibration import CalibrationNote
from rig.model.errors import DeviceError, UsageError
from rig.model.frames import Face, Pose, Strength
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.tone_map import ReadingKind

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.compose import Rig
    from rig.model.plan import Plan
    from rig.scan import ScanControl, ScanListener, ScanOutcome


@dataclass(frozen=True)
class ScanResult:
    """How the scan ended."""

    scan: str
    outcome: ScanOutcome
    simulated: bool
    warnings: tuple[str, ...] = ()  # about finding the plate
    cautions: tuple[str, ...] = ()  # about the rig's calibrations and what is not known
    calibration: CalibrationNote = field(default_factory=CalibrationNote)

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
            "moved": outcome.finish.name == "MOVED",
            "simulated": self.simulated,
            "warnings": list(self.warnings),
            "cautions": list(self.cautions),
            "calibration": self.calibration.as_json(),
            "notes": list(outcome.notes),
            "rejections": [asdict(strike) for strike in outcome.rejected],
            "struck_again": [asdict(strike) for strike in outcome.struck_again],
        }


def scan(
    folder: Path | str,
    *,
    world: str | None = None,
    rig_file: Path | str | None = None,
    seed: int = 1,
    spacing_mm: float | None = None,
    face: Face = "outer",
    strength: Strength = "light",
    repeats: int = 1,
    speed: float | None = None,
    resume: bool = False,
    max_taps: int | None = None,
    rim_height_mm: float | None = None,
    pose: Pose | None = None,
    serial_log: Path | str | None = None,
    records: Path | str | None = None,
    temperature_c: float | None = None,
    humidity_percent: float | None = None,
    mass_g: float | None = None,
    where: Literal["everywhere", "doubtful"] = "everywhere",
    from_scan: str | None = None,
    further: int = 40,
    reading: ReadingKind | None = None,
    listeners: Iterable[ScanListener] = (),
    control: ScanControl | None = None,
    plugged_in: Callable[[DeviceError], bool] | None = None,
    progress: Progress = silent,
) -> ScanResult:
    """Scan a plate on a virtual world or on the rig of a rig file, into a plate folder.

    A missing folder is made for a virtual world. spacing_mm None: 9 mm, more on plates larger than
    a viola's. resume: go on with the folder's unfinished scan, on the same world or rig; plan, face
    and strength are the stored ones. max_taps: end after the first so many taps of the plan, as if
    stopped. rim_height_mm: upper edge of the rim
    above the bed; None as before when resumed, 3 otherwise. pose: virtual worlds only, where the
    plate truly lies; the camera still has to find it. control: the three stops. Ctrl-C stops, a
    second one halts. speed: of a virtual world, 0 as fast as it can; None as before when resumed,
    1 otherwise. serial_log: a file that takes every byte of the controller's line. plugged_in:
    asked when controller or microphone are lost on a real rig: True when they are back and hands
    are clear; the rig is then homed again and the scan goes on. Nobody to ask: it ends there.

    records: where the rig's calibrations lie, if not in `calibration` beside the rig file; a
    virtual rig has none but these. temperature_c, humidity_percent, mass_g: of this scan; without
    them the plate's own facts are taken.

    where="doubtful": not a grid, but `further` taps where the map of `from_scan` (None: the
    latest) in `reading` is least sure of what matters, on the rig of that scan; face, strength
    and world are that scan's. Maps of this scan read the taps of both together.

    The plate is watched while it is tapped: where it moves the scan stops, and can be resumed.
    Raises UsageError, FolderError, PictureError (plate not found or moved), DeviceError; what
    was stored is safe and the scan can be resumed.
    """
    from rig.scan import ScanControl

    _check_call(world, rig_file, resume, face, strength, max_taps, rim_height_mm, where)
    conditions = conditions_given(temperature_c, humidity_percent, mass_g, resume=resume)
    control = control or ScanControl()
    chosen = None
    if where == "doubtful":
        chosen = further_taps(
            folder, from_scan=from_scan, count=further, reading=reading, repeats=repeats,
            world=world, rig_file=rig_file, progress=progress,
        )  # fmt: skip
        world, rig_file, face = chosen.world, chosen.rig_file, chosen.plan.face
        seed = seed if chosen.seed is None else chosen.seed
    with ExitStack() as stack:
        stack.enter_context(interrupts(control))
        opened = stack.enter_context(_folder(folder, make=world is not None and not resume))
        if resume:
            job = resumed(opened, world, rig_file, speed, serial_log, records)
        else:
            rig = new_rig(
                opened, world, rig_file, seed, speed, face, pose, serial_log, records, conditions
            )
            job = Job(None, rig, face)
        stack.callback(job.rig.close)
        control.attach(job.rig.controller.halt)  # homing can be halted too
        progress(ProgressEvent("opening the devices"))
        _open(job.rig)
        progress(ProgressEvent("looking for the plate"))
        seen = look(opened, job.rig, job.scan, job.face, rim_height_mm)
        warnings = seen.notes
        if job.scan is None:
            plan_of = Asked(strength, spacing_mm, repeats, chosen)
            name, pose = _begin(opened, job.rig, seen, plan_of), seen.pose
            warnings = tuple(opened.origin(name)["place_notes"])
        else:
            settings, _ = job.rig.settings_for(seen.picture)
            pose, said = pose_to_resume(
                opened, job.scan, seen.pose, lens_known=settings.camera.lens is not None
            )
            name, warnings = job.scan, (*warnings, *said)
        opened.store_image(name, "registration", seen.picture)
        rig = job.rig
        run = _Run(opened, name, pose, seen.rim_height_mm, progress, listeners, control, max_taps)
        outcome = run.on(rig)
        while (again := mended(rig, outcome.error, control, plugged_in)) is not None:
            rig = again
            stack.callback(rig.close)
            outcome = run.on(rig)
        note_slip(opened, name, rig)
        if outcome.error is not None and not control.halted:
            raise outcome.error
        note = CalibrationNote.of_origin(opened.origin(name))
        cautions = () if rig.calibration is None else rig.calibration.lines
        unknown = unknown_conditions(opened, name, simulated=rig.simulated)
        return ScanResult(name, outcome, rig.simulated, warnings, (*cautions, *unknown), note)


def _check_call(
    world: str | None,
    rig_file: Path | str | None,
    resume: bool,
    face: str,
    strength: str,
    max_taps: int | None,
    rim_height_mm: float | None,
    where: str,
) -> None:
    """Refuse a wrong call before anything is made or moved."""
    if where not in ("everywhere", "doubtful"):
        raise UsageError(f'Taps are made "everywhere" or where "doubtful", not "{where}".')
    if world is not None and rig_file is not None:
        raise UsageError("A scan runs on a virtual world or on a real rig, not on both.")
    if resume and where == "doubtful":
        raise UsageError("A scan is resumed with the taps that it was begun with.")
    if world is None and rig_file is None and not resume and where == "everywhere":
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


def _open(rig: Rig) -> None:
    """Open the devices and drive the gantry out of the camera's view."""
    rig.controller.open()
    rig.microphone.open()
    rig.camera.open()
    rig.controller.home()


def _begin(
    folder: PlateFolder,
    rig: Rig,
    seen: Seen,
    asked: Asked,
) -> str:
    """Plan, and save the plan before anything moves."""
    from rig.plan import reachable, unreached_words

    plan = reachable(asked.plan(seen), seen.pose, rig.settings)
    notes = [*seen.notes, *unreached_words(plan)]
    origin = rig.origin | {"rim_height_mm": seen.rim_height_mm, "place_notes": notes}
    if asked.further is not None:
        origin["further_to"] = asked.further.further_to
    settings, _ = rig.settings_for(seen.picture)
    return folder.new_scan(plan, pose=seen.pose, settings=settings, origin=origin)


@dataclass(frozen=True)
class Asked:
    """Which taps were asked for: a grid, or those that a scan still wants."""

    strength: Strength
    spacing_mm: float | None
    repeats: int
    further: FurtherTaps | None

    def plan(self, seen: Seen) -> Plan:
        """The taps on the plate as it lies. Raises PictureError where it was to lie still."""
        from rig.plan import grid_plan

        if self.further is not None:
            self.further.require_still(seen.pose, seen.outline)
            return self.further.plan
        return grid_plan(
            seen.outline, face=seen.pose.face, strength=self.strength,
            spacing_mm=self.spacing_mm, repeats=self.repeats,
        )  # fmt: skip


@dataclass(frozen=True)
class _Run:
    """What stays the same when a scan is taken up again with a mended rig."""

    folder: PlateFolder
    name: str
    pose: Pose
    rim_height_mm: float
    progress: Progress
    listeners: Iterable[ScanListener]
    control: ScanControl
    max_taps: int | None

    def on(self, rig: Rig) -> ScanOutcome:
        """Make what is missing, with an eye on the plate."""
        from rig.jobs.scan_progress import ProgressListener
        from rig.scan import Devices, PlaceGuard, Runner, Sight
        from rig.tone import read_clip

        def sight() -> Sight:
            self.progress(ProgressEvent("looking whether the plate lies still"))
            return check_picture(self.folder, self.name, rig, self.pose, self.rim_height_mm)

        runner = Runner(
            self.folder,
            self.name,
            Devices(rig.controller, rig.microphone, rig.clock),
            rig.settings,
            self.pose,
            read_clip,
            listeners=(*self.listeners, ProgressListener(self.progress)),
            control=self.control,
            max_taps=self.max_taps,
            guard=PlaceGuard(sight),
            corner_mm=rig.corner_mm,
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
