"""The three stops, as the user's side sees them; usable from any thread and from a signal."""

from __future__ import annotations

import threading
from collections.abc import Callable


class ScanControl:
    """pause: finish this strike, hold. stop: finish this strike, park. halt: now."""

    def __init__(self) -> None:
        self._changed = threading.Condition(threading.RLock())
        self._pause = False
        self._stop = False
        self._halt = False
        self._halt_now: Callable[[], None] | None = None

    def attach(self, halt_now: Callable[[], None]) -> None:
        """Say what cuts the solenoid and kills the motion."""
        with self._changed:
            self._halt_now = halt_now
            halted_before = self._halt
        if halted_before:
            halt_now()

    def pause(self) -> None:
        """Hold at the next tap boundary."""
        self._set(pause=True)

    def resume(self) -> None:
        """Go on after a pause."""
        self._set(pause=False)

    def stop(self) -> None:
        """End at the next tap boundary; ends a pause too."""
        self._set(stop=True)

    def halt(self) -> None:
        """Halt the rig from this very thread, then let the runner find out."""
        self._set(halt=True)
        if self._halt_now is not None:
            self._halt_now()

    @property
    def pause_wanted(self) -> bool:
        """Somebody wants to hold."""
        return self._pause

    @property
    def stop_wanted(self) -> bool:
        """Somebody wants to stop."""
        return self._stop

    @property
    def halted(self) -> bool:
        """The rig was halted."""
        return self._halt

    @property
    def any_wanted(self) -> bool:
        """Whether the next strike should not simply follow."""
        return self._pause or self._stop or self._halt

    def wait_while_paused(self) -> None:
        """Sleep in real time until somebody resumes, stops or halts."""
        with self._changed:
            self._changed.wait_for(lambda: not self._pause or self._stop or self._halt)

    def _set(
        self, *, pause: bool | None = None, stop: bool | None = None, halt: bool | None = None
    ) -> None:
        with self._changed:
            self._pause = self._pause if pause is None else pause
            self._stop = self._stop if stop is None else stop
            self._halt = self._halt if halt is None else halt
            self._changed.notify_all()
