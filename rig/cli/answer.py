"""What a verb answers: the JSON contract for machines, sentences and tables for people."""

from __future__ import annotations

import json
import math
import re
import shlex
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

Json = dict[str, Any]
MOST_LISTED = 10
PICTURE = ("--picture", "map.png")
SIMULATED_LINE = "SIMULATED: this plate exists on the virtual rig only."


@dataclass(frozen=True)
class Answer:
    """`contract` goes out with --json; otherwise `say` writes it in plain words."""

    contract: Json
    say: Callable[[Speaker], None]
    status: int = 0


class Speaker:
    """Writes to standard output; rich is loaded for tables only."""

    def line(self, text: str = "") -> None:
        """Write one line."""
        sys.stdout.write(text + "\n")

    def lines(self, texts: Iterable[str]) -> None:
        """Write several lines."""
        for text in texts:
            self.line(text)

    def table(self, heads: Sequence[str], rows: Iterable[Sequence[str]], title: str = "") -> None:
        """Write a table; columns of numbers (heads that end in a unit or `#`) stand right."""
        from rich.box import SIMPLE_HEAD
        from rich.console import Console
        from rich.table import Table
        from rich.text import Text

        sys.stdout.flush()
        wide = None if sys.stdout.isatty() else 120
        table = Table(box=SIMPLE_HEAD, title=title or None, title_justify="left", pad_edge=False)
        for head in heads:
            number = head == "#" or "(" in head or "," in head
            table.add_column(Text(head), justify="right" if number else "left")
        for row in rows:
            table.add_row(*(Text(cell) for cell in row))
        Console(file=sys.stdout, width=wide, highlight=False).print(table)


def as_text(contract: Json) -> str:
    """One line of strict JSON: what is not a finite number is null."""
    return json.dumps(_plain(contract), ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    """Carry numpy scalars and arrays, tuples, paths and NaN into plain JSON values."""
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, int):
        return value
    return str(value)


def number(value: float | None, digits: int = 0, unit: str = "", signed: bool = False) -> str:
    """Write a number with its unit; what is unknown is said to be unknown."""
    if value is None or not math.isfinite(value):
        return "unknown"
    text = f"{value:{'+' if signed else ''}.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return f"{text.replace('-', '−')} {unit}".rstrip()


def sentence(text: str) -> str:
    """A sentence with true minus signs before its numbers."""
    return re.sub(r"(?<![\w.])-(?=\d)", "−", text)


def command(lead: str, *words: object) -> str:
    """`Next: platerig map …`, quoted so that it can be pasted into a shell."""
    return f"{lead}: platerig {shlex.join(map(str, words))}"


def count(amount: int, one: str, many: str | None = None) -> str:
    """`1 tap`, `2 taps`."""
    return f"{amount} {one if amount == 1 else many or one + 's'}"
