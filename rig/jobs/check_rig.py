"""Walk through a rig: link, homing, limits, hammer, levels, camera; what passes and what to do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from rig.jobs.check_steps import NOT_CONFIRMED, NotDoneError, RigWalker, StepFailedError
from rig.jobs.interrupts import interrupts
from rig.model.errors import DeviceError, HaltedError, LinkError, RigFileError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.archive.rig_file import RigValue
    from rig.archive.rows import Problem

StepState = Literal["pass", "fail", "not done"]
Confirm = Callable[[str], bool]


@dataclass(frozen=True)
class CheckStep:
    """One step: what was found, and what to do where it did not pass."""

    step: str
    state: StepState
    what: str
    where: str = ""
    remedy: str = ""


@dataclass(frozen=True)
class RigReport:
    """Every setting with its origin, the steps of the walk, and all that stands in the way."""

    rig: str
    simulated: bool
    values: tuple[RigValue, ...]
    cautions: tuple[Problem, ...]
    steps: tuple[CheckStep, ...]

    @property
    def ready(self) -> bool:
        """Whether every step passed."""
        return all(step.state == "pass" for step in self.steps)

    def as_json(self) -> dict[str, Any]:
        """The JSON contract of `platerig check --rig`; problems hold the failed steps too."""
        problems = [problem.as_json() for problem in self.cautions]
        problems += [
            {"what": f"{step.step}: {step.what}", "where": step.where, "remedy": step.remedy}
            for step in self.steps
            if step.state == "fail" or step.what == NOT_CONFIRMED
        ]
        return {
            "rig": self.rig,
            "simulated": self.simulated,
            "ready": self.ready,
            "values": [asdict(value) for value in self.values],
            "steps": [asdict(step) for step in self.steps],
            "problems": problems,
        }


def nobody(_question: str) -> bool:
    """The confirmation where nobody is there to give it."""
    return False


def check_rig(
    rig_file: Path | str | None = None,
    *,
    world: str | None = None,
    seed: int = 1,
    confirm: Confirm = nobody,
    serial_log: Path | str | None = None,
    progress: Progress = silent,
) -> RigReport:
    """Try a rig step by step. Nothing moves before `confirm` has said that hands are clear.

    confirm: asked before homing and again before the hammer fires; on a virtual rig nobody is
    asked. A step that fails leaves out those that need it. Raises RigFileError and UsageError
    for a wrong call; whatever the devices do wrong is a step that failed.
    """
    from rig.jobs.compose import compose
    from rig.scan import ScanControl

    values: tuple[RigValue, ...] = ()
    cautions: tuple[Problem, ...] = ()
    if rig_file is not None:
        from rig.archive.rig_file import load_rig_file, rig_cautions, rig_values

        values = tuple(rig_values(rig_file))
        cautions = tuple(rig_cautions(load_rig_file(rig_file), str(rig_file)))
    try:
        rig = compose(world, rig_file, seed=seed, speed=0.0, serial_log=serial_log)
    except RigFileError as error:  # it names no port or no camera: nothing to walk through
        if not values:
            raise
        step = CheckStep("link", "fail", error.what.rstrip("."), error.where, error.remedy)
        return RigReport(Path(str(rig_file)).stem, False, values, cautions, (step,))
    control = _HaltAtOnce(ScanControl())
    control.attach(rig.controller.halt)
    walker = RigWalker(rig, (lambda _question: True) if rig.simulated else confirm, control.inner)
    steps: list[CheckStep] = []
    try:
        with interrupts(control):  # type: ignore[arg-type]
            for number, (name, act) in enumerate(walker.steps):
                progress(ProgressEvent(f"checking {name}", number, len(walker.steps)))
                steps.append(_tried(name, act, walker))
    finally:
        walker.put_away()
    return RigReport(rig.settings.name, rig.simulated, values, cautions, tuple(steps))


def _tried(name: str, act: Callable[[], str], walker: RigWalker) -> CheckStep:
    try:
        return CheckStep(name, "pass", act())
    except NotDoneError as reason:
        return CheckStep(name, "not done", reason.what, remedy=reason.remedy)
    except StepFailedError as failure:
        return CheckStep(name, "fail", failure.what, remedy=failure.remedy)
    except DeviceError as error:
        if isinstance(error, HaltedError | LinkError):
            walker.make_safe(error)
        return CheckStep(name, "fail", error.what.rstrip("."), error.where, error.remedy)
    except UsageError as error:
        return CheckStep(name, "fail", error.what.rstrip("."), error.where, error.remedy)


class _HaltAtOnce:
    """At a check there is no strike worth finishing: the first Ctrl-C halts."""

    def __init__(self, inner: Any) -> None:
        self.inner = inner
        self.attach = inner.attach
        self.halt = inner.halt
        self.stop = inner.halt

    @property
    def stop_wanted(self) -> bool:
        """Whether it was halted."""
        return bool(self.inner.halted)
