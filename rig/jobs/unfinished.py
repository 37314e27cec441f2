"""What an unfinished scan would be resumed on and with; what is left of one that never began."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rig.model.errors import UsageError


def resumes_on_real_rig(folder: Path | str) -> bool:
    """Whether `scan --resume` on this folder would move a real rig.

    False where there is nothing to resume: the scan itself says so. Raises FolderError.
    """
    from rig.archive.plate_folder import PlateFolder

    with PlateFolder.open(folder) as opened:
        name = opened.unfinished_scan()
        return name is not None and not opened.origin(name).get("simulated", False)


def require_same_plan(folder: Path | str, **asked: object) -> None:
    """Raise UsageError where the unfinished scan was planned otherwise than asked for.

    asked: face, strength, spacing_mm, repeats or seed, as far as the user has named them.
    """
    from rig.archive.plate_folder import PlateFolder

    with PlateFolder.open(folder) as opened:
        name = opened.unfinished_scan()
        if name is None:
            return
        plan, origin = opened.plan(name), opened.origin(name)
    for what, wanted in asked.items():
        stored = origin.get("seed") if what == "seed" else getattr(plan, what)
        if wanted != stored:
            words = what.removesuffix("_mm")
            raise UsageError(
                f"{name} was begun with {words} {stored}, not {wanted}.",
                where=str(folder),
                remedy=f"Leave --{words} out to resume it, or start a new scan without --resume.",
            )


@contextmanager
def removed_if_empty(path: Path) -> Iterator[None]:
    """Take a folder that this very call has made away again where it fails before any scan."""
    from rig.archive.plate_folder import PlateFolder

    try:
        yield
    except BaseException:
        with PlateFolder.open(path) as opened:
            empty = not opened.scans()
        if empty:
            shutil.rmtree(path, ignore_errors=True)
        raise
