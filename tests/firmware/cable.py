"""A bad cable between the product's own link and any board, in the board's time."""

from __future__ import annotations

import heapq
import itertools

from boards import Board

from rig.virtual.faults import FaultyLine

STEP_S = 0.0005
LEAST_S = 1e-6


class BoardClock:
    """The Clock of a rig whose time is the board's."""

    def __init__(self, cable: Cable) -> None:
        self._cable = cable

    def now_s(self) -> float:
        return self._cable.board.now_s()

    def sleep_s(self, duration_s: float) -> None:
        self._cable.pass_until(self.now_s() + duration_s)

    def utc(self) -> str:
        return "2024-01-01T00:00:00.000Z"


class Cable:
    """A Transport to a board; lines are lost, garbled, doubled and delayed both ways."""

    name = "bad cable"

    def __init__(self, board: Board, to_board: FaultyLine, to_host: FaultyLine) -> None:
        self.board = board
        self.sent = self.heard = 0
        self.commands: set[bytes] = set()  # the lines that were not repeats
        self.to_board = to_board
        self.to_host = to_host
        self._order = itertools.count()
        self._on_the_way: list[tuple[float, int, bool, bytes]] = []  # when, order, to board?, what
        self._inbox = bytearray()

    def open(self) -> None:
        """Opening the port restarts the board."""
        self.board.reset()

    def close(self) -> None:
        """Nothing to do."""

    def write(self, data: bytes) -> None:
        for line in data.splitlines(keepends=True):
            self.sent += 1
            self.commands.add(line)
            self._put(self.to_board.carry(line), to_board=True)
        self._deliver()

    def read(self, timeout_s: float) -> bytes:
        deadline = self.board.now_s() + max(timeout_s, 3.0 * LEAST_S)  # a little always passes
        while not self._inbox and deadline - self.board.now_s() > LEAST_S:
            self.pass_until(min(deadline, self.board.now_s() + STEP_S))
        data = bytes(self._inbox)
        self._inbox.clear()
        return data

    def pass_until(self, moment_s: float) -> None:
        """Let the board's time pass, with what arrives in it."""
        while (left := moment_s - self.board.now_s()) > LEAST_S:
            due = self._on_the_way[0][0] - self.board.now_s() if self._on_the_way else left
            self.board.run(max(LEAST_S, min(left, due)))
            for _, line in self.board.answers:
                self.heard += 1
                self._put(self.to_host.carry(line), to_board=False)
            self.board.answers.clear()
            self._deliver()

    def _put(self, arriving: list[tuple[float, bytes]], *, to_board: bool) -> None:
        now = self.board.now_s()
        for delay_s, line in arriving:
            heapq.heappush(self._on_the_way, (now + delay_s, next(self._order), to_board, line))

    def _deliver(self) -> None:
        while self._on_the_way and self._on_the_way[0][0] <= self.board.now_s() + LEAST_S:
            _, _, to_board, line = heapq.heappop(self._on_the_way)
            if to_board:
                self.board.send(line)
            else:
                self._inbox.extend(line)
