"""A scan that runs: the three stops, what was heard so far, what is to be asked in between."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import QObject, pyqtSignal

if TYPE_CHECKING:
    from rig.model.errors import DeviceError
    from rig.model.progress import ProgressEvent


class ScanRun(QObject):
    """One run; made anew for each."""

    lost = pyqtSignal(str)  # a device is gone; answer with `answer`

    def __init__(self, parent: QObject, simulated: bool) -> None:
        super().__init__(parent)
        from rig.jobs.stops import ScanControl

        self.control = ScanControl()
        self.simulated = simulated
        self.halted = False
        self.stopping = False
        self.state = "starting"
        self.stage = ""
        self.done = 0
        self.total = 0
        self.remaining_s: float | None = None
        self.heard: dict[int, tuple[float, float, float]] = {}  # x, y, cents against 1 Hz
        self.quality: dict[int, tuple[float, float, str]] = {}
        self._answer = threading.Event()
        self._go_on = False

    @property
    def paused(self) -> bool:
        """Whether it holds, or will at the next tap."""
        return self.control.pause_wanted

    def halt(self) -> None:
        """Now. In a thread of its own: the serial line must not wait for the window."""
        self.halted = True
        threading.Thread(target=self.control.halt, name="halt", daemon=True).start()
        self.answer(False)

    def stop(self) -> None:
        """Finish this tap, park."""
        self.stopping = True
        self.control.stop()
        self.answer(False)

    def pause_or_go_on(self) -> None:
        """Hold at the next tap, or end the hold."""
        if self.control.pause_wanted:
            self.control.resume()
        else:
            self.control.pause()

    def plugged_in(self, error: DeviceError) -> bool:
        """Asked in the scan's thread; waits until somebody has looked."""
        if self.control.stop_wanted or self.control.halted:
            return False
        self._answer.clear()
        self.lost.emit(str(error))
        self._answer.wait()
        return self._go_on

    def answer(self, go_on: bool) -> None:
        """Whether the lost device is back and hands are clear."""
        self._go_on = go_on
        self._answer.set()

    def take(self, events: list[ProgressEvent]) -> None:
        """Take what the scan has told since the last time."""
        for event in events:
            self.stage = event.stage
            if event.total:
                self.done, self.total = event.done, event.total
            if event.remaining_s is not None:
                self.remaining_s = event.remaining_s
            detail = event.detail
            if "state" in detail:
                self.state = str(detail["state"])
            if "tap" in detail:
                self._hear(detail)

    def _hear(self, detail: dict[str, Any]) -> None:
        tap, x_mm, y_mm = detail["tap"], detail["x_mm"], detail["y_mm"]
        quality = {"good": "done"}.get(detail.get("quality", "bad"), detail.get("quality", "bad"))
        self.quality[tap] = (x_mm, y_mm, quality)
        hz = detail.get("attack_hz")
        if hz and quality != "bad":
            self.heard[tap] = (x_mm, y_mm, 1200.0 * math.log2(hz))


def run_scan(progress: Callable[[ProgressEvent], None], **options: Any) -> Any:
    """The job, imported in its own thread: what it needs takes a second to load."""
    from rig.jobs.scan import scan

    return scan(progress=progress, **options)
