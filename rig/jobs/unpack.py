"""Lay a packed plate folder out again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rig.model.progress import Progress, silent

if TYPE_CHECKING:
    from rig.archive.unpacking import Unpacked


def unpack(
    file: Path | str,
    folder: Path | str | None = None,
    *,
    rescue: bool = False,
    progress: Progress = silent,
) -> Unpacked:
    """Check every hash of a packed file, then lay its plate folder out as it was.

    folder: the name it was packed under, in the current directory, when left out. rescue: lay out
    what is whole even where files are damaged; otherwise nothing is written then and the result
    names them. Raises FolderDamagedError for what is no pack or not to be trusted, FolderError when
    there is something of this name already, StorageFullError.
    """
    from rig.archive.unpacking import unpack_file

    return unpack_file(file, folder, progress, rescue=rescue)
