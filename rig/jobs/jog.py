"""Move the hammer by hand, step by step: a rig held open, and orders that never queue up."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import ControllerRefusedError, HaltedError, PlaterigError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.jobs.compose import Rig
    from rig.model.frames import Face, Pose
    from rig.model.outline import Outline

STEPS_MM = (0.1, 1.0, 10.0)
_LOOK_S = 0.1


@dataclass(frozen=True)
class JogEnd:
    """How it ended: "closed" or "halted"; position_mm: of the hammer, bed frame, None unknown."""

    state: str
    position_mm: tuple[float, float] | None

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {"state": self.state, "position_mm": self.position_mm}


class JogSession:
    """What another thread may ask of an open rig."""

    def __init__(self) -> None:
        self._changed = threading.Condition(threading.RLock())
        self._step: tuple[float, float] | None = None
        self._look = False
        self._closed = False
        self._halted = False
        self._busy = True  # until it has homed
        self._halt_now: Callable[[], None] | None = None

    def move(self, dx_mm: float, dy_mm: float) -> bool:
        """Ask for one step from where the hammer is, mm of the bed frame.

        False, and nothing happens, where the rig is still busy: a key that is held down must not
        fill a queue that runs on after it is let go. Raises UsageError for another step than
        `STEPS_MM` along one axis.
        """
        if (dx_mm != 0.0) == (dy_mm != 0.0) or abs(dx_mm + dy_mm) not in STEPS_MM:
            steps = ", ".join(f"{step:g}" for step in STEPS_MM)
            raise UsageError(f"A step is {steps} mm along one axis.")
        with self._changed:
            if self._busy or self._closed or self._halted or self._step is not None:
                return False
            self._step = (dx_mm, dy_mm)
            self._changed.notify_all()
            return True

    def look(self) -> None:
        """Ask for a picture, told with the next progress."""
        with self._changed:
            self._look = True
            self._changed.notify_all()

    def close(self) -> None:
        """End when the present step is done."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def halt(self) -> None:
        """Now, from this very thread: motion killed, position unknown."""
        with self._changed:
            self._halted = True
            halt_now = self._halt_now
            self._changed.notify_all()
        if halt_now is not None:
            halt_now()

    @property
    def halted(self) -> bool:
        """Whether somebody halted it."""
        return self._halted

    def attach(self, halt_now: Callable[[], None]) -> None:
        """Say what kills the motion; done at once where it was halted before."""
        with self._changed:
            self._halt_now = halt_now
            before = self._halted
        if before:
            halt_now()

    def wait(self, alive: Callable[[], None]) -> tuple[str, tuple[float, float]]:
        """Wait for an order: "move" with its step, "look", "close" or "halt".

        alive is called now and then meanwhile; what it raises ends the wait.
        """
        nothing = (0.0, 0.0)
        while True:
            alive()
            with self._changed:
                self._busy = False
                if self._step is None and not (self._look or self._closed or self._halted):
                    self._changed.wait(_LOOK_S)
                if self._halted or self._closed:
                    return ("halt" if self._halted else "close"), nothing
                if self._step is not None:
                    step, self._step, self._busy = self._step, None, True
                    return "move", step
                if self._look:
                    self._look, self._busy = False, True
                    return "look", nothing


def jog(
    session: JogSession,
    *,
    world: str | None = None,
    rig_file: Path | str | None = None,
    seed: int = 1,
    speed: float = 1.0,
    face: Face = "outer",
    outline: Outline | None = None,
    pose: Pose | None = None,
    progress: Progress = silent,
) -> JogEnd:
    """Open a rig, home it, and do what the session asks until it is closed or halted.

    Hands have to be clear. Progress tells in its detail: "position" (x, y of the hammer, bed frame,
    mm), "refused" (a sentence: limits), "picture" (a `PlatePicture`, where outline and pose are
    known) or "unseen" (why there is none). Raises UsageError, RigFileError, DeviceError.
    """
    from rig.jobs.compose import compose
    from rig.jobs.in_force import calibration_of

    known = calibration_of(rig_file, None)
    rig = compose(world, rig_file, seed=seed, speed=speed, face=face, calibration=known)
    controller = rig.controller
    session.attach(controller.halt)
    where: tuple[float, float] | None = None
    camera_open = False

    def tell(stage: str, **detail: object) -> None:
        progress(ProgressEvent(stage, detail=detail))

    try:
        tell("opening the rig")
        controller.open()
        tell("homing")
        controller.home()
        where = controller.position()
        tell("ready", position=where)
        while True:
            order, (dx, dy) = session.wait(lambda: progress(ProgressEvent("ready")))
            if order == "halt":
                return JogEnd("halted", None)
            if order == "close":
                return JogEnd("closed", where)
            if order == "look":
                camera_open = camera_open or _opened(rig)
                tell("ready", **_picture(rig, outline, pose))
                continue
            if where is None:
                raise HaltedError("Where the hammer stands is not known.", remedy="Home it again.")
            target = (where[0] + dx, where[1] + dy)
            try:
                controller.start_move(*target)
                controller.wait_until_still()
            except ControllerRefusedError as problem:
                tell("ready", refused=str(problem), position=where)
                continue
            where = controller.position() or target
            tell("ready", position=where)
    except HaltedError:
        if session.halted:
            return JogEnd("halted", None)
        raise
    finally:
        rig.close()


def _opened(rig: Rig) -> bool:
    rig.camera.open()
    return True


def _picture(rig: Rig, outline: Outline | None, pose: Pose | None) -> dict[str, object]:
    from rig.jobs.plate_picture import laid_under

    if outline is None or pose is None:
        return {"unseen": "Where the plate lies is not known yet: find the plate first."}
    try:
        frame = rig.camera.frame().pixels
        settings, _ = rig.settings_for(frame)
        return {"picture": laid_under(frame, settings, pose, outline)}
    except PlaterigError as problem:
        return {"unseen": str(problem)}
