"""One line of the controller protocol: text, sequence number and checksum. No I/O.

`firmware_notes/protocol.md` is the specification; this is its section "Lines".
"""

from __future__ import annotations

import binascii
import re
from dataclasses import dataclass

MAX_LINE_BYTES = 96  # line end included
LAST_NUMBER = 65_535
_KINDS = "NARE"
_NUMBER = re.compile(r"-?\d{1,12}(\.\d{1,4})?", re.ASCII)
_BODY = re.compile(r"([NARE])(\d{1,5})((?: [!-)+-~]+)*)", re.ASCII)  # words: no space, no asterisk


class LineError(Exception):
    """Bytes that are no valid line; the text says which rule they break."""


@dataclass(frozen=True)
class Line:
    """kind: N command, A answer, R please repeat from, E event. number: 0…65535."""

    kind: str
    number: int
    words: tuple[str, ...] = ()


def checksum(body: bytes) -> int:
    """CRC-16/CCITT: polynomial 0x1021, start 0xFFFF, not reflected; 0x29B1 over "123456789"."""
    return binascii.crc_hqx(body, 0xFFFF)


def encode(line: Line) -> bytes:
    """Write one line with checksum and line end. Raises LineError if the rules forbid it."""
    body = " ".join((f"{line.kind}{line.number}", *line.words))
    spaced = any(" " in word for word in line.words)
    if spaced or not _BODY.fullmatch(body) or line.number > LAST_NUMBER:
        raise LineError(f"not a line of the protocol: {body!r}")
    raw = body.encode("ascii")
    data = raw + b"*%04X\n" % checksum(raw)
    if len(data) > MAX_LINE_BYTES:
        raise LineError(f"{len(data)} bytes, more than {MAX_LINE_BYTES}")
    return data


def decode(raw: bytes) -> Line:
    """Read one line (line end removed). Raises LineError saying what is wrong with it."""
    body, star, digits = raw.rpartition(b"*")
    if not star or not re.fullmatch(rb"[0-9A-F]{4}", digits):
        raise LineError("no checksum")
    if int(digits, 16) != checksum(body):
        raise LineError("wrong checksum")
    match = _BODY.fullmatch(body.decode("ascii", errors="replace"))
    if match is None or int(match[2]) > LAST_NUMBER:
        raise LineError("malformed")
    return Line(match[1], int(match[2]), tuple(match[3].split()))


def word_value(words: tuple[str, ...], letter: str) -> float | None:
    """The number behind the word that begins with `letter` (X12.5 → 12.5); None if there is none.

    Raises LineError when the word is there but carries no plain decimal number.
    """
    for word in words:
        if len(word) > 1 and word[0] == letter and not word.isalpha():
            if not _NUMBER.fullmatch(word[1:]):
                raise LineError(f"{word} carries no plain number")
            return float(word[1:])
    return None


def read_words(words: tuple[str, ...], letters: str, *, others: bool = False) -> dict[str, float]:
    """Values of a command's words by their letter, as a controller reads them.

    Raises LineError when a word is malformed or given twice, or its letter is none of `letters`
    (unless `others` are let pass).
    """
    found: dict[str, float] = {}
    for word in words:
        letter = word[0]
        if letter not in letters:
            if others:
                continue
            raise LineError(f"{word} has no meaning here")
        if letter in found or not _NUMBER.fullmatch(word[1:]):
            raise LineError(f"{word} is given twice or carries no plain number")
        found[letter] = float(word[1:])
    return found


class LineSplitter:
    """Cuts a stream of bytes into lines; a line that is too long is dropped whole."""

    def __init__(self) -> None:
        self._pending = bytearray()
        self._overlong = False

    def feed(self, data: bytes) -> list[bytes | None]:
        """Return the complete lines without their ends; None stands for an overlong one."""
        found: list[bytes | None] = []
        for byte in data:
            if byte == 0x0A:
                found.append(None if self._overlong else bytes(self._pending))
                self._pending.clear()
                self._overlong = False
            elif byte != 0x0D:
                if len(self._pending) >= MAX_LINE_BYTES - 1:
                    self._overlong = True
                else:
                    self._pending.append(byte)
        return [line for line in found if line is None or line]
