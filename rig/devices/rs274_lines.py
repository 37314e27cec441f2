"""Plain RS-274 lines: word templates, what a board says, and lines in flight. No I/O.

Boards of this kind know no numbers and no checksums: they answer every line, in order, with an
acknowledgement or a refusal, and say other things in between. So a line whose answer was lost
can't be told from one that was not executed; nothing here ever sends a line twice.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from string import Formatter

from rig.model.rig_settings import Rs274Settings

MAX_SAID_BYTES = 512  # of a board's line; the rest of a longer one is dropped
_WORD = re.compile(r"[GMNT]\d", re.IGNORECASE)  # how an echo begins that comes late
_NUMBER = r"\s*[:=]?\s*([-+]?\d*\.?\d+)"


def fields_of(template: str) -> set[str]:
    """Names in braces. Raises ValueError where the braces are malformed."""
    found = set()
    for _, name, form, conversion in Formatter().parse(template):
        if name is not None:
            if not name.isidentifier() or form or conversion:
                raise ValueError("has malformed braces")
            found.add(name)
    return found


def filled(template: str, **values: float) -> str:
    """A template with its fields as plain decimal numbers of up to six decimals."""
    return template.format(**{name: plain_number(value) for name, value in values.items()})


def plain_number(value: float) -> str:
    """12.500000 as 12.5, −0.0000001 as 0."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def is_single(text: str) -> bool:
    """Whether a text is a single character, sent at once, without a line end or an answer."""
    return len(text) == 1


def on_the_wire(text: str) -> bytes:
    """The bytes of one item of a template."""
    return text.encode("ascii") if is_single(text) else text.encode("ascii") + b"\n"


@dataclass(frozen=True)
class Acknowledged:
    """The oldest line in flight was taken (or done, as the board has it)."""

    line: str


@dataclass(frozen=True)
class Refused:
    """The oldest line in flight was refused; `said` is the board's own word."""

    line: str
    said: str


@dataclass(frozen=True)
class Alarm:
    """The board stopped by itself."""

    said: str


@dataclass(frozen=True)
class Greeting:
    """The board's banner: it has just started."""

    said: str


@dataclass(frozen=True)
class Place:
    """A position report, mm as the board counts."""

    x_mm: float
    y_mm: float


@dataclass(frozen=True)
class Other:
    """Anything else the board says; an echo and a blank line are not even that."""

    said: str


Said = Acknowledged | Refused | Alarm | Greeting | Place | Other


class PlainCodec:
    """Sorts what a board says and counts what is in flight."""

    def __init__(self, settings: Rs274Settings) -> None:
        self._settings = settings
        self._place = place_pattern(settings.position_reply)
        self._waiting: deque[str] = deque()
        self._flying: deque[str] = deque()
        self._pending = bytearray()
        self.stray = 0  # answers that nobody waited for

    @property
    def idle(self) -> bool:
        """Whether every line has been sent and answered."""
        return not self._waiting and not self._flying

    @property
    def in_flight(self) -> tuple[str, ...]:
        """Lines sent and not yet answered, oldest first."""
        return tuple(self._flying)

    @property
    def unanswered(self) -> int:
        """Lines waiting or in flight."""
        return len(self._waiting) + len(self._flying)

    def put(self, lines: Sequence[str]) -> None:
        """Line up lines to be sent, one after the other."""
        self._waiting.extend(lines)

    def due(self) -> bytes:
        """What may be sent now: as many lines as the board has room for."""
        settings = self._settings
        out = bytearray()
        while self._waiting:
            size = len(on_the_wire(self._waiting[0]))
            flying = sum(len(on_the_wire(line)) for line in self._flying)
            full = len(self._flying) >= settings.lines_in_flight
            if full or (self._flying and flying + size > settings.bytes_in_flight):
                break
            out += self._launch()
        return bytes(out)

    def together(self, lines: Sequence[str]) -> bytes:
        """Lines that must not be parted, in one piece; only when nothing else is under way."""
        if not self.idle:
            raise ValueError("other lines are under way")
        self._waiting.extend(lines)
        return b"".join(self._launch() for _ in lines)

    def _launch(self) -> bytes:
        line = self._waiting.popleft()
        self._flying.append(line)
        return on_the_wire(line)

    def keep_back(self) -> None:
        """Forget the lines that have not been sent."""
        self._waiting.clear()

    def drop(self) -> None:
        """Forget all lines, sent or not."""
        self._waiting.clear()
        self._flying.clear()

    def receive(self, data: bytes) -> list[Said]:
        """Take bytes from the board."""
        found: list[Said] = []
        for byte in data:
            if byte in (0x0A, 0x0D):
                text = self._pending.decode("ascii", errors="replace").strip()
                self._pending.clear()
                if text:
                    found.extend(self._sort(text))
            elif len(self._pending) < MAX_SAID_BYTES:
                self._pending.append(byte)
        return found

    def _sort(self, text: str) -> list[Said]:
        settings, low = self._settings, text.lower()
        if self._is_echo(text):
            return []
        if _begins(low, settings.acknowledgement):
            found: list[Said] = []
            if self._flying:
                found.append(Acknowledged(self._flying.popleft()))
            else:
                self.stray += 1
            return [*self._places(text), *found]
        if any(_begins(low, word) for word in settings.refusal):
            if not self._flying:
                return [Alarm(text)]  # it refuses what nobody asked: something is wrong with it
            return [Refused(self._flying.popleft(), text)]
        if any(_begins(low, word) for word in settings.alarm):
            return [Alarm(text)]
        if settings.banner is not None and settings.banner.lower() in low:
            return [Greeting(text)]
        return self._places(text) or [Other(text)]

    def _is_echo(self, text: str) -> bool:
        said = _bare(text)
        return any(said == _bare(line) for line in self._flying)

    def _places(self, text: str) -> list[Said]:
        match = None if _WORD.match(text) else self._place.search(text)
        return [] if match is None else [Place(float(match["x"]), float(match["y"]))]


def place_pattern(template: str) -> re.Pattern[str]:
    """What a position report looks like; {x} and {y} are numbers, blanks and case don't matter."""
    parts = []
    for literal, name, _, _ in Formatter().parse(template):
        parts.append(re.sub(r"(\\?\s)+", r"\\s*[,;]?\\s*", re.escape(literal)))
        if name is not None:
            parts.append(_NUMBER.replace("(", f"(?P<{name}>", 1))
    return re.compile(r"(?<![A-Za-z])" + "".join(parts), re.IGNORECASE)


def _begins(low: str, word: str) -> bool:
    """Whether a line begins with a word, and not with a longer one."""
    word = word.lower()
    rest = low[len(word) :]
    return low.startswith(word) and not (rest[:1].isalpha() and word[-1:].isalpha())


def _bare(text: str) -> str:
    return "".join(text.split()).upper()
