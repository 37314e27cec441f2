"""Bytes on the disk that are still there after a power cut, and names for what went wrong."""

from __future__ import annotations

import errno
import hashlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rig.model.errors import (
    FolderDamagedError,
    FolderError,
    FolderInUseError,
    PlaterigError,
    StorageFullError,
)

PART_SUFFIX = ".part"
_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_READ_ONLY = {errno.EROFS, errno.EACCES, errno.EPERM}
# Wrong calls and broken constraints are mistakes in this program, not damage to the folder.
_FAULTS_OF_OURS = (sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.IntegrityError)
_SQLITE_FULL, _SQLITE_BUSY, _SQLITE_READONLY = 13, 5, 8
_SQLITE_IOERR, _SQLITE_CORRUPT, _SQLITE_CANTOPEN, _SQLITE_NOTADB = 10, 11, 14, 26


@contextmanager
def storage_errors(where: Path | str) -> Iterator[None]:
    """Turn the errors of the file system and of sqlite into ours."""
    try:
        yield
    except PlaterigError:
        raise
    except OSError as problem:
        raise _of_os_error(problem, str(where)) from problem
    except _FAULTS_OF_OURS:
        raise
    except sqlite3.Error as problem:
        raise _of_sqlite_error(problem, str(where)) from problem


def _of_os_error(problem: OSError, where: str) -> PlaterigError:
    reason = problem.strerror or str(problem)
    if problem.errno in _FULL:
        return StorageFullError(
            f"The disk is full: {reason}.",
            where=where,
            remedy="Make room and go on; everything stored so far is whole.",
        )
    if problem.errno in _READ_ONLY:
        return FolderError(
            f"This place cannot be written to: {reason}.",
            where=where,
            remedy="Copy the folder to a place of your own, or ask for the right to write here.",
        )
    return FolderError(
        f"The disk refused: {reason}.",
        where=where,
        remedy="See whether it is still connected, or choose another place; what was stored before "
        "is kept.",
    )


def _of_sqlite_error(problem: sqlite3.Error, where: str) -> PlaterigError:
    code = (getattr(problem, "sqlite_errorcode", 0) or 0) & 0xFF
    if code in (_SQLITE_FULL, _SQLITE_IOERR):
        return StorageFullError(
            f"The disk is full or failing: {problem}.",
            where=where,
            remedy="Make room and go on; everything stored so far is whole.",
        )
    if code == _SQLITE_BUSY:
        return FolderInUseError(
            "The folder's database is in use.", where=where, remedy="Try again in a moment."
        )
    if code == _SQLITE_READONLY:
        return FolderError("The folder was opened for reading only.", where=where)
    if code in (_SQLITE_CORRUPT, _SQLITE_NOTADB, _SQLITE_CANTOPEN) or isinstance(
        problem, sqlite3.DatabaseError
    ):
        return FolderDamagedError(
            f"The folder's database cannot be read: {problem}.",
            where=where,
            remedy="Keep the folder as it is, run `platerig check` on it to see what is left, and "
            "fetch plate.sqlite from a copy; the recordings in audio/ carry their own places.",
        )
    return FolderError(f"The folder's database refused: {problem}.", where=where)


def write_durably(path: Path, data: bytes, *, read_only: bool = False) -> None:
    """Write to `path` by way of a `.part` file: after a crash it is there whole or not at all.

    Raises OSError; what was half written is then taken away again.
    """
    part = path.with_name(path.name + PART_SUFFIX)
    try:
        with open(part, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if read_only:
            part.chmod(0o444)
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    sync_directory(path.parent)


def sync_directory(path: Path) -> None:
    """Make a rename in this directory survive a power cut."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sha256_of(path: Path) -> str:
    """Hash of a file's bytes, hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
