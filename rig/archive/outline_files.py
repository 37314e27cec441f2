"""Outline files: CSV, `x_mm,y_mm` round the rim, holes by `ring`; or a drawing, SVG or DXF."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rig.archive.csv_tables import TableError, read_table
from rig.archive.outline_drawings import SUFFIXES, check_size, read_drawing
from rig.archive.storage import storage_errors
from rig.model.errors import OutlineError
from rig.model.outline import Outline

_LAYOUT = (
    "An outline is a CSV with the head line x_mm,y_mm and a point of the rim on each line, in "
    "order round the plate; sound holes follow with a third column, ring, counted from 1."
)


def read_outline(path: Path | str) -> Outline:
    """Read an outline, CSV unless its name says SVG or DXF; raises OutlineError.

    In a table the line at fault is named.
    """
    path = Path(path)
    if path.suffix.lower() in SUFFIXES:
        rim, holes = read_drawing(path)
        return Outline.checked(rim, holes, where=str(path))
    try:
        table = read_table(path, ("x_mm", "y_mm"))
        if table.faults:
            line, reason = table.faults[0]
            raise TableError(f"line {line} holds {reason}")
        rings: dict[int, list[tuple[float, float]]] = {}
        for row in table.rows:
            try:
                ring = row.optional_whole("ring") or 0
                rings.setdefault(ring, []).append((row.number("x_mm"), row.number("y_mm")))
            except TableError as problem:
                raise TableError(f"line {row.line}: {problem}") from None
    except TableError as problem:
        raise OutlineError(
            f"The outline cannot be read: {problem}.", where=str(path), remedy=_LAYOUT
        ) from None
    if 0 not in rings:
        raise OutlineError("The outline holds no points.", where=str(path), remedy=_LAYOUT)
    arrays = [np.array(rings[number], dtype=np.float64) for number in sorted(rings)]
    outline = Outline.checked(arrays[0], tuple(arrays[1:]), where=str(path))
    check_size(outline.rim, str(path))
    return outline


def write_outline(path: Path | str, outline: Outline) -> Path:
    """Write an outline so that reading it gives the same numbers; the curve is left open."""
    path = Path(path)
    holes = bool(outline.holes)
    lines = ["x_mm,y_mm,ring" if holes else "x_mm,y_mm"]
    for number, ring in enumerate((outline.rim, *outline.holes)):
        for x, y in ring:
            lines.append(f"{float(x)!r},{float(y)!r}" + (f",{number}" if holes else ""))
    with storage_errors(path):
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
