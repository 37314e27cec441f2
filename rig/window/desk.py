"""What lies on the desk: the plate folder, the rig, the maps; and the jobs done on them."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from inspect import signature
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import QObject, pyqtSignal

from rig.model.errors import PlaterigError
from rig.window.scan_run import ScanRun, run_scan
from rig.window.settings import Memory, RigChoice, ScanChoice
from rig.window.words import tr, trn
from rig.window.worker import Cancelled, Workers

if TYPE_CHECKING:
    from rig.jobs.drawn import DrawnChange, DrawnMap, DrawnModes
    from rig.jobs.lay import Laid
    from rig.jobs.overview import Overview
    from rig.jobs.spot import Spot


def _job(name: str) -> Any:
    """`module.function` of `rig.jobs`, imported in its own thread; `#…` tells uses apart."""
    module, function = name.partition("#")[0].split(".")

    def call(**options: Any) -> Any:
        job = getattr(import_module(f"rig.jobs.{module}"), function)
        if "progress" not in signature(job).parameters:
            options.pop("progress", None)  # done in a moment
        return job(**options)

    return call


class Desk(QObject):
    """State and verbs; knows no widget. Every verb starts a thread and returns at once."""

    changed = pyqtSignal()  # overview, rig or plan
    said = pyqtSignal(str, str)  # place, sentence
    opened = pyqtSignal()  # another folder
    unforeseen = pyqtSignal(object)
    laid_out = pyqtSignal(object)
    plan_made = pyqtSignal(object)
    map_made = pyqtSignal(object)
    modes_made = pyqtSignal(object)
    change_made = pyqtSignal(object)
    pair_made = pyqtSignal(object)
    report_made = pyqtSignal(object)
    spot_read = pyqtSignal(object)
    devices_found = pyqtSignal(object)
    broke_off = pyqtSignal(str)  # a job that failed; why has been said
    scan_began = pyqtSignal(object)
    scan_ended = pyqtSignal(object)  # ScanResult, or None after a failure

    def __init__(self, memory: Memory, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.memory = memory
        self.workers = Workers(self)
        self.workers.progressed.connect(self._take_events)
        self.folder: Path | None = None
        self.rig: RigChoice = memory.rig()
        self.seen: Overview | None = None
        self.laid: Laid | None = None
        self.planned: Any = None
        self.map: DrawnMap | None = None
        self.modes: DrawnModes | None = None
        self.change: DrawnChange | None = None
        self.run: ScanRun | None = None
        self.shown_scan: str | None = None
        self.reports: list[Path] = []  # written since this folder was opened
        self._undo: list[Callable[[], object]] = []
        self._look_again = False
        self._next_spot: int | None = None

    # --- one way to start anything -----------------------------------------------------------

    def do(self, place: str, name: str, done: Any, /, **options: Any) -> bool:
        """Run a job of `rig.jobs`; what goes wrong is said at its place."""
        self.said.emit(place, "")

        def failed(problem: BaseException) -> None:
            self._failed(place, problem)
            self.scan_broke_off()
            self.broke_off.emit(name)

        def well(outcome: Any) -> None:
            self.said.emit(place, "")
            done(outcome)

        call = run_scan if name == "scan.scan" else _job(name)
        if self.workers.start(name, call, well, failed, **options):
            return True
        self.said.emit(place, tr("That is being done already."))
        return False

    def _failed(self, place: str, problem: BaseException) -> None:
        if isinstance(problem, Cancelled):
            self.said.emit(place, tr("Cancelled; nothing was changed."))
        elif isinstance(problem, PlaterigError):
            self.said.emit(place, str(problem))
        elif isinstance(problem, OSError):
            self.said.emit(
                place,
                tr(
                    "The system refused: {0} ({1}).",
                    problem.strerror or problem,
                    problem.filename or "",
                ),
            )
        else:
            self.unforeseen.emit(problem)

    # --- folder and rig ----------------------------------------------------------------------

    def open_folder(self, folder: Path) -> None:
        """Open another folder; the one that is open stays open where this fails."""
        if self.run is not None:
            self.said.emit("window", tr("A scan is running; stop it before opening another plate."))
            return

        def done(seen: Overview) -> None:
            self.folder, self.laid, self.planned = seen.folder, None, None
            self.map = self.modes = self.change = None
            self.shown_scan = None
            self._undo.clear()
            self.reports.clear()
            self._see(seen)
            self.opened.emit()

        self.do("window", "overview.overview#open", done, folder=folder)

    def new_plate(self, options: dict[str, Any], made: Callable[[], object] = lambda: None) -> None:
        """Make a folder and open it; `made` is called as soon as it is there."""

        def done(new: Any) -> None:
            made()
            self.open_folder(new.plate)

        self.do("new", "new_plate.new_plate", done, **options)

    def look(self) -> None:
        """Read the folder's state anew."""
        if self.folder is not None and self.workers.running("overview.overview"):
            self._look_again = True
        elif self.folder is not None:
            self.do("window", "overview.overview", self._see, folder=self.folder,
                     scan=self.shown_scan)  # fmt: skip

    def _see(self, seen: Overview) -> None:
        again, self._look_again = self._look_again, False
        if seen.folder != self.folder:
            return  # another folder was opened while this one was being read
        self.seen = seen
        self.changed.emit()
        if again:
            self.look()

    def show_scan(self, scan: str) -> None:
        """Look at another scan of this plate."""
        self.shown_scan = scan
        self.planned = self.map = self.modes = None
        self.look()

    def use_rig(self, rig: RigChoice) -> None:
        """Work on this rig from now on."""
        self.rig = rig
        self.memory.keep_rig(rig)
        self.laid = None
        self.said.emit("rig", "")
        self.changed.emit()

    def take_rig(self, rig: RigChoice) -> None:
        """Use a virtual world at once, a rig file once it has been read."""
        if rig.rig_file is None:
            self.use_rig(rig)
        else:
            self.use_rig_file(rig)

    def use_rig_file(self, rig: RigChoice) -> None:
        """Look the rig file over; what is wrong with it is said, and the rig stays as it was."""

        def done(health: Any) -> None:
            self.use_rig(rig)
            self.said.emit("rig", " ".join(one.what for one in health.problems))

        self.do("rig", "check.check", done, folder_or_rig=Path(str(rig.rig_file)))

    def gather(self, directory: Path, folder: Path) -> None:
        """Take a tap set into a new folder and open it."""

        def done(made: Any) -> None:
            self.open_folder(folder)
            rejected = made.as_json()["rejected"]
            if rejected:
                text = trn("{0} recording could not be used: {1}",
                           "{0} recordings could not be used, the first one: {1}",
                           len(rejected), rejected[0]["reason"])  # fmt: skip
                self.said.emit("read", text)

        self.do("window", "gather.gather", done, directory=directory, folder=folder)

    def with_devices(self, ask: Any) -> None:
        """Hand what is plugged in, and the virtual worlds, to `ask`."""
        self.do("rig", "devices.devices", ask)

    def find_devices(self) -> None:
        """What is plugged in."""
        self.do("rig", "devices.devices", self.devices_found.emit)

    # --- lay, plan, scan ---------------------------------------------------------------------

    def lay(self, face: str) -> None:
        """Have the camera find the plate."""

        def done(laid: Laid) -> None:
            self.laid = laid
            located = laid.result.located
            if located.pose is None:
                self.said.emit("lay", located.reason)
            self.laid_out.emit(laid)
            self.look()

        self.do(
            "lay",
            "lay.lay",
            done,
            folder=self.folder,
            face=face,
            keep_outline=True,
            **self.rig.devices(),
        )

    def plan(self, choice: ScanChoice) -> None:
        """Count and show the taps."""

        def done(made: Any) -> None:
            self.planned = made
            self.plan_made.emit(made)
            self.changed.emit()

        self.do("plan", "tap_plan.tap_plan", done, folder=self.folder, face=choice.face,
                 spacing_mm=choice.spacing_mm, strength=choice.strength,
                 repeats=choice.repeats)  # fmt: skip

    def resumes_simulated(self) -> bool:
        """Whether the unfinished scan belongs to the virtual rig."""
        seen = self.seen
        return seen is not None and any(
            one.simulated for one in seen.scans if one.scan == seen.unfinished
        )

    def scan(self, choice: ScanChoice | None) -> None:
        """Tap the plate; choice None: go on with the unfinished scan. Hands have to be clear."""
        if self.run is not None or self.folder is None:
            return
        simulated = self.rig.world is not None if choice else self.resumes_simulated()
        run = ScanRun(self, simulated)
        options: dict[str, Any] = {"folder": self.folder, "control": run.control,
                                   "plugged_in": run.plugged_in}  # fmt: skip
        if choice is None:
            options["resume"] = True
        else:
            options |= {"face": choice.face, "strength": choice.strength,
                        "spacing_mm": choice.spacing_mm, "repeats": choice.repeats,
                        "speed": self.rig.speed, **self.rig.devices()}  # fmt: skip
        self.run = run
        self.shown_scan = None

        def done(result: Any) -> None:
            self._forget_run()
            self.shown_scan = result.scan
            self.scan_ended.emit(result)
            self.look()

        if self.do("scan", "scan.scan", done, **options):
            self.scan_began.emit(run)
            self.changed.emit()
        else:
            self.run = None

    def _take_events(self, name: str, events: list[Any]) -> None:
        if name == "scan.scan" and self.run is not None:
            self.run.take(events)

    def _forget_run(self) -> None:
        """The scan is over; as a child of the desk it would hold its whole rig for ever."""
        if self.run is not None:
            self.run.setParent(None)
        self.run = self.planned = None

    def scan_broke_off(self) -> None:
        """After a failure of the scan's job: nothing moves any more."""
        if self.run is not None and not self.workers.running("scan.scan"):
            self._forget_run()
            self.scan_ended.emit(None)
            self.look()

    # --- maps, comparison, report ------------------------------------------------------------

    def make_map(self, reading: str | None, target: str | None) -> None:
        """Map the scan that is shown."""

        def done(made: DrawnMap) -> None:
            self.map = made
            self.map_made.emit(made)
            self.look()

        if self.seen is not None:
            self.do("read", "drawn.drawn_map", done, folder=self.folder, scan=self.seen.scan,
                     reading=reading or None, target=target or None)  # fmt: skip

    def find_modes(self) -> None:
        """Nodal lines of the scan that is shown."""

        def done(made: DrawnModes) -> None:
            self.modes = made
            self.modes_made.emit(made)

        if self.seen is not None:
            self.do("read", "drawn.drawn_modes", done, folder=self.folder, scan=self.seen.scan)

    def compare(self, before: str, after: str) -> None:
        """What changed between two scans."""

        def done(made: DrawnChange) -> None:
            self.change = made
            self.change_made.emit(made)

        self.do("compare", "drawn.drawn_change", done, folder=self.folder, before=before,
                after=after)  # fmt: skip

    def pair(self, reading: str) -> None:
        """Both maps of the change that was made, in the same colours."""
        if self.change is not None:
            found = self.change.made.comparison
            self.do("compare", "drawn.drawn_pair", self.pair_made.emit, folder=self.folder,
                    before=found.before, after=found.after, reading=reading)  # fmt: skip

    def report(self, out: Path, kind: str = "technical") -> None:
        """Write the PDF of a kind (`rig.jobs.report`) and what lies beside it."""

        def done(made: Any) -> None:
            self.reports.append(out)
            self.report_made.emit(made)

        self.do("record", "report.report", done, folder=self.folder, out=out, kind=kind)

    # --- one spot ----------------------------------------------------------------------------

    def read_spot(self, tap: int) -> None:
        """Fetch a tap; while one is being fetched only the last one asked for is fetched next."""
        if self.seen is None or self.seen.scan is None:
            return
        if self.workers.running("spot.spot"):
            self._next_spot = tap
            return

        def done(spot: Spot) -> None:
            following, self._next_spot = self._next_spot, None
            if following is not None:
                self.read_spot(following)
            else:
                self.spot_read.emit(spot)

        self.do("spot", "spot.spot", done, folder=self.folder, scan=self.seen.scan, tap=tap)

    def change_spot(self, job: str, tap: int, *, record: bool = True, **options: Any) -> None:
        """Leave out or strike again, or the way back; can be undone where it is recorded."""
        back = {"leave_out": "out", "strike_again": "undo"}[job]

        def done(_none: None) -> None:
            if record:
                kept = {key: value for key, value in options.items() if key not in ("scan", "tap")}
                back_again = {**kept, back: not options[back]}
                self.can_undo(lambda: self.change_spot(job, tap, record=False, **back_again))
            self.look()
            self.read_spot(tap)

        if job == "strike_again" and self.seen is not None:
            options |= {"scan": self.seen.scan, "tap": tap}
        self.do("spot", f"spot.{job}", done, folder=self.folder, **options)

    def can_undo(self, step: Callable[[], object]) -> None:
        """Something was changed; `step` takes it back."""
        self._undo.append(step)

    def undo(self) -> None:
        """Take the last change back."""
        if not self._undo:
            self.said.emit("spot", tr("There is nothing to take back."))
            return
        self._undo.pop()()
