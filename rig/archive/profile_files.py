"""A drawn target as a table: `x_mm,y_mm,target_cents`, one place a line."""

from __future__ import annotations

from pathlib import Path

from rig.archive.csv_tables import TableError, read_numbers
from rig.model.drawn_profile import DrawnProfile, checked_profile
from rig.model.errors import UsageError

COLUMNS = ("x_mm", "y_mm", "target_cents")


def read_profile(path: Path | str) -> DrawnProfile:
    """Read a drawn target; raises UsageError, naming the line or what cannot be."""
    path = Path(path)
    try:
        points = read_numbers(path, COLUMNS)
    except TableError as problem:
        raise UsageError(
            f"The drawn target cannot be read: {problem}.",
            where=str(path),
            remedy="Write a CSV with the head line x_mm,y_mm,target_cents and a place on each "
            "line.",
        ) from None
    return checked_profile([(x, y, c) for x, y, c in points], name=path.name, where=str(path))
