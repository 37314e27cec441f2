"""Mouse and keyboard as the X server itself knows them, through its test extension (XTEST)."""

from __future__ import annotations

import ctypes
import os
import time

from PyQt5.QtCore import QPoint, Qt

_CONTROL, _SHIFT, _ALT = 0xFFE3, 0xFFE1, 0xFFE9
_NAMED = {
    Qt.Key_Return: 0xFF0D, Qt.Key_Escape: 0xFF1B, Qt.Key_Tab: 0xFF09, Qt.Key_Space: 0x20,
    **{getattr(Qt, f"Key_F{n}"): 0xFFBD + n for n in range(1, 13)},
}  # fmt: skip


class RealHands:
    """Events that come to the window as from a mouse and a keyboard that are plugged in."""

    def __init__(self) -> None:
        self._x11 = ctypes.CDLL("libX11.so.6")
        self._xtst = ctypes.CDLL("libXtst.so.6")
        self._x11.XOpenDisplay.restype = ctypes.c_void_p
        self._x11.XKeysymToKeycode.argtypes = [ctypes.c_void_p, ctypes.c_ulong]
        self._x11.XSync.argtypes = [ctypes.c_void_p, ctypes.c_int]
        many = [ctypes.c_uint, ctypes.c_int, ctypes.c_ulong]
        self._xtst.XTestFakeKeyEvent.argtypes = [ctypes.c_void_p, *many]
        self._xtst.XTestFakeButtonEvent.argtypes = [ctypes.c_void_p, *many]
        self._xtst.XTestFakeMotionEvent.argtypes = [
            ctypes.c_void_p, ctypes.c_int, ctypes.c_int, ctypes.c_int, ctypes.c_ulong,
        ]  # fmt: skip
        self._display = self._x11.XOpenDisplay(os.environ["DISPLAY"].encode())
        assert self._display

    def _sync(self) -> None:
        self._x11.XSync(self._display, 0)
        time.sleep(0.01)  # the window gets its events in another connection

    def move(self, at: QPoint) -> None:
        """The pointer to a place of the screen."""
        self._xtst.XTestFakeMotionEvent(self._display, -1, at.x(), at.y(), 0)
        self._sync()

    def button(self, down: bool) -> None:
        """The left button."""
        self._xtst.XTestFakeButtonEvent(self._display, 1, int(down), 0)
        self._sync()

    def click(self, at: QPoint) -> None:
        """Go there, press, let go."""
        self.move(at)
        self.button(True)
        self.button(False)

    def _key(self, keysym: int, down: bool) -> None:
        code = self._x11.XKeysymToKeycode(self._display, keysym)
        assert code, hex(keysym)
        self._xtst.XTestFakeKeyEvent(self._display, code, int(down), 0)
        self._sync()

    def press(self, key: int, modifier: int = Qt.NoModifier) -> None:
        """A key with what is held down meanwhile."""
        held = [sym for kind, sym in ((Qt.ControlModifier, _CONTROL), (Qt.ShiftModifier, _SHIFT),
                                      (Qt.AltModifier, _ALT)) if modifier & kind]  # fmt: skip
        keysym = _NAMED.get(key) or ord(chr(key).lower())
        for sym in (*held, keysym):
            self._key(sym, True)
        for sym in (keysym, *reversed(held)):
            self._key(sym, False)

    def write(self, text: str) -> None:
        """Small letters, digits, commas and spaces."""
        for letter in text:
            self._key(ord(letter), True)
            self._key(ord(letter), False)
