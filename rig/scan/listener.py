"""What the runner tells its listeners, and what it hands back at the end."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from rig.model.plan import Plan, PlannedTap
from rig.model.reading import ClipReading
from rig.model.scan_record import ScanState

log = logging.getLogger(__name__)


class TapStep(StrEnum):
    """What just happened at a tap."""

    STRIKING = "striking"
    STORED = "stored"
    READ = "read"
    SKIPPED = "skipped"


class FinishReason(StrEnum):
    """Why a scan ended, apart from the state it ended in."""

    COMPLETE = "all taps done"
    STOPPED = "stopped by the user"
    LIMITED = "as many taps as were asked for"
    MOVED = "the plate moved"
    HALTED = "halted"
    DEVICE = "a device failed"
    STORAGE = "the folder cannot be written to"
    FAULT = "an unexpected fault"


@dataclass(frozen=True)
class TapEvent:
    """One step at one tap; the later fields are filled as far as the step has come."""

    step: TapStep
    tap: PlannedTap
    repeat: int = 0
    retake: int = 0  # 0 for the first strike
    strike_id: int | None = None
    reading: ClipReading | None = None
    reason: str = ""


@dataclass(frozen=True)
class Rejected:
    """A planned strike with something against it, and what."""

    tap: int
    repeat: int
    x_mm: float
    y_mm: float
    reason: str


@dataclass(frozen=True)
class ScanOutcome:
    """How a run ended. Counts of taps and strikes are of the whole scan, earlier runs included.

    wall_s: real seconds from the first move to the last strike stored, pauses left out; rig_s:
    the same in rig time; floor_s: kinematic and acoustic minimum of what this run had to do.
    """

    state: ScanState
    finish: FinishReason
    reason: str
    taps: int
    strikes: int
    retakes: int
    rejected: tuple[Rejected, ...]
    struck_again: tuple[Rejected, ...]  # what the retakes were made for
    wall_s: float
    rig_s: float
    floor_s: float
    error: Exception | None = None
    notes: tuple[str, ...] = ()  # found in passing, such as a place that sounds otherwise


@dataclass(frozen=True)
class End:
    """State and reason a run ended with."""

    state: ScanState
    finish: FinishReason
    error: Exception | None = None
    reason: str = ""

    @property
    def words(self) -> str:
        """Why it ended."""
        return self.reason or (self.finish.value if self.error is None else str(self.error))


class ScanListener(Protocol):
    """Five hooks, called from the runner's threads; whatever they raise is logged and forgotten.

    A strike is stored before anybody hears of it.
    """

    def scan_started(self, plan: Plan, to_do: int, floor_s: float) -> None:
        """The plan is saved and the rig is homed; `to_do` strikes are to be made."""

    def state_changed(self, state: ScanState, reason: str) -> None:
        """Running, paused, or one of the ends."""

    def tap_event(self, event: TapEvent) -> None:
        """Something happened at a tap."""

    def progressed(self, done: int, total: int, remaining_s: float | None) -> None:
        """So many of the planned strikes are stored."""

    def scan_finished(self, outcome: ScanOutcome) -> None:
        """Always said, however the scan ended."""


class Listeners:
    """Hands every event on to all listeners and shields the scan from them."""

    def __init__(self, listeners: Iterable[ScanListener] = ()) -> None:
        self._listeners = tuple(listeners)

    def tell(self, call: Callable[[ScanListener], None]) -> None:
        """Call one hook of every listener."""
        for listener in self._listeners:
            try:
                call(listener)
            except Exception:
                log.exception("a listener of the scan failed")
