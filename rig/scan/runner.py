"""The scan itself: a frozen plan, devices, a store, and a small state machine.

Per strike: move, settle, strike, record; the next move begins the moment the record is over,
and storing and reading go on beside it. Pause and stop wait for the end of the present strike.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from rig.model.errors import (
    ControllerRefusedError,
    DeviceError,
    FolderError,
    HaltedError,
    MicrophoneError,
    MicrophoneGoneError,
    PlaterigError,
)
from rig.model.frames import Pose
from rig.model.plan import PlannedTap
from rig.model.rig_settings import RigSettings
from rig.model.scan_record import ScanState
from rig.scan.control import ScanControl
from rig.scan.keeper import Keeper, ReadClip, Slot, Take, Verdict
from rig.scan.listener import (
    End,
    FinishReason,
    Listeners,
    Rejected,
    ScanListener,
    ScanOutcome,
    TapEvent,
    TapStep,
)
from rig.scan.pace import Pace, Place, Stopwatch, floor_of
from rig.scan.place_guard import PlaceGuard, PlateMovedError, withdraw
from rig.scan.store import StrikeStore
from rig.scan.striker import Devices, Striker

log = logging.getLogger(__name__)

RETAKES = 2


@dataclass(frozen=True)
class Job:
    """One strike to make; retake 0 is the planned one."""

    tap: PlannedTap
    repeat: int
    retake: int = 0

    @property
    def slot(self) -> Slot:
        """Which planned strike it is."""
        return self.tap.number, self.repeat


class Runner:
    """Runs one scan once. `run` belongs to one thread; pause, resume, stop, halt to any.

    guard: watches that the plate lies still; corner_mm: where the hammer is parked, bed frame; None
    for the corner of the limits.
    """

    def __init__(
        self,
        store: StrikeStore,
        scan: str,
        devices: Devices,
        settings: RigSettings,
        pose: Pose,
        read_clip: ReadClip,
        *,
        listeners: Iterable[ScanListener] = (),
        control: ScanControl | None = None,
        retakes: int = RETAKES,
        max_taps: int | None = None,
        guard: PlaceGuard | None = None,
        corner_mm: Place | None = None,
    ) -> None:
        self._store = store
        self._scan = scan
        self._plan = store.plan(scan)
        self._devices = devices
        self._settings = settings
        bed = pose.to_bed(self._plan.places())
        self._places: list[Place] = [(float(x), float(y)) for x, y in bed]
        self._listeners = Listeners(listeners)
        self._control = control or ScanControl()
        self._control.attach(devices.controller.halt)
        tapper = settings.tapper
        light = self._plan.strength == "light"
        self._striker = Striker(
            devices,
            settings,
            self._places,
            tapper.light_pulse_us if light else tapper.firm_pulse_us,
            self._control,
        )
        self._keeper = Keeper(store, scan, read_clip, self._listeners, self._strike_stored)
        self._retakes_allowed = retakes
        self._max_taps = max_taps
        self._guard = guard
        self._corner_mm = corner_mm
        self._read_clip = read_clip
        self._refused: dict[int, str] = {}  # taps the controller will not go to, and why
        self._struck_again: list[Rejected] = []
        self._done: set[Slot] = set()
        self._done_lock = threading.Lock()
        self._pace = Pace([])
        self._times = Stopwatch(devices.clock)

    def run(self) -> ScanOutcome:
        """Make every strike that is missing. Always tells the listeners how it ended.

        Failures of devices and folder come back in the outcome's `error`; anything else is
        raised once the rig has been halted and the end been told.
        """
        end = End(ScanState.HALTED, FinishReason.FAULT)
        try:
            jobs = self._begin()
            end = self._make_all(jobs)
        except PlateMovedError as moved:
            end = self._plate_moved(moved)
        except HaltedError as error:
            end = End(ScanState.HALTED, FinishReason.HALTED, error)
        except DeviceError as error:
            end = End(ScanState.HALTED, FinishReason.DEVICE, error)
        except FolderError as error:
            end = End(ScanState.STOPPED, FinishReason.STORAGE, error)
        finally:
            outcome = self._wind_up(end)
        return outcome

    def pause(self) -> None:
        """Finish this strike, then hold."""
        self._control.pause()

    def resume(self) -> None:
        """Go on after a pause."""
        self._control.resume()

    def stop(self) -> None:
        """Finish this strike, park, keep everything."""
        self._control.stop()

    def halt(self) -> None:
        """Now: solenoid off, motion killed, homing forced."""
        self._control.halt()

    # -- phases ------------------------------------------------------------------------------

    def _begin(self) -> list[Job]:
        """Home, find out what is missing and what an earlier run left to be repeated."""
        self._state(ScanState.RUNNING)
        self._striker.prepare()
        self._done = self._store.done(self._scan)
        if self._done:
            self._keeper.recall(self._plan.taps)
        taps = self._plan.taps if self._max_taps is None else self._plan.taps[: self._max_taps]
        jobs = [
            Job(tap, repeat)
            for tap in taps
            for repeat in range(self._plan.repeats)
            if (tap.number, repeat) not in self._done
        ]
        places = [self._places[job.tap.number] for job in jobs]
        floors = floor_of(self._corner(), places, self._settings)
        self._pace = Pace(floors)
        self._times.floor_s = sum(floors)
        if self._guard is not None:
            self._guard.begin(self._striker, self._read_clip, self._corner(), len(jobs))
        self._listeners.tell(
            lambda listener: listener.scan_started(self._plan, len(jobs), sum(floors))
        )
        return jobs

    def _make_all(self, jobs: Sequence[Job]) -> End:
        """The planned strikes, then the ones that came out badly, up to the retakes allowed."""
        self._times.start()
        complete = self._make(jobs)
        for retake in range(1, self._retakes_allowed + 1):
            self._drain()
            again = self._poor(retake) if complete else []
            if not again:
                break
            complete = self._make(again)
        if complete and self._guard is not None and not self._ends_early():
            self._guard.finish()
        self._drain()
        self._times.stop()
        if not complete:
            return End(ScanState.STOPPED, FinishReason.STOPPED)
        if self._ends_early():
            return End(ScanState.STOPPED, FinishReason.LIMITED)
        return End(ScanState.FINISHED, FinishReason.COMPLETE)

    def _ends_early(self) -> bool:
        return self._max_taps is not None and self._max_taps < len(self._plan.taps)

    def _plate_moved(self, moved: PlateMovedError) -> End:
        """Take the strikes that may lie beside their places out of use; they stay in the folder."""
        self._drain()
        withdraw(self._store, self._scan, moved.suspect)
        with self._done_lock:
            self._done -= set(moved.suspect)
        return End(ScanState.STOPPED, FinishReason.MOVED, reason=moved.sentence)

    def _poor(self, retake: int) -> list[Job]:
        """Strikes to repeat, in the plan's order; a merely doubtful one has one more chance."""
        again = []
        for tap in self._plan.taps:
            for repeat in range(self._plan.repeats):
                verdict = self._keeper.verdict((tap.number, repeat))
                if verdict is None or verdict.quality == "good" or tap.number in self._refused:
                    continue
                if verdict.quality != "doubtful" or retake == 1:
                    again.append(Job(tap, repeat, retake))
        return again

    def _drain(self) -> None:
        self._keeper.drain()
        if self._keeper.failure is not None:
            raise self._keeper.failure

    # -- strike by strike --------------------------------------------------------------------

    def _make(self, jobs: Sequence[Job]) -> bool:
        """Make strikes in order; False when the user stopped it."""
        for index, job in enumerate(jobs):
            if not self._may_go_on():
                return False
            self._make_one(job, jobs[index + 1] if index + 1 < len(jobs) else None)
            if self._guard is not None:
                self._guard.struck(job.slot)
                if self._guard.due:
                    self._guard.check()
        return True

    def _make_one(self, job: Job, following: Job | None) -> None:
        began_s = time.monotonic()  # what the user waits for, at whatever speed the rig lives
        if not self._start_move(job):
            self._skip(job, self._refused[job.tap.number])
            return
        try:
            self._striker.stand_over(job.tap.number)
        except ControllerRefusedError as error:  # boards that refuse a move only at its end
            self._refused[job.tap.number] = error.what
            self._skip(job, error.what)
            return
        self._tell_tap(TapStep.STRIKING, job)
        if job.retake:
            self._struck_again.append(self._verdict_on(job.tap, job.repeat))
        try:
            recorded = self._striker.strike(lambda: self._move_ahead(following))
        except MicrophoneGoneError:
            raise
        except (MicrophoneError, ControllerRefusedError) as error:
            self._skip(job, error.what)
            return
        self._keeper.put(
            Take(
                job.tap,
                job.repeat,
                job.retake,
                recorded.clip,
                self._striker.pulse_us,
                recorded.pulse_time_us,
            )
        )
        if job.retake == 0:
            self._pace.strike_done(time.monotonic() - began_s)

    def _move_ahead(self, following: Job | None) -> None:
        """The record is over: be off to the next tap, unless somebody wants to hold or stop."""
        if following is not None and not self._control.any_wanted:
            self._start_move(following)

    def _start_move(self, job: Job) -> bool:
        number = job.tap.number
        if number in self._refused:
            return False
        try:
            self._striker.start_move(number)
        except ControllerRefusedError as error:
            self._refused[number] = error.what
            return False
        return True

    def _may_go_on(self) -> bool:
        """The tap boundary: here, and only here, pause and stop are honoured."""
        if self._keeper.failure is not None:
            raise self._keeper.failure
        if self._control.pause_wanted and not self._control.stop_wanted:
            self._state(ScanState.PAUSED)
            with self._times.held():
                self._control.wait_while_paused()
            if not self._control.any_wanted:
                self._state(ScanState.RUNNING)
        self._striker.check_halt()
        return not self._control.stop_wanted

    def _skip(self, job: Job, reason: str) -> None:
        """Nothing came of this strike: an event, no error; tried again at the end."""
        self._keeper.note(job.slot, Verdict(None, (reason,)))
        self._tell_tap(TapStep.SKIPPED, job, reason)

    def _strike_stored(self, take: Take) -> None:
        """In the storing thread, after every strike that is safe."""
        with self._done_lock:
            self._done.add(take.slot)
            done = len(self._done)
        remaining = self._pace.remaining_s(self._keeper.poor())
        total = self._plan.strike_count
        self._listeners.tell(lambda listener: listener.progressed(done, total, remaining))

    # -- the end -----------------------------------------------------------------------------

    def _wind_up(self, end: End) -> ScanOutcome:
        """Make the rig safe, finish storing, write the state, say that it is over."""
        if end.state is ScanState.HALTED:
            self._devices.controller.halt()  # never raises
        self._keeper.close()
        self._times.stop()
        if end.error is None and self._keeper.failure is not None:
            end = replace(end, state=ScanState.STOPPED, error=self._keeper.failure)
        if end.state is not ScanState.HALTED:
            with contextlib.suppress(PlaterigError):
                self._striker.park(self._corner())
        outcome = self._outcome(end)
        try:
            self._store.set_state(self._scan, outcome.state, outcome.reason)
        except Exception as error:
            log.error("the end of scan %s could not be written: %s", self._scan, error)
            outcome = replace(outcome, error=outcome.error or error)
        self._listeners.tell(lambda listener: listener.state_changed(outcome.state, outcome.reason))
        self._listeners.tell(lambda listener: listener.scan_finished(outcome))
        return outcome

    def _outcome(self, end: End) -> ScanOutcome:
        rejected = []
        for tap in self._plan.taps:
            for repeat in range(self._plan.repeats):
                verdict = self._keeper.verdict((tap.number, repeat))
                if verdict is not None and verdict.quality in (None, "bad"):
                    rejected.append(self._verdict_on(tap, repeat))
        return ScanOutcome(
            state=end.state,
            finish=end.finish,
            reason=end.words,
            taps=len({tap for tap, _ in self._done}),
            strikes=len(self._done),
            retakes=len(self._struck_again),
            rejected=tuple(rejected),
            struck_again=tuple(self._struck_again),
            wall_s=self._times.wall_s,
            rig_s=self._times.rig_s,
            floor_s=self._times.floor_s,
            error=end.error,
            notes=() if self._guard is None else tuple(self._guard.notes),
        )

    def _verdict_on(self, tap: PlannedTap, repeat: int) -> Rejected:
        """What stands against a strike, in words."""
        verdict = self._keeper.verdict((tap.number, repeat))
        reason = " ".join(verdict.reasons) if verdict is not None else ""
        return Rejected(tap.number, repeat, tap.x_mm, tap.y_mm, reason)

    def _corner(self) -> Place:
        """Where the hammer is after homing, and where it is parked."""
        if self._corner_mm is not None:
            return self._corner_mm
        x0, y0, _, _ = self._settings.controller.limits_mm
        dx, dy = self._settings.tapper.offset_mm
        return x0 + dx, y0 + dy

    def _state(self, state: ScanState, reason: str = "") -> None:
        self._store.set_state(self._scan, state, reason)
        self._listeners.tell(lambda listener: listener.state_changed(state, reason))

    def _tell_tap(self, step: TapStep, job: Job, reason: str = "") -> None:
        event = TapEvent(step, job.tap, job.repeat, job.retake, reason=reason)
        self._listeners.tell(lambda listener: listener.tap_event(event))
