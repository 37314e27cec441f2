"""Write a scan out for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rig.model.progress import Progress, silent

if TYPE_CHECKING:
    from rig.archive.exports import Exported


def export(
    folder: Path | str,
    out_dir: Path | str,
    scan: str | None = None,
    progress: Progress = silent,
) -> Exported:
    """Write a scan (the latest when none is named) as a tap set: CSV, datapackage.json and WAV.

    Gathering the directory gives the same samples and numbers. Raises FolderMissingError,
    FolderError when the directory is not empty, StorageFullError.
    """
    from rig.archive.exports import export_scan

    return export_scan(folder, out_dir, scan, progress)
