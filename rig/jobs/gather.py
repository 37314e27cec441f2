"""Take recordings made by hand, or by other programs, into a plate folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rig.model.progress import Progress, silent

if TYPE_CHECKING:
    from rig.archive.gathering import Gathered


def gather(
    directory: Path | str,
    folder: Path | str,
    progress: Progress = silent,
    *,
    again: bool = False,
) -> Gathered:
    """Take a tap set into NAME.plate, made anew if there is none; what is wrong is listed.

    again: also where the folder has these very recordings already. Returns scan, taps, strikes and
    every rejected recording with its reason. Raises TapSetError (no usable taps.csv, or nothing
    new in it), OutlineError, FolderInUseError.
    """
    from rig.archive.gathering import gather_tap_set

    return gather_tap_set(directory, folder, progress, again=again)
