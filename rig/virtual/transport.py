"""The cable between computer and virtual board: byte times, and the faults of a bad cable."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Protocol

from rig.model.errors import LinkError
from rig.virtual.clock import VirtualClock
from rig.virtual.faults import FaultyLine


class Board(Protocol):
    """The other end of the cable. `send` is set by the transport."""

    send: Callable[[bytes], None]

    def power_up(self) -> None:
        """The board starts."""

    def receive(self, data: bytes) -> None:
        """Bytes arrive from the computer."""


class VirtualTransport:
    """A Transport whose other end is a virtual board."""

    def __init__(
        self,
        clock: VirtualClock,
        board: Board,
        to_board: FaultyLine,
        to_host: FaultyLine,
        *,
        baud: int = 250_000,
    ) -> None:
        self._clock = clock
        self._board = board
        self._to_board = to_board
        self._to_host = to_host
        self._byte_s = 10.0 / baud  # start bit, eight data bits, stop bit
        self._board_free_s = 0.0
        self._host_free_s = 0.0
        self._inbox = bytearray()
        self._plugged = True
        self._open = False
        board.send = self._carry_to_host

    @property
    def name(self) -> str:
        """What to call this line in a message."""
        return "virtual controller"

    def open(self) -> None:
        """Open the line; as on many boards, that restarts the controller."""
        with self._clock.lock:
            self._require_cable()
            self._open = True
            self._inbox.clear()
            self._board.power_up()

    def read(self, timeout_s: float) -> bytes:
        """Wait in rig time."""
        self._require_cable()
        deadline = self._clock.now_s() + max(0.0, timeout_s)
        self._clock.wait_for(lambda: bool(self._inbox) or not self._plugged, deadline)
        with self._clock.lock:
            self._require_cable()
            data = bytes(self._inbox)
            self._inbox.clear()
        return data

    def write(self, data: bytes) -> None:
        """Send lines on their way."""
        with self._clock.lock:
            self._require_cable()
            self._clock.catch_up()
            for line in data.splitlines(keepends=True):
                for delay_s, arriving in self._to_board.carry(line):
                    moment = self._on_the_way(line, delay_s, to_board=True)
                    self._clock.at(moment, partial(self._arrive, arriving))

    def close(self) -> None:
        """Let go of the line."""
        with self._clock.lock:
            self._open = False

    def unplug(self) -> None:
        """Pull the cable out."""
        with self._clock.lock:
            self._plugged = False
            self._clock.at(self._clock.now_s(), lambda: None)  # wakes a waiting reader

    def plug_in(self) -> None:
        """Put the cable back; the line must be opened anew."""
        with self._clock.lock:
            self._plugged = True
            self._open = False

    def _arrive(self, data: bytes) -> None:
        if self._plugged:
            self._board.receive(data)

    def _carry_to_host(self, line: bytes) -> None:
        for delay_s, arriving in self._to_host.carry(line):
            moment = self._on_the_way(line, delay_s, to_board=False)
            self._clock.at(moment, partial(self._deliver, arriving))

    def _deliver(self, data: bytes) -> None:
        if self._open and self._plugged:
            self._inbox.extend(data)

    def _on_the_way(self, line: bytes, delay_s: float, *, to_board: bool) -> float:
        """Moment at which the last byte of a line has arrived; one line after the other."""
        free = self._board_free_s if to_board else self._host_free_s
        arrival = max(free, self._clock.now_s()) + len(line) * self._byte_s
        if to_board:
            self._board_free_s = arrival
        else:
            self._host_free_s = arrival
        return arrival + delay_s if math.isfinite(delay_s) else arrival

    def _require_cable(self) -> None:
        if not self._plugged:
            raise LinkError(
                "The line to the controller broke off.",
                where=self.name,
                remedy="Check cable and supply, home the rig, then resume the scan.",
            )
