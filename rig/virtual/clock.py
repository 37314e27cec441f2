"""One clock for a whole virtual rig: rig time passes only where somebody waits for it."""

from __future__ import annotations

import heapq
import itertools
import math
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta


class VirtualClock:
    """Rig time, and the agenda of what happens in it.

    speed: rig seconds per real second; 0 or infinity: as fast as the machine can. A wait of d rig
    seconds sleeps d/speed. At speed 1 the host's own computing time counts as rig time, as on a
    real rig, but at most `grace_s` a wait, so that a machine busy with other work slows the
    virtual rig down instead of tripping its heartbeat. At any other speed rig time does not
    depend on the host at all, and the same seed gives the same scan.
    """

    def __init__(self, speed: float = 1.0, *, grace_s: float = 0.02) -> None:
        if math.isnan(speed) or speed < 0.0:
            raise ValueError("speed must not be negative")
        self.speed = math.inf if speed == 0.0 else speed
        self._grace_s = grace_s
        self._now = 0.0
        self._real = time.monotonic()  # the real moment that belongs to _now
        self._passing = False  # a thread is asleep while rig time flows
        self._calendar = datetime.now(UTC)
        self._order = itertools.count()
        self._agenda: list[tuple[float, int, Callable[[], None]]] = []
        self._news = 0
        self.lock = threading.RLock()  # guards everything that lives in this rig's time
        self._changed = threading.Condition(self.lock)

    def now_s(self) -> float:
        """Rig seconds since the rig was switched on."""
        with self.lock:
            if self._passing:  # asked by another thread than the one that waits
                return self._now + (time.monotonic() - self._real) * self.speed
            return self._now

    def utc(self) -> str:
        """Calendar time of the present rig moment, UTC, ISO 8601."""
        moment = self._calendar + timedelta(seconds=self.now_s())
        return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def at(self, moment_s: float, happening: Callable[[], None]) -> None:
        """Let something happen at a rig moment (in the next wait, if the moment has passed)."""
        with self._changed:
            heapq.heappush(self._agenda, (moment_s, next(self._order), happening))
            self._news += 1
            self._changed.notify_all()

    def sleep_s(self, duration_s: float) -> None:
        """Let this much rig time pass, with everything that happens in it."""
        with self.lock:
            self.catch_up()
            end = self._now + max(0.0, duration_s)
        self.wait_for(lambda: False, end)

    def wait_for(self, ready: Callable[[], bool], moment_s: float) -> bool:
        """Wait until `ready` (looked at after every happening) or the moment; True when ready."""
        with self._changed:
            self.catch_up()
            while not ready():
                due = self._agenda[0][0] if self._agenda else math.inf
                if due <= self._now:
                    heapq.heappop(self._agenda)[2]()
                elif self._now >= moment_s:
                    return False
                else:
                    self._pass(min(due, moment_s))
            return True

    def catch_up(self) -> None:
        """Account for the real time since the last wait; see the class."""
        with self.lock:
            if self._passing or math.isinf(self.speed):
                return
            behind = time.monotonic() - self._real
            if self.speed != 1.0:  # rig time stands; later sleeps are shortened a little instead
                self._real += max(0.0, behind - self._grace_s)
                return
            until = self._now + min(max(0.0, behind), self._grace_s)
            self._real += max(0.0, behind)
            while self._agenda and self._agenda[0][0] <= until:
                moment, _, happening = heapq.heappop(self._agenda)
                self._now = max(self._now, moment)
                happening()
            self._now = max(self._now, until)

    def _pass(self, target_s: float) -> None:
        """Sleep until `target_s`, or until another thread puts something on the agenda."""
        if not math.isinf(self.speed):
            wake = self._real + (target_s - self._now) / self.speed
            news = self._news
            while (rest := wake - time.monotonic()) > 0.0:
                self._passing = True
                try:
                    self._changed.wait(rest)
                finally:
                    self._passing = False
                if self._news != news:
                    real = min(wake, time.monotonic())
                    self._now = min(target_s, self._now + (real - self._real) * self.speed)
                    self._real = real
                    return
            self._real = wake
        self._now = max(self._now, target_s)
