"""How long a scan must take, and how long it still will."""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence

from rig.devices.motion import move_time_s
from rig.devices.roles import Clock
from rig.model.rig_settings import RigSettings

Place = tuple[float, float]
RECENT = 20  # strikes whose pace counts


def leg_s(start: Place, end: Place, settings: RigSettings) -> float:
    """Shortest time from place to place, settling included; 0 where there is no way to go."""
    distance = math.dist(start, end)
    if distance <= 0.0:
        return 0.0
    controller = settings.controller
    moving = move_time_s(distance, controller.speed_mm_s, controller.acceleration_mm_s2)
    return moving + controller.settle_s


def floor_of(start: Place, places: Sequence[Place], settings: RigSettings) -> list[float]:
    """Least time of each strike: move, settle, record. places: bed frame, one a strike."""
    floors = []
    for place in places:
        floors.append(leg_s(start, place, settings) + settings.microphone.record_s)
        start = place
    return floors


class Pace:
    """Remaining time from the recent pace against the least time, and the path that is left.

    A plain average would mistake a long way at the start or a slow stretch long ago for the
    present pace.
    """

    def __init__(self, floors_s: Sequence[float]) -> None:
        self._left = deque(floors_s)
        self._recent: deque[tuple[float, float]] = deque(maxlen=RECENT)  # (taken, floor)
        self._lock = threading.Lock()

    def strike_done(self, taken_s: float) -> None:
        """One planned strike is behind us."""
        with self._lock:
            if self._left:
                self._recent.append((taken_s, self._left.popleft()))

    def remaining_s(self, retakes_due: int = 0) -> float | None:
        """Time still to go; None before there is a pace."""
        with self._lock:
            if not self._recent:
                return None
            taken_s = math.fsum(taken for taken, _ in self._recent)
            floor_s = math.fsum(floor for _, floor in self._recent)
            left_s = math.fsum(self._left)
            return left_s * taken_s / floor_s + retakes_due * taken_s / len(self._recent)


class Stopwatch:
    """Wall and rig time from the first move to the last strike stored, pauses left out."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._running = False
        self._began = (0.0, 0.0)
        self.wall_s = 0.0
        self.rig_s = 0.0
        self.floor_s = 0.0

    def start(self) -> None:
        """Begin to count."""
        self._running = True
        self._began = (time.monotonic(), self._clock.now_s())

    def stop(self) -> None:
        """Stop counting; harmless when not counting."""
        if self._running:
            self.wall_s += time.monotonic() - self._began[0]
            self.rig_s += self._clock.now_s() - self._began[1]
        self._running = False

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Not counting inside."""
        self.stop()
        try:
            yield
        finally:
            self.start()
