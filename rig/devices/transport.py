"""Where the bytes of the controller line come from and go to."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Protocol

from rig.model.errors import LinkError

if TYPE_CHECKING:
    import serial


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
    """A serial port by its explicit name. Ports nobody named are never opened."""

    def __init__(self, port: str, baud: int) -> None:
        self._port = port
        self._baud = baud
        self._serial: serial.Serial | None = None

    @property
    def name(self) -> str:
        """The port."""
        return self._port

    def open(self) -> None:
        """Open the port for this process alone."""
        import serial

        try:
            self._serial = serial.Serial(
                self._port, self._baud, timeout=0.1, write_timeout=2.0, exclusive=True
            )
        except (serial.SerialException, ValueError, OSError) as error:
            raise LinkError(
                f"The port cannot be opened: {_why(error)}.",
                where=self._port,
                remedy="See `platerig devices` for the ports there are; close other programs "
                "that use it.",
            ) from error

    def read(self, timeout_s: float) -> bytes:
        """Wait for the first byte, then take all that is there."""
        port = self._opened()
        import serial

        try:
            port.timeout = max(0.0, timeout_s)
            first = port.read(1)
            waiting = port.in_waiting if first else 0
            return bytes(first + port.read(waiting)) if waiting else bytes(first)
        except (serial.SerialException, OSError) as error:
            raise self._gone(error) from error

    def write(self, data: bytes) -> None:
        """Send all bytes in one call (pyserial's write is one system call per buffer)."""
        port = self._opened()
        import serial

        try:
            port.write(data)
        except (serial.SerialException, OSError) as error:
            raise self._gone(error) from error

    def close(self) -> None:
        """Close the port."""
        if self._serial is not None:
            self._serial.close()
            self._serial = None

    def _opened(self) -> serial.Serial:
        if self._serial is None:
            raise LinkError("The port is not open.", where=self._port)
        return self._serial

    def _gone(self, error: Exception) -> LinkError:
        return LinkError(
            f"The line to the controller broke off: {error}.",
            where=self._port,
            remedy="Check cable and supply, home the rig, then resume the scan.",
        )


def _why(error: Exception) -> str:
    """What the system says, without the library's repetitions of it."""
    number = getattr(error, "errno", None)
    if number:
        return os.strerror(number).lower()
    return str(error).rstrip(".")
