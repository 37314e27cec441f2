"""Real time, for real rigs."""

from __future__ import annotations

import time
from datetime import UTC, datetime


class SystemClock:
    """The Clock role on the computer's own monotonic clock."""

    def now_s(self) -> float:
        """Seconds of the monotonic clock."""
        return time.monotonic()

    def sleep_s(self, duration_s: float) -> None:
        """Sleep; negative durations return at once."""
        if duration_s > 0.0:
            time.sleep(duration_s)

    def utc(self) -> str:
        """Now, UTC, ISO 8601 with milliseconds."""
        return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
