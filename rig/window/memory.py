"""Memory that a long job has freed goes back to the system."""

from __future__ import annotations

import ctypes
import gc

LONG_S = 5.0  # jobs that took longer leave much behind


def give_back() -> None:
    """Call it in the thread of the job: the window must not wait.

    The C library of Linux keeps what was freed, a little more after each scan; elsewhere there is
    nothing to do.
    """
    gc.collect()
    try:
        ctypes.CDLL("libc.so.6").malloc_trim(0)
    except (OSError, AttributeError):
        return
