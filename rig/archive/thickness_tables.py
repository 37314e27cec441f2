"""A maker's caliper list: `x_mm,y_mm,thickness_mm`, and `sd_mm` where it is known."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from rig.archive.csv_tables import Table, TableError, TableRow, read_table
from rig.model.errors import AnalysisError
from rig.model.frames import Face, PlateXY
from rig.model.outline import Outline
from rig.model.thickness import USUAL_SD_MM, ThicknessReadings

_COLUMNS = ("x_mm", "y_mm", "thickness_mm")
_REMEDY = (
    "The first line reads x_mm,y_mm,thickness_mm (and sd_mm if you know it); each line is one "
    "place, x to the right of the centre line and y from the lower end, seen from the outer face."
)
_THINNEST_MM, _THICKEST_MM = 0.5, 15.0  # a violin's rim hollow to a double bass in the rough
_OFF_WOOD_MM = 2.0  # places are marked by hand
_SAME_PLACE_MM = 0.5
_LEAST_SD_MM, _MOST_SD_MM = 0.005, 1.0
_MEANT = (  # mm in the unit that may have been meant
    (1e3, "metres"),
    (25.4, "inches"),
    (10.0, "centimetres"),
    (0.1, "tenths of a millimetre"),
    (0.01, "hundredths of a millimetre"),
    (1e-3, "micrometres"),
)


def read_thickness(
    path: Path | str, outline: Outline | None, *, face: Face, measured_on: str
) -> ThicknessReadings:
    """Read a caliper list; raises AnalysisError that names the line at fault.

    outline: readings off its wood are refused; None where the plate has none yet.
    """
    path = Path(path)
    try:
        table = read_table(path, _COLUMNS)
        rows = _rows(table)
        _apart(rows)
        if outline is not None:
            _on_wood(rows, outline)
    except TableError as problem:
        raise AnalysisError(
            f"The thickness readings cannot be taken: {problem}.", where=str(path), remedy=_REMEDY
        ) from None
    values = np.array([row[1:] for row in rows])
    return ThicknessReadings(
        places_mm=PlateXY(values[:, :2]),
        thickness_mm=values[:, 2],
        sd_mm=values[:, 3],
        face=face,
        measured_on=measured_on,
        source=path.name,
    )


_Row = tuple[int, float, float, float, float]  # line, x, y, thickness, sd


def _rows(table: Table) -> list[_Row]:
    if table.faults:
        line, reason = table.faults[0]
        raise TableError(f"line {line} holds {reason}")
    found = [_on_line(row.line, _row, row) for row in table.rows]
    if not found:
        raise TableError("it has a first line but no readings")
    return found


def _on_line(line: int, read: Callable[[TableRow], _Row], row: TableRow) -> _Row:
    try:
        return read(row)
    except TableError as problem:
        raise TableError(f"line {line}: {problem}") from None


def _row(row: TableRow) -> _Row:
    thickness = row.number("thickness_mm")
    if not _THINNEST_MM <= thickness <= _THICKEST_MM:
        raise TableError(_nonsense(thickness))
    sd = row.optional_number("sd_mm")
    if sd is None:
        sd = USUAL_SD_MM
    elif not _LEAST_SD_MM <= sd <= _MOST_SD_MM:
        raise TableError(
            f"sd_mm is {sd:g}; the doubt of a reading lies between {_LEAST_SD_MM:g} and "
            f"{_MOST_SD_MM:g} mm"
        )
    return row.line, row.number("x_mm"), row.number("y_mm"), thickness, sd


def _nonsense(thickness: float) -> str:
    """What may have been meant by a number that is no thickness in millimetres."""
    told = f"thickness_mm is {thickness:g}"
    if thickness <= 0.0:
        return f"{told}, which is no thickness"
    for factor, unit in _MEANT:
        if 1.0 <= thickness * factor <= 8.0:
            return f"{told}, {thickness * factor:g} mm if it was meant in {unit}: write millimetres"
    way = "thinner" if thickness < _THINNEST_MM else "thicker"
    return f"{told} mm, {way} than the wood of any plate"


def _apart(rows: list[_Row]) -> None:
    """Two lines for one place: which of them holds is not for a program to guess."""
    xy = np.array([row[1:3] for row in rows])
    for late in range(1, len(rows)):
        gap = np.hypot(*(xy[:late] - xy[late]).T)
        early = int(np.argmin(gap))
        if gap[early] < _SAME_PLACE_MM:
            raise TableError(
                f"lines {rows[early][0]} and {rows[late][0]} are of the same place "
                f"(x {xy[late, 0]:g}, y {xy[late, 1]:g} mm); keep one of them, or their mean"
            )


def _on_wood(rows: list[_Row], outline: Outline) -> None:
    xy = np.array([row[1:3] for row in rows])
    off = ~outline.contains(xy)
    off[off] = outline.edge_distance_mm(xy[off]) > _OFF_WOOD_MM
    if not off.any():
        return
    first = int(np.flatnonzero(off)[0])
    line, x, y = rows[first][:3]
    many = f"{int(off.sum())} of {len(rows)} readings lie" if off.sum() > 1 else "one reading lies"
    width, length = outline.size_mm
    raise TableError(
        f"line {line}: x {x:g}, y {y:g} mm is not on the wood of this plate ({many} off it; it is "
        f"{width:.0f} mm wide and {length:.0f} mm long)"
    )
