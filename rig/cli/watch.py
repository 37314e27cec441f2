"""Shows how far a job has come: stage, steps, remaining time, and when it will be done.

Goes to standard error, so that standard output holds the answer only. In a terminal a live bar
(rich, loaded at the first event); elsewhere a plain line per stage and every few seconds.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from rich.progress import Progress as RichProgress
    from rich.progress import TaskID

    from rig.model.progress import ProgressEvent


class Pace:
    """Remaining time from the recent pace, not from the mean since the start."""

    def __init__(self, half_life_s: float = 8.0) -> None:
        self._half_life_s = half_life_s
        self._rate: float | None = None
        self._last: tuple[float, int] | None = None

    def restart(self) -> None:
        """Forget the pace of the stage before."""
        self._rate = None
        self._last = None

    def remaining_s(self, now_s: float, done: int, total: int) -> float | None:
        """Estimate the rest; None before two different counts were seen."""
        if self._last is None:
            self._last = (now_s, done)
            return None
        then_s, before = self._last
        if done > before and now_s > then_s:
            rate = (done - before) / (now_s - then_s)
            if self._rate is None:
                self._rate = rate
            else:
                keep = 0.5 ** ((now_s - then_s) / self._half_life_s)
                self._rate = keep * self._rate + (1.0 - keep) * rate
            self._last = (now_s, done)
        if self._rate is None or self._rate <= 0.0 or total <= 0:
            return None
        return max(0.0, (total - done) / self._rate)


def duration(seconds: float) -> str:
    """`45 s`, `3 min 20 s`, `1 h 05 min`."""
    whole = max(0, round(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def rest_in_words(remaining_s: float | None, now: datetime | None = None) -> str:
    """`40 s left, done at 14:32`; empty when the rest is unknown."""
    if remaining_s is None:
        return ""
    end = (now or datetime.now()) + timedelta(seconds=remaining_s)
    return f"{duration(remaining_s)} left, done at {end:%H:%M}"


class Watch:
    """Listener for a job's progress events; use it as a context manager."""

    def __init__(
        self,
        stream: TextIO | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
        every_s: float = 5.0,
    ) -> None:
        self._stream = stream or sys.stderr
        self._live = self._stream.isatty()
        self._clock = clock
        self._every_s = every_s
        self._pace = Pace()
        self._stage = ""
        self._last_line_s = -1e9
        self._bar: RichProgress | None = None
        self._task: TaskID | None = None

    def __enter__(self) -> Watch:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()

    def close(self) -> None:
        """Take the live bar down; safe to call twice."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None

    def __call__(self, event: ProgressEvent) -> None:
        now_s = self._clock()
        fresh = event.stage != self._stage
        if fresh:
            self._stage = event.stage
            self._pace.restart()
        estimate = self._pace.remaining_s(now_s, event.done, event.total)
        remaining_s = event.remaining_s if event.remaining_s is not None else estimate
        if 0 < event.total <= event.done:
            remaining_s = None  # done: no more to say
        if self._live:
            self._draw(event, remaining_s, fresh)
        elif fresh or now_s - self._last_line_s >= self._every_s:
            self._last_line_s = now_s
            self._stream.write(plain_line(event, remaining_s) + "\n")
            self._stream.flush()

    def _draw(self, event: ProgressEvent, remaining_s: float | None, fresh: bool) -> None:
        if self._bar is None:
            self._bar = _rich_bar(self._stream)
            self._bar.start()
        rest = rest_in_words(remaining_s)
        total = event.total or None
        steps = f"{event.done}/{event.total}" if event.total else ""
        if self._task is None:
            self._task = self._bar.add_task(event.stage, total=total, rest=rest, steps=steps)
        elif fresh:
            self._bar.reset(self._task, description=event.stage, total=total)
        self._bar.update(self._task, completed=event.done, total=total, rest=rest, steps=steps)


def plain_line(event: ProgressEvent, remaining_s: float | None) -> str:
    """One event as a line of a log."""
    parts = [event.stage]
    if event.total:
        parts.append(f"{event.done}/{event.total}")
    rest = rest_in_words(remaining_s)
    return ": ".join(parts) + (f" ({rest})" if rest else "")


def _rich_bar(stream: TextIO) -> RichProgress:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    return Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=30),
        TextColumn("{task.fields[steps]}", markup=False),
        TextColumn("{task.fields[rest]}", markup=False),
        console=Console(file=stream, highlight=False),
        refresh_per_second=8,
        transient=True,
    )
