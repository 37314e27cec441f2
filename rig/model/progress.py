"""What a long job tells its caller while it runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass(frozen=True)
class ProgressEvent:
    """`stage` in plain words; done of total steps; remaining_s where it can be told.

    `detail` may carry numbers for a listener that wants them (tap, x_mm, tone_hz …).
    """

    stage: str
    done: int = 0
    total: int = 0
    remaining_s: float | None = None
    detail: dict[str, object] = field(default_factory=dict)


Progress = Callable[[ProgressEvent], None]


def silent(_event: ProgressEvent) -> None:
    """The listener that does not listen."""
