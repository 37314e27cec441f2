"""Pack a plate folder into one checked file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rig.model.progress import Progress, silent

if TYPE_CHECKING:
    from rig.archive.packing import Packed


def pack(
    folder: Path | str, file: Path | str | None = None, *, progress: Progress = silent
) -> Packed:
    """Write everything in NAME.plate into a zip file that follows BagIt (RFC 8493).

    file: NAME.plate.zip beside the folder when left out. The same folder gives the same file to
    the last bit; the folder is not changed. Raises FolderMissingError, FolderInUseError,
    FolderError when the file is there already, StorageFullError.
    """
    from rig.archive.packing import pack_folder

    return pack_folder(folder, file, progress)
