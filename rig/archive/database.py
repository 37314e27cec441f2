"""plate.sqlite behind a lock, so that a writing thread and a reading one can share it."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rig.archive import schema
from rig.archive.storage import storage_errors
from rig.model.errors import FolderDamagedError

DATABASE_NAME = "plate.sqlite"
_BUSY_WAIT_S = 5.0


class Database:
    """One connection. Writers use a write-ahead log while open and leave a plain file behind."""

    def __init__(
        self, path: Path, *, write: bool, create: bool = False, wait_s: float = _BUSY_WAIT_S
    ) -> None:
        """Open; older schemas are brought up to date (for readers in memory only).

        wait_s: how long to wait for somebody else who holds the database.
        """
        self.path = path
        self.write = write
        self._lock = threading.RLock()
        self._closed = False
        with storage_errors(path):
            mode = "rwc" if create else "rw" if write else "ro"
            self._connection = _connect(path, mode, wait_s)
            try:
                self._prepare(create)
            except BaseException:
                self._connection.close()
                raise

    def _prepare(self, create: bool) -> None:
        connection = self._connection
        if create:
            schema.migrate(connection)
        number = schema.require_readable(connection, str(self.path))
        old = number < schema.newest()
        if old and self.write:
            self._keep_copy(number)
            schema.migrate(connection)
        elif old:
            memory = _connect(None, "memory")
            connection.backup(memory)
            connection.close()
            schema.migrate(memory)
            self._connection = connection = memory
        connection.row_factory = sqlite3.Row
        if self.write:
            connection.execute("PRAGMA journal_mode = WAL").fetchone()
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")

    def _keep_copy(self, number: int) -> None:
        self.copy_to(self.path.with_name(f"plate-schema-{number}.sqlite"))

    def copy_to(self, path: Path) -> None:
        """Write the whole database, its log included, into a file of its own."""
        copy = sqlite3.connect(path)
        try:
            with self._lock, storage_errors(path):
                self._connection.backup(copy)
        finally:
            copy.close()

    def rows(self, sql: str, values: Sequence[Any] = ()) -> list[sqlite3.Row]:
        """Everything a query finds, at once, so that no read holds up a writer."""
        with self._lock, storage_errors(self.path):
            try:
                return self._connection.execute(sql, values).fetchall()
            except UnicodeDecodeError as problem:  # damage that the database itself does not see
                raise not_understood(problem, self.path) from problem

    def row(self, sql: str, values: Sequence[Any] = ()) -> sqlite3.Row | None:
        """The first row a query finds."""
        found = self.rows(sql, values)
        return found[0] if found else None

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All of what is done inside, or none of it. Other threads wait."""
        with self._lock, storage_errors(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    @contextmanager
    def one_at_a_time(self) -> Iterator[None]:
        """Keep other threads out over several steps."""
        with self._lock:
            yield

    def file_hashes(self) -> dict[str, str]:
        """File → SHA-256 of every recording and picture, as taken when it was stored."""
        found = self.rows(
            "SELECT file, sha256 FROM strike UNION ALL SELECT file, sha256 FROM image"
        )
        return {row["file"]: row["sha256"] for row in found}

    def close(self) -> None:
        """Close; a writer folds its log back in, so that a plain copy of the file is whole."""
        with self._lock, storage_errors(self.path):
            if self._closed:
                return
            self._closed = True
            if self.write:
                try:
                    self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                    self._connection.execute("PRAGMA journal_mode = DELETE").fetchone()
                except sqlite3.OperationalError as problem:
                    # A reader is looking on: the log stays, emptied, and the file is whole.
                    if "locked" not in str(problem) and "busy" not in str(problem):
                        raise
                finally:
                    self._connection.close()
            else:
                self._connection.close()


def not_understood(problem: Exception, path: Path) -> FolderDamagedError:
    """The error for a database that opens and holds what nobody wrote."""
    return FolderDamagedError(
        f"What the folder's database holds cannot be understood: {problem}.",
        where=str(path),
        remedy="Fetch plate.sqlite from a copy (`platerig check NAME.plate --repair --from "
        "COPY.plate`); the recordings in audio/ carry their own places.",
    )


def _connect(path: Path | None, mode: str, wait_s: float = _BUSY_WAIT_S) -> sqlite3.Connection:
    if path is None:
        return sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)

    def attempt(options: str) -> sqlite3.Connection:
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?{options}",
            uri=True,
            timeout=wait_s,
            isolation_level=None,
            check_same_thread=False,
        )
        try:
            connection.execute("PRAGMA schema_version").fetchone()
        except sqlite3.Error:
            connection.close()
            raise
        return connection

    try:
        return attempt(f"mode={mode}")
    except sqlite3.OperationalError as problem:
        if problem.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY:
            raise  # somebody is writing: what the file holds at this moment may be half a change
        # On a read-only medium a file left in log mode needs files beside it that cannot be made;
        # with no log to fold in, the file alone is the whole truth.
        log = path.with_name(path.name + "-wal")
        if mode != "ro" or not path.exists() or (log.exists() and log.stat().st_size > 0):
            raise
        return attempt("mode=ro&immutable=1")
