"""Names, paths and stamps shared by the parts of the plate folder."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import rig
from rig.archive.database import DATABASE_NAME
from rig.model.errors import FolderMissingError, UsageError

SUFFIX = ".plate"
SOFTWARE = f"platerig {rig.__version__}"


def utc_now() -> str:
    """This moment, UTC, ISO 8601, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def folder_path(path: Path | str) -> Path:
    """The path of a plate folder; `back-1` stands for `back-1.plate`."""
    path = Path(path)
    if path.name in ("", ".."):
        raise UsageError(
            "A plate folder needs a name of its own.",
            where=str(path),
            remedy="Name it NAME.plate.",
        )
    return path if path.suffix == SUFFIX else path.with_name(path.name + SUFFIX)


def existing_folder(path: Path | str) -> Path:
    """The path of a plate folder that is there, or FolderMissingError."""
    given = Path(path)
    for candidate in (given, folder_path(given)):
        lost_database = candidate.suffix == SUFFIX and (candidate / "audio").is_dir()
        if (candidate / DATABASE_NAME).is_file() or lost_database:
            return candidate  # without a database, opening says what is left
    if given.is_dir():
        raise FolderMissingError(
            "This directory is no plate folder: plate.sqlite is missing.",
            where=str(given),
            remedy="A directory of recordings is gathered with `platerig gather`.",
        )
    if given.is_file():
        raise FolderMissingError(
            "This is a file, not a plate folder.",
            where=str(given),
            remedy="Name the directory NAME.plate.",
        )
    raise FolderMissingError(
        "There is no plate folder here.",
        where=str(given),
        remedy="Make one with `platerig new NAME.plate`.",
    )
