"""A record of every byte on the controller's line, for the day something goes wrong.

One line of the file is one read or write: seconds since the line was opened, `>` to the board or
`<` from it, and the bytes as printable ASCII, everything else as backslash escapes: nothing is
left out or tidied.
"""

from __future__ import annotations

import re
import threading
from pathlib import Path
from typing import TextIO

from rig.devices.roles import Clock
from rig.devices.transport import Transport
from rig.model.errors import UsageError

_LINE = re.compile(r"\s*(\d+\.\d{6}) ([<>]) (.*)")
_ESCAPE = re.compile(r"\\(x[0-9a-f]{2}|.)")
_SHORT = {"\\": "\\", "n": "\n", "r": "\r", "t": "\t"}


class LoggedTransport:
    """A Transport that writes down what goes through another one."""

    def __init__(self, inner: Transport, path: Path | str, clock: Clock) -> None:
        self._inner = inner
        self._path = Path(path)
        self._clock = clock
        self._file: TextIO | None = None
        self._lock = threading.Lock()
        self._began_s = 0.0

    @property
    def name(self) -> str:
        """The line's own name."""
        return self._inner.name

    def open(self) -> None:
        """Open the record, then the line. An earlier record is carried on."""
        with self._lock:
            if self._file is None:
                try:
                    self._file = self._path.open("a", encoding="ascii", newline="\n")
                except OSError as error:
                    raise UsageError(
                        f"The log of the serial line cannot be written: {error.strerror}.",
                        where=str(self._path),
                        remedy="Give --log-serial another file.",
                    ) from error
            self._began_s = self._clock.now_s()
        self._inner.open()
        self._note("#", f"{self._inner.name} opened {self._clock.utc()}")

    def read(self, timeout_s: float) -> bytes:
        """Read and write down."""
        data = self._inner.read(timeout_s)
        if data:
            self._note("<", escaped(data))
        return data

    def write(self, data: bytes) -> None:
        """Write down, then send: what broke the line stands in the record too."""
        self._note(">", escaped(data))
        self._inner.write(data)

    def close(self) -> None:
        """Close the line and the record."""
        self._inner.close()
        with self._lock:
            if self._file is not None:
                self._file.close()
                self._file = None

    def _note(self, mark: str, text: str) -> None:
        with self._lock:
            if self._file is not None:
                moment_s = self._clock.now_s() - self._began_s
                self._file.write(f"{moment_s:12.6f} {mark} {text}\n")
                self._file.flush()


def escaped(data: bytes) -> str:
    """Bytes as one line of printable ASCII that `unescaped` turns back."""
    return data.decode("latin-1").encode("unicode_escape").decode("ascii")


def unescaped(text: str) -> bytes:
    """The bytes of an escaped line. Raises ValueError where it is none."""

    def one(match: re.Match[str]) -> str:
        code = match[1]
        if len(code) == 3:
            return chr(int(code[1:], 16))
        if code not in _SHORT:
            raise ValueError(f"no escape: {match[0]}")
        return _SHORT[code]

    return _ESCAPE.sub(one, text).encode("latin-1")


def read_log(path: Path | str) -> list[tuple[float, str, bytes]]:
    """A record read back: (seconds, ">" or "<", bytes) of every read and write."""
    found = []
    for line in Path(path).read_text(encoding="ascii").splitlines():
        match = _LINE.fullmatch(line)
        if match is not None:
            found.append((float(match[1]), match[2], unescaped(match[3])))
    return found
