"""Take recordings made by hand, or by other programs, into a plate folder."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from rig.model.errors import OutlineError, TapSetError
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

    directory: of the tap set, or a universal file (.uff, .unv) with time histories of blows.
    again: also where the folder has these very recordings already. Returns scan, taps, strikes and
    every rejected recording with its reason. Raises TapSetError (no usable taps.csv, or nothing
    new in it), OutlineError, FolderInUseError.
    """
    from rig.archive.gathering import gather_tap_set
    from rig.archive.universal_reader import is_universal, lay_out_universal

    path = Path(directory)
    if not is_universal(path):
        return gather_tap_set(path, folder, progress, again=again)
    with TemporaryDirectory(prefix="platerig-") as room:
        laid_out = Path(room) / path.name
        cautions = lay_out_universal(path, laid_out)
        try:
            found = gather_tap_set(laid_out, folder, progress, again=again)
        except OutlineError as problem:
            raise OutlineError(
                problem.what,
                where=str(path),
                remedy="Begin the folder with its outline: platerig new NAME.plate --outline FILE.",
            ) from None
        except TapSetError as problem:  # it names the passing place where the file was laid out
            problem.where = str(path)
            raise
    return replace(found, cautions=(*cautions, *found.cautions))
