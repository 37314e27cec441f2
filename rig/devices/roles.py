"""What the scan asks of its devices. Real rigs and virtual worlds implement the same roles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rig.model.clip import Clip


class Clock(Protocol):
    """Time as the rig lives it; a virtual rig may live faster than its user."""

    def now_s(self) -> float:
        """Seconds since some fixed moment, never running backwards."""

    def sleep_s(self, duration_s: float) -> None:
        """Let this much rig time pass."""

    def utc(self) -> str:
        """The present moment, UTC, ISO 8601, for records."""


@dataclass(frozen=True)
class ControllerInfo:
    """What the controller says of itself when the link opens."""

    firmware: str
    protocol: int
    max_pulse_us: int
    max_duty: float


@dataclass(frozen=True)
class StrikeReport:
    """The controller's account of one strike.

    pulse_time_us: the controller's own clock at the start of the pulse; answered_s: the
    computer's clock when the answer came, soon after. The speeds come from the optional gate on
    the hammer; None where there is none or it saw nothing.
    """

    pulse_time_us: int
    answered_s: float
    strike_speed_m_s: float | None = None
    rebound_speed_m_s: float | None = None


class Controller(Protocol):
    """Gantry and tapper. Every call returns only when the controller has acknowledged it.

    Raises LinkError (no answer), ControllerRefusedError (limits, duty cycle, not homed),
    HaltedError (halt was pressed or sent).
    """

    def open(self) -> ControllerInfo:
        """Open the link and wait for the banner."""

    def home(self) -> None:
        """Find the homed corner; needed after power-up and after every halt."""

    def start_move(self, x_mm: float, y_mm: float) -> None:
        """Begin a straight move of the hammer to a place of the bed frame."""

    def wait_until_still(self) -> None:
        """Return when the motion has ended, keeping the heartbeat going meanwhile."""

    def strike(self, pulse_us: int) -> StrikeReport:
        """Give the solenoid one pulse. Never repeated by the link, whatever happens on the line."""

    def position(self) -> tuple[float, float] | None:
        """Where the hammer is, bed frame; None when unknown (not homed)."""

    def halt(self) -> None:
        """Now: solenoid off first, motion killed, position unknown, homing forced. Never raises."""

    def close(self) -> None:
        """Let go of the link; safe to call twice."""


class Microphone(Protocol):
    """One stream for a whole scan."""

    def open(self) -> None:
        """Start the stream; raises MicrophoneError."""

    def position_samples(self) -> int:
        """Samples captured since the stream began (counted, not timed)."""

    def sample_at(self, moment_s: float) -> float:
        """Number of the sample captured at a moment of the computer's clock.

        Early by the stream's own latency, which only a strike that is seen can tell.
        """

    def take(self, first_sample: int, count: int) -> Clip:
        """Wait for and return `count` samples from `first_sample`.

        Raises MicrophoneError when they were lost (overflow), are too old, or do not come.
        """

    def close(self) -> None:
        """Stop the stream; safe to call twice."""


@dataclass(frozen=True)
class Frame:
    """One picture: (height, width, 3) uint8 in blue, green, red order."""

    pixels: NDArray[np.uint8]
    utc: str


class Camera(Protocol):
    """A source of single frames."""

    def open(self) -> None:
        """Open the source; raises CameraError."""

    def frame(self) -> Frame:
        """Take one fresh picture; raises CameraError."""

    def close(self) -> None:
        """Let go of the source; safe to call twice."""
