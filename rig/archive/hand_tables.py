"""Tables of a maker's judgements: `x_mm,y_mm,judgement` and `x1_mm,y1_mm,x2_mm,y2_mm,answer`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Literal, TypeVar

from rig.archive.csv_tables import TableError, TableRow, read_table
from rig.model.errors import AnalysisError
from rig.model.hand_map import Judgement, PairAnswer

Answer = Literal["higher", "same", "lower"]
_WORDS: dict[str, Answer] = {
    "higher": "higher", "high": "higher", "h": "higher", "+": "higher", "+1": "higher",
    "1": "higher", ">": "higher",
    "same": "same", "equal": "same", "s": "same", "0": "same", "=": "same",
    "lower": "lower", "low": "lower", "l": "lower", "-": "lower", "−": "lower", "-1": "lower",
    "<": "lower",
}  # fmt: skip
_Read = TypeVar("_Read")
_JUDGED = ("x_mm", "y_mm", "judgement")
_PAIRS = ("x1_mm", "y1_mm", "x2_mm", "y2_mm", "answer")
_FARTHEST_MM = 2000.0


def read_judgements(path: Path | str) -> list[Judgement]:
    """Read judged places; raises AnalysisError with the line at fault."""

    def one(row: TableRow) -> Judgement:
        x, y = _place(row, "x_mm", "y_mm")
        return Judgement(x, y, _answer(row, "judgement"), row.line)

    return _read(Path(path), _JUDGED, one, "Each line: a place and higher, same or lower.")


def read_pairs(path: Path | str) -> list[PairAnswer]:
    """Read pairs, each with what was said of the first place; raises AnalysisError."""

    def one(row: TableRow) -> PairAnswer:
        first, second = _place(row, "x1_mm", "y1_mm"), _place(row, "x2_mm", "y2_mm")
        return PairAnswer(first, second, _answer(row, "answer"), row.line)

    return _read(
        Path(path), _PAIRS, one,
        "Each line: two places and whether the first is higher, the same or lower.",
    )  # fmt: skip


def _read(
    path: Path, columns: tuple[str, ...], one: Callable[[TableRow], _Read], layout: str
) -> list[_Read]:
    remedy = f"The first line reads {','.join(columns)}. {layout}"
    try:
        table = read_table(path, columns)
        if table.faults:
            line, reason = table.faults[0]
            raise TableError(f"line {line} holds {reason}")
        found = []
        for row in table.rows:
            try:
                found.append(one(row))
            except TableError as problem:
                raise TableError(f"line {row.line}: {problem}") from None
        if not found:
            raise TableError("it has a first line but no answers")
    except TableError as problem:
        raise AnalysisError(
            f"The answers cannot be read: {problem}.", where=str(path), remedy=remedy
        ) from None
    return found


def _place(row: TableRow, x_name: str, y_name: str) -> tuple[float, float]:
    x, y = row.number(x_name), row.number(y_name)
    if max(abs(x), abs(y)) > _FARTHEST_MM:
        raise TableError(f"x {x:g}, y {y:g} mm lies on no plate")
    return x, y


def _answer(row: TableRow, name: str) -> Answer:
    word = row.text(name).lower()
    if word not in _WORDS:
        raise TableError(f"{name} is “{row.text(name)}”, not higher, same or lower")
    return _WORDS[word]
