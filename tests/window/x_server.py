"""An X server of its own for a test."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def x_server() -> Iterator[dict[str, str]]:
    """The environment in which Qt opens its windows there."""
    read, write = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", "1366x768x24", "-nolisten", "tcp"],
        pass_fds=[write], stderr=subprocess.DEVNULL,
    )  # fmt: skip
    os.close(write)
    try:
        with os.fdopen(read) as told:
            display = f":{told.readline().strip()}"
        assert display != ":"
        yield os.environ | {"DISPLAY": display, "QT_QPA_PLATFORM": "xcb"}
    finally:
        server.terminate()
        server.wait()
