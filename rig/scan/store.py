"""What the runner needs of a plate folder."""

from __future__ import annotations

from typing import Protocol

from rig.model.clip import Clip
from rig.model.plan import Plan
from rig.model.reading import ClipReading
from rig.model.scan_record import ScanRecord, ScanState


class StrikeStore(Protocol):
    """Keeps strikes for good. Methods may be called from several threads."""

    def plan(self, scan: str) -> Plan:
        """The frozen plan of a scan."""

    def done(self, scan: str) -> set[tuple[int, int]]:
        """(tap, repeat) of every strike that is stored and in use."""

    def store_strike(
        self,
        scan: str,
        *,
        tap: int,
        repeat: int,
        x_mm: float,
        y_mm: float,
        clip: Clip,
        pulse_us: int | None = None,
        pulse_time_us: int | None = None,
    ) -> int:
        """Store one blow for good before returning; an earlier one of this tap and repeat yields.

        Raises StorageFullError with nothing lost.
        """

    def store_reading(self, strike_id: int, reading: ClipReading) -> object:
        """Add a reading to a strike."""

    def supersede(self, strike_id: int, reason: str = ...) -> None:
        """Take a strike out of use; it stays stored."""

    def set_state(self, scan: str, state: ScanState, reason: str = "") -> None:
        """Say how far a scan has come."""

    def scan_record(self, scan: str, *, with_clips: bool = True) -> ScanRecord:
        """The whole scan; with_clips=False leaves the clips empty."""

    def clip(self, strike_id: int) -> Clip:
        """The recording of one strike."""
