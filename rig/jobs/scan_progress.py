"""A scan's events as the progress events of a job."""

from __future__ import annotations

from rig.model.plan import Plan
from rig.model.progress import Progress, ProgressEvent
from rig.model.scan_record import ScanState
from rig.scan.listener import ScanOutcome, TapEvent, TapStep


class ProgressListener:
    """Tells a job's listener how far the scan is; skipped taps and poor strikes by name."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._done = 0
        self._total = 0

    def scan_started(self, plan: Plan, to_do: int, floor_s: float) -> None:
        """Planned and homed."""
        self._total = plan.strike_count
        self._done = plan.strike_count - to_do
        self._progress(ProgressEvent("tapping", self._done, self._total, floor_s))

    def state_changed(self, state: ScanState, reason: str) -> None:
        """Running, paused, ended."""
        detail: dict[str, object] = {"state": state.value, "reason": reason}
        self._progress(ProgressEvent("tapping", self._done, self._total, None, detail))

    def tap_event(self, event: TapEvent) -> None:
        """Readings as they come, and what was skipped."""
        if event.step not in (TapStep.READ, TapStep.SKIPPED):
            return
        detail: dict[str, object] = {
            "step": event.step.value,
            "tap": event.tap.number,
            "x_mm": event.tap.x_mm,
            "y_mm": event.tap.y_mm,
            "retake": event.retake,
            "reason": event.reason,
        }
        if event.reading is not None:
            detail |= {
                "quality": event.reading.quality,
                "tone_hz": event.reading.tone_hz,
                "attack_hz": event.reading.attack_hz,
            }
        self._progress(ProgressEvent("tapping", self._done, self._total, None, detail))

    def progressed(self, done: int, total: int, remaining_s: float | None) -> None:
        """One more strike is stored."""
        self._done, self._total = done, total
        self._progress(ProgressEvent("tapping", done, total, remaining_s))

    def scan_finished(self, outcome: ScanOutcome) -> None:
        """Over."""
        detail: dict[str, object] = {"state": outcome.state.value, "reason": outcome.reason}
        self._progress(ProgressEvent("scan over", self._done, self._total, None, detail))
