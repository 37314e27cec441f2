"""From the controller's microseconds and the computer's clock to sample numbers."""

from __future__ import annotations

from collections import deque

WINDOW = 24  # newest observations that count: old ones suffer from the drift between the clocks


class SampleClock:
    """Which sample was captured at a moment of the computer's clock.

    Samples are counted when their block arrives, so a count is never ahead of the truth: the
    observation with the least delay is the best one. What remains is the stream's constant
    latency, a few milliseconds by which the answer is early.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate = rate_hz
        self._offsets: deque[float] = deque(maxlen=WINDOW)

    def observe(self, now_s: float, position: int) -> None:
        """`position` samples had been counted at `now_s`."""
        self._offsets.append(position - self._rate * now_s)

    def sample_at(self, moment_s: float) -> int:
        """Number of the sample captured at a moment."""
        return round(self._rate * moment_s + max(self._offsets))


class PulseClock:
    """Which moment of the computer's clock a controller time stands for.

    An answer is never here before its pulse has begun, so the one that came quickest is the best.
    """

    def __init__(self) -> None:
        self._offsets: deque[float] = deque(maxlen=WINDOW)

    def moment_s(self, pulse_time_us: int, answered_s: float) -> float:
        """Learn from one strike's answer and return the moment of its pulse."""
        self._offsets.append(answered_s - 1e-6 * pulse_time_us)
        return 1e-6 * pulse_time_us + min(self._offsets)
