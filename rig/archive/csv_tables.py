"""Small CSV tables as people and spreadsheets write them, and clear words where they cannot be.

Comma, semicolon or tab between the values; a decimal comma where the separator is not a comma; a
byte order mark, blank lines and lines that begin with # are passed over.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


class TableError(ValueError):
    """The table or one of its values cannot be read; the text says why, in plain words."""


@dataclass(frozen=True)
class TableRow:
    """One line of a table: its number in the file, and its values by column name."""

    line: int
    values: dict[str, str]

    def text(self, name: str) -> str:
        """A text, stripped; "" where the column or the value is missing."""
        return self.values.get(name, "").strip()

    def number(self, name: str) -> float:
        """A finite number; raises TableError."""
        value = self.optional_number(name)
        if value is None:
            raise TableError(f"{name} is empty")
        return value

    def optional_number(self, name: str) -> float | None:
        """A finite number, or None where nothing is given; raises TableError."""
        text = self.text(name)
        if not text:
            return None
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            raise TableError(f"{name} is “{text}”, which is not a number") from None
        if not math.isfinite(value):
            raise TableError(f"{name} is “{text}”, which is not a finite number")
        return value

    def optional_whole(self, name: str) -> int | None:
        """A whole number from 0 up, or None where nothing is given; raises TableError."""
        value = self.optional_number(name)
        if value is None:
            return None
        if value < 0 or value != int(value):
            raise TableError(
                f"{name} is “{self.text(name)}”, which is not a whole number from 0 up"
            )
        return int(value)


@dataclass(frozen=True)
class Table:
    """Rows in the order of the file; a row of the wrong width is in `faults` (line, reason)."""

    columns: tuple[str, ...]
    rows: tuple[TableRow, ...]
    faults: tuple[tuple[int, str], ...]


def read_table(path: Path, required: Sequence[str]) -> Table:
    """Read a table with a head line; raises TableError (not there, no such columns, no text)."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise TableError("there is no such file") from None
    except UnicodeDecodeError:
        raise TableError("it is not a text file in UTF-8; save it as CSV (UTF-8)") from None
    except OSError as problem:
        raise TableError(f"it cannot be read: {problem.strerror or problem}") from None
    lines = [
        (number, line)
        for number, line in enumerate(io.StringIO(text, newline=None), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise TableError("it is empty")
    separator = max(",;\t", key=lines[0][1].count)
    heads = tuple(name.strip().strip('"').lower() for name in lines[0][1].split(separator))
    missing = [name for name in required if name not in heads]
    if missing:
        raise TableError(
            f"its first line lacks the column{'s' if len(missing) > 1 else ''} "
            f"{', '.join(missing)}; it reads “{lines[0][1].strip()[:80]}”"
        )
    if len(set(heads)) < len(heads):
        raise TableError("two of its columns have the same name")
    rows, faults = [], []
    for number, line in lines[1:]:
        try:
            values = next(csv.reader([line], delimiter=separator))
        except csv.Error as problem:
            faults.append((number, f"what cannot be split into values: {problem}"))
            continue
        while len(values) > len(heads) and not values[-1].strip():
            values.pop()
        if len(values) > len(heads):
            faults.append((number, _too_wide(len(values), len(heads), separator)))
            continue
        values += [""] * (len(heads) - len(values))
        rows.append(TableRow(number, dict(zip(heads, values, strict=True))))
    return Table(heads, tuple(rows), tuple(faults))


def _too_wide(found: int, expected: int, separator: str) -> str:
    reason = f"{found} values where the head line has {expected}"
    if separator == ",":
        reason += (
            "; a decimal comma cannot stand beside commas between values: "
            "write 12.5, or put semicolons between the values"
        )
    return reason


def read_numbers(path: Path, columns: tuple[str, ...]) -> list[tuple[float, ...]]:
    """All lines of a table of numbers; raises TableError, naming the first line that is amiss."""
    table = read_table(path, columns)
    if table.faults:
        line, reason = table.faults[0]
        raise TableError(f"line {line} holds {reason}")
    found = []
    for row in table.rows:
        try:
            found.append(tuple(row.number(name) for name in columns))
        except TableError as problem:
            raise TableError(f"line {row.line}: {problem}") from None
    return found
