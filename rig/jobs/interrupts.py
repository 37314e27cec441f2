"""Ctrl-C at a moving rig: once stops, twice halts."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.scan import ScanControl


@contextmanager
def interrupts(control: ScanControl) -> Iterator[None]:
    """Ctrl-C stops, a second one halts. Only where signals can be caught: the main thread."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def on_signal(_number: int, _frame: object) -> None:
        act: Callable[[], None] = control.halt if control.stop_wanted else control.stop
        # in a thread of its own: the main one may hold the very locks that this needs
        threading.Thread(target=act, name="interrupt").start()

    before = {s: signal.signal(s, on_signal) for s in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
