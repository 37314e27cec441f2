"""One writer per plate folder: a lock that says who holds it and vanishes with its process."""

from __future__ import annotations

import fcntl
import json
import os
import time
from pathlib import Path

from rig.archive.storage import storage_errors
from rig.model.errors import FolderInUseError

LOCK_NAME = "writer.lock"


class WriterLock:
    """Held from construction until `release`. The kernel drops it when the process dies."""

    def __init__(self, folder: Path, *, since_utc: str) -> None:
        """Take the lock or raise FolderInUseError, naming the process that holds it."""
        self._path = folder / LOCK_NAME
        with storage_errors(self._path):
            self._handle = self._take()
            os.ftruncate(self._handle, 0)
            holder = {"process": os.getpid(), "since_utc": since_utc}
            os.pwrite(self._handle, json.dumps(holder).encode(), 0)

    def _take(self) -> int:
        patience = 3
        while True:
            handle = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if patience > 0:  # somebody may only be looking whether the lock is held
                    patience -= 1
                    os.close(handle)
                    time.sleep(0.02)
                    continue
                message = _holder_text(os.pread(handle, 4096, 0))
                os.close(handle)
                raise FolderInUseError(
                    f"Another scan or window is writing to this folder{message}.",
                    where=str(self._path.parent),
                    remedy="Wait until it has ended, or end it; reading is possible meanwhile.",
                ) from None
            # The holder before us may have taken the file away between our open and our lock.
            try:
                if os.stat(self._path).st_ino == os.fstat(handle).st_ino:
                    return handle
            except FileNotFoundError:
                pass
            os.close(handle)

    def release(self) -> None:
        """Give the folder free; safe to call twice."""
        if self._handle >= 0:
            self._path.unlink(missing_ok=True)
            os.close(self._handle)
            self._handle = -1


def held(folder: Path) -> bool:
    """Whether some process is writing to the folder at this moment."""
    try:
        handle = os.open(folder / LOCK_NAME, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False


def _holder_text(content: bytes) -> str:
    try:
        holder = json.loads(content)
        process, since = int(holder["process"]), str(holder["since_utc"])
    except (ValueError, KeyError, TypeError):
        return ""
    own = " (this program itself)" if process == os.getpid() else ""
    return f": process {process}{own}, since {since}"
