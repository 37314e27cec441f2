"""Where the bytes of the controller line come from and go to."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from rig.model.errors import LinkError

if TYPE_CHECKING:
    import serial

WRITE_LIMIT_S = 2.0


class Transport(Protocol):
    """A stream of bytes both ways. Raises LinkError when the line is gone."""

    @property
    def name(self) -> str:
        """What to call this line in a message."""

    def open(self) -> None:
        """Open the line."""

    def read(self, timeout_s: float) -> bytes:
        """Wait up to `timeout_s` for bytes; empty when none came."""

    def write(self, data: bytes) -> None:
        """Send; may be called from any thread, the bytes of one call stay together."""

    def close(self) -> None:
        """Let go of the line; safe to call twice."""


class SerialTransport:
    """One serial port, opened for this process alone. Ports nobody named are never opened.

    port: its name, or a function that finds it whenever the line is opened, since a cable that
    was pulled may come back under another name. Reading belongs to one thread at a time; writing
    from another one (a halt) never waits for it.
    """

    def __init__(self, port: str | Callable[[], str], baud: int) -> None:
        self._find = port if callable(port) else None
        self._port = "controller" if callable(port) else port
        self._baud = baud
        self._serial: serial.Serial | None = None
        self._reading = threading.Lock()
        self._writing = threading.Lock()

    @property
    def name(self) -> str:
        """The port."""
        return self._port

    def open(self) -> None:
        """Open the port, which makes many boards restart. What came before is dropped."""
        import serial

        self.close()
        if self._find is not None:
            self._port = self._find()
        try:
            self._serial = serial.Serial(
                self._port, self._baud, timeout=0.1, write_timeout=WRITE_LIMIT_S, exclusive=True
            )
        except (serial.SerialException, ValueError, OSError) as error:
            self.close()
            raise LinkError(
                f"The port cannot be opened: {_why(error)}.",
                where=self._port,
                remedy="See `platerig devices` for the ports there are; close other programs "
                "that use it.",
            ) from error

    def read(self, timeout_s: float) -> bytes:
        """Wait for the first byte, then take all that is there."""
        import serial

        with self._reading:
            port = self._opened()
            try:
                port.timeout = max(0.0, timeout_s)
                first = port.read(1)
                waiting = port.in_waiting if first else 0
                return bytes(first + port.read(waiting)) if waiting else bytes(first)
            except (*_GONE, serial.SerialException) as error:
                raise self._gone(error) from error

    def write(self, data: bytes) -> None:
        """Send all bytes, those of one call together."""
        import serial

        with self._writing:
            port = self._opened()
            try:
                port.write(data)
            except (*_GONE, serial.SerialException) as error:
                raise self._gone(error) from error

    def close(self) -> None:
        """Close the port."""
        port, self._serial = self._serial, None
        if port is not None:
            with contextlib.suppress(OSError):
                port.close()

    def _opened(self) -> serial.Serial:
        port = self._serial
        if port is None:
            raise LinkError("The port is not open.", where=self._port)
        return port

    def _gone(self, error: Exception) -> LinkError:
        return LinkError(
            f"The line to the controller broke off: {_why(error)}.",
            where=self._port,
            remedy="Check cable and supply, home the rig, then resume the scan.",
        )


# pyserial lets a port that vanishes, or is closed by another thread, come out as any of these
_GONE: tuple[type[Exception], ...] = (OSError, TypeError, AttributeError, ValueError)


def _why(error: Exception) -> str:
    """What the system says, without the library's repetitions of it."""
    number = getattr(error, "errno", None)
    if number:
        return os.strerror(number).lower()
    if isinstance(error, TypeError | AttributeError):
        return "the port was closed"
    return str(error).rstrip(".")
