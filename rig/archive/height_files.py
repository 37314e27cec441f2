"""Measured heights of an arch as a table: `x_mm,y_mm,height_mm`, one place a line."""

from __future__ import annotations

from pathlib import Path

from rig.archive.csv_tables import TableError, read_numbers
from rig.archive.storage import storage_errors
from rig.model.arch_heights import ArchHeights, checked_heights
from rig.model.errors import PlateFactsError
from rig.model.outline import Outline

COLUMNS = ("x_mm", "y_mm", "height_mm")
_LAYOUT = (
    "Measured heights are a CSV with the head line x_mm,y_mm,height_mm and a place on each line: "
    "the height of the outer surface above the rim, in millimetres."
)


def read_heights(path: Path | str, outline: Outline | None = None) -> ArchHeights:
    """Read measured heights; raises PlateFactsError, naming the line or what cannot be."""
    path = Path(path)
    try:
        points = read_numbers(path, COLUMNS)
    except TableError as problem:
        raise PlateFactsError(
            f"The measured heights cannot be read: {problem}.", where=str(path), remedy=_LAYOUT
        ) from None
    return checked_heights([(x, y, z) for x, y, z in points], outline, where=str(path))


def write_heights(path: Path | str, heights: ArchHeights) -> Path:
    """Write heights so that reading them gives the same numbers."""
    path = Path(path)
    lines = [",".join(COLUMNS), *(",".join(map(repr, point)) for point in heights)]
    with storage_errors(path):
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
