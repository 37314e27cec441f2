"""Look over a plate folder or a rig file."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import UsageError
from rig.model.progress import Progress, silent

if TYPE_CHECKING:
    from rig.archive.health import FolderHealth
    from rig.archive.rig_file import RigValue
    from rig.archive.rows import Problem


@dataclass(frozen=True)
class RigHealth:
    """Every setting of a rig with its origin ("file" or "default"), and what stands in the way."""

    rig: str
    values: tuple[RigValue, ...]
    problems: tuple[Problem, ...]

    def as_json(self) -> dict[str, Any]:
        """The JSON contract of `platerig check --rig`."""
        return {
            "rig": self.rig,
            "values": [asdict(value) for value in self.values],
            "problems": [problem.as_json() for problem in self.problems],
        }


def check(
    folder_or_rig: Path | str,
    progress: Progress = silent,
    *,
    repair: bool = False,
    copy: Path | str | None = None,
) -> FolderHealth | RigHealth:
    """Say what is wrong with a plate folder, or with a rig file (`.toml`), and what to do.

    A folder is not changed unless repair is asked for: then what can be is put right first, lost
    files fetched from `copy`, another folder of the same plate or a pack of it. Nothing is deleted.
    Raises FolderMissingError, FolderNewerError, RigFileError, and when repairing FolderInUseError,
    FolderError for a copy of another plate.
    """
    path = Path(folder_or_rig)
    if copy is not None and not repair:
        raise UsageError("A copy is only looked at when repairing.", remedy="Add --repair.")
    if path.is_file() and path.suffix != ".toml":
        raise UsageError(
            "This is neither a plate folder nor a rig file.",
            where=str(path),
            remedy="A plate folder is a directory; the name of a rig file ends in .toml.",
        )
    if path.is_file() or path.suffix == ".toml":
        if repair:
            raise UsageError("A rig file is mended by hand.", where=str(path))
        from rig.archive.rig_file import load_rig_file, rig_cautions, rig_values

        settings = load_rig_file(path)
        problems = tuple(rig_cautions(settings, str(path)))
        return RigHealth(settings.name, tuple(rig_values(path)), problems)
    if repair:
        from rig.archive.repair import repair_folder

        return repair_folder(path, copy, progress)
    from rig.archive.health import check_folder

    return check_folder(path, progress)
