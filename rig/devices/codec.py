"""Sequence numbers, repeats and credit of the controller protocol, for both ends. No I/O.

Bytes go in, events come out, bytes to send come out; clocks and ports belong to the callers.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

from rig.devices.lines import LAST_NUMBER, Line, LineError, LineSplitter, decode, encode
from rig.model.errors import LocalProtocolError

UNSEQUENCED = frozenset({"HELLO", "HALT"})  # number 0: harmless when executed twice


def next_number(number: int) -> int:
    """The sequence number after `number`: 1…65535, then 1 again."""
    return number % LAST_NUMBER + 1


@dataclass(frozen=True)
class Answer:
    """The controller's answer to command `number`: OK with words, or NO with a code."""

    number: int
    words: tuple[str, ...]

    @property
    def accepted(self) -> bool:
        """True for OK."""
        return self.words[:1] == ("OK",)


@dataclass(frozen=True)
class Event:
    """An unsolicited line of the controller."""

    number: int
    words: tuple[str, ...]


@dataclass(frozen=True)
class RepeatWanted:
    """Something did not get through; what is outstanding should be sent again."""

    reason: str


class HostCodec:
    """The computer's end. Outstanding commands are kept until they are answered."""

    def __init__(self, *, credit_lines: int = 1, credit_bytes: int = 96) -> None:
        self.credit_lines = credit_lines
        self.credit_bytes = credit_bytes
        self._splitter = LineSplitter()
        self._next = 1
        self._outstanding: OrderedDict[int, bytes] = OrderedDict()
        self._last_event: int | None = None

    @property
    def outstanding(self) -> tuple[int, ...]:
        """Numbers of the commands that wait for an answer, oldest first."""
        return tuple(self._outstanding)

    def restart(self, *, credit_lines: int, credit_bytes: int) -> None:
        """Begin a session: numbers from 1, nothing outstanding, the credit the board granted."""
        self.credit_lines, self.credit_bytes = credit_lines, credit_bytes
        self._next = 1
        self._outstanding.clear()

    def has_credit(self, size: int = 0) -> bool:
        """Whether one more command (of `size` bytes) may be sent.

        It must fit the controller's receive buffer, and its number must stay near the oldest
        unanswered one, whose stored answer the controller would otherwise have given up.
        """
        waiting = [number for number in self._outstanding if number]
        used = sum(len(self._outstanding[number]) for number in waiting)
        ahead = (self._next - waiting[0]) % LAST_NUMBER if waiting else 0
        return ahead < self.credit_lines and used + size <= self.credit_bytes

    def command(self, *words: str) -> tuple[int, bytes]:
        """Number a command; returns the number and the bytes to send.

        Raises LocalProtocolError without credit, or if the words break the line rules.
        """
        number = 0 if words[0] in UNSEQUENCED else self._next
        try:
            data = encode(Line("N", number, words))
        except LineError as error:
            raise LocalProtocolError(f"Cannot put this command on the line: {error}.") from error
        if number:
            if not self.has_credit(len(data)):
                raise LocalProtocolError("The controller's receive buffer has no room left.")
            self._next = next_number(number)
        self._outstanding[number] = data
        return number, data

    def repeat(self) -> bytes:
        """Everything outstanding once more, oldest first."""
        return b"".join(self._outstanding.values())

    def forget(self, number: int) -> None:
        """Stop waiting for an answer."""
        self._outstanding.pop(number, None)

    def receive(self, data: bytes) -> list[Answer | Event | RepeatWanted]:
        """Take bytes from the line; answers nobody waits for any more are dropped."""
        found: list[Answer | Event | RepeatWanted] = []
        for raw in self._splitter.feed(data):
            try:
                line = decode(raw or b"")
            except LineError as error:
                found.append(RepeatWanted(f"garbled line: {error}"))
                continue
            if line.kind == "E":
                if self._is_news(line):
                    found.append(Event(line.number, line.words))
            elif line.kind == "R":
                found.append(RepeatWanted(f"controller expects number {line.number}"))
            elif line.kind == "A" and self._outstanding.pop(line.number, None) is not None:
                found.append(Answer(line.number, line.words))
        return found

    def _is_news(self, line: Line) -> bool:
        """Whether an event is newer than the last one heard; copies and late ones are not."""
        last = self._last_event
        if line.number == 0 or last is None or last == 0:  # 0: the banner, counted anew
            self._last_event = line.number
            return True
        ahead = (line.number - last) % LAST_NUMBER
        if 0 < ahead <= LAST_NUMBER // 2:
            self._last_event = line.number
            return True
        return False


@dataclass(frozen=True)
class Command:
    """A command to be executed now, for the first time."""

    number: int
    words: tuple[str, ...]


class PeerCodec:
    """The controller's end: decides what is new, what is a repeat and what is missing.

    `receive` yields commands to execute and bytes to send back at once (stored answers, repeat
    requests). Every command must then be answered with `answer`.
    """

    def __init__(self, *, kept_answers: int = 8) -> None:
        self._splitter = LineSplitter()
        self._expected: int | None = None  # None before the first HELLO
        self._session = ""
        self._answers: OrderedDict[int, bytes] = OrderedDict()
        self._kept = kept_answers
        self._events = 0
        self._asked = False  # for the expected line, since the last one that was in order
        self.heard_valid = False  # whether the last `receive` held a valid line (heartbeat)

    def receive(self, data: bytes) -> list[Command | bytes]:
        """Sort the incoming lines."""
        found: list[Command | bytes] = []
        self.heard_valid = False
        for raw in self._splitter.feed(data):
            try:
                line = decode(raw or b"")
                if line.kind != "N":
                    continue  # an echo of our own line
                if not line.words:
                    raise LineError("not a command")
            except LineError:
                found.extend(self._ask_again())
                continue
            self.heard_valid = True
            found.extend(self._sort(line))
        return found

    def _ask_again(self) -> list[Command | bytes]:
        if self._expected is None:
            return []
        self._asked = True
        return [encode(Line("R", self._expected))]

    def _sort(self, line: Line) -> list[Command | bytes]:
        if line.number == 0:
            return [Command(0, line.words)]
        if self._expected is None:
            return [encode(Line("A", line.number, ("NO", "13")))]
        if line.number == self._expected:
            self._expected = next_number(line.number)
            self._asked = False
            return [Command(line.number, line.words)]
        behind = (self._expected - line.number) % LAST_NUMBER
        if behind <= LAST_NUMBER // 2:  # heard before: answer again, never execute again
            stored = self._answers.get(line.number)
            return [stored] if stored is not None else []
        return [] if self._asked else self._ask_again()

    def greet(self, session: str) -> bool:
        """Take a HELLO: True when it opens a new session, False when it repeats the present one."""
        if self._expected is not None and session == self._session:
            return False
        self._session = session
        self._expected = 1
        self._asked = False
        self._answers.clear()
        return True

    def answer(self, number: int, *words: str) -> bytes:
        """Bytes of the answer to a command; kept for repeats."""
        data = encode(Line("A", number, words))
        if number:
            self._answers[number] = data
            while len(self._answers) > self._kept:
                self._answers.popitem(last=False)
        return data

    def event(self, *words: str) -> bytes:
        """Bytes of the next unsolicited line."""
        data = encode(Line("E", self._events, words))
        self._events = next_number(self._events)
        return data
