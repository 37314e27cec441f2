"""The last seconds of a sound stream, addressed by sample number since the stream began."""

from __future__ import annotations

import threading

import numpy as np
from numpy.typing import NDArray

from rig.model.errors import MicrophoneError


class SampleRing:
    """Integer samples (n, channels) of the newest `capacity` moments; safe between threads.

    Lost samples still have numbers: a gap keeps the count in step with time, and nobody is
    given samples from it.
    """

    def __init__(self, channels: int, capacity: int) -> None:
        self._data = np.zeros((capacity, channels), dtype=np.int32)
        self._newest = 0
        self._gaps: list[tuple[int, int]] = []
        self._arrived = threading.Condition()

    @property
    def newest(self) -> int:
        """Number of the sample that comes next: how many the stream has had so far."""
        return self._newest

    @property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """Stretches [first, end) that were lost, as far as the ring still reaches."""
        return tuple(self._gaps)

    def append(self, block: NDArray[np.int32]) -> None:
        """Add a block (n, channels)."""
        capacity = len(self._data)
        with self._arrived:
            tail = block[-capacity:]
            first = self._newest + len(block) - len(tail)
            place = first % capacity
            until_end = min(len(tail), capacity - place)
            self._data[place : place + until_end] = tail[:until_end]
            self._data[: len(tail) - until_end] = tail[until_end:]
            self._newest += len(block)
            self._gaps = [gap for gap in self._gaps if gap[1] > self._newest - capacity]
            self._arrived.notify_all()

    def mark_gap(self, count: int, since: int | None = None) -> None:
        """Count `count` samples that never came; 0 marks a break of unknown length.

        since: sample from which on they may have been lost, None: just now.
        """
        with self._arrived:
            first = self._newest if since is None else min(since, self._newest)
            self._gaps.append((first, self._newest + max(count, 1)))
            if count:
                self._newest += count
            self._arrived.notify_all()

    def wait_for(self, end: int, timeout_s: float) -> bool:
        """Wait in real time until sample `end` − 1 is there."""
        with self._arrived:
            return self._arrived.wait_for(lambda: self._newest >= end, timeout_s)

    def copy(self, first: int, count: int) -> NDArray[np.int32]:
        """Samples [first, first + count), (count, channels); raises MicrophoneError."""
        with self._arrived:
            end = first + count
            if end > self._newest:
                raise MicrophoneError(
                    "The sound did not come.",
                    where=f"samples {first} to {end}, stream at {self._newest}",
                    remedy="Check that the interface is plugged in and nothing else uses it.",
                )
            if first < max(0, self._newest - len(self._data)):
                raise MicrophoneError(
                    "The sound of this strike is no longer in memory.",
                    where=f"samples {first} to {end}, stream at {self._newest}",
                )
            if any(gap[0] < end and gap[1] > first for gap in self._gaps):
                raise MicrophoneError(
                    "Sound was lost during this strike (overflow).",
                    where=f"samples {first} to {end}",
                    remedy="Close other programs; the strike will be repeated.",
                )
            places = np.arange(first, end) % len(self._data)
            return self._data[places]


class LossMeter:
    """Finds out how many samples a stream has lost whose time stamps are exact.

    Status flags alone are not to be trusted: drivers drop samples without raising them. Blocks
    also come late in bursts without loss, so without a flag only a lag that lasts is a loss.
    """

    UNFLAGGED_LAG_S = 0.1
    UNFLAGGED_BLOCKS = 8

    def __init__(self, rate_hz: int) -> None:
        self._rate = rate_hz
        self._start_s: float | None = None
        self._late_blocks = 0
        self._least_late = 0

    def lost(self, counted: int, captured_s: float, *, overflow: bool) -> int:
        """Samples missing just before a block.

        counted: samples before it, lost ones included; captured_s: when its first sample was
        captured, on the stream's clock.
        """
        if self._start_s is None:
            self._start_s = captured_s - counted / self._rate
        late = round((captured_s - self._start_s) * self._rate) - counted
        if late < 0:  # an earlier stamp was late; this one is the better anchor
            self._start_s = captured_s - counted / self._rate
            late = 0
        if overflow:
            self._late_blocks = 0
            return late
        if late < self.UNFLAGGED_LAG_S * self._rate:
            self._late_blocks = 0
            return 0
        self._least_late = min(self._least_late, late) if self._late_blocks else late
        self._late_blocks += 1
        if self._late_blocks < self.UNFLAGGED_BLOCKS:
            return 0
        self._late_blocks = 0
        return self._least_late
