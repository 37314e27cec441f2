"""What an unfinished scan would be resumed on, told before anything moves."""

from __future__ import annotations

from pathlib import Path


def resumes_on_real_rig(folder: Path | str) -> bool:
    """Whether `scan --resume` on this folder would move a real rig.

    False where there is nothing to resume: the scan itself says so. Raises FolderError.
    """
    from rig.archive.plate_folder import PlateFolder

    with PlateFolder.open(folder) as opened:
        name = opened.unfinished_scan()
        return name is not None and not opened.origin(name).get("simulated", False)
