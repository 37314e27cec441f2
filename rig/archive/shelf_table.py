"""The shelf as a CSV table."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.archive.storage import storage_errors, write_durably
from rig.model.errors import UsageError

COLUMNS = (
    "plate", "name", "wood", "instrument", "reference", "mass_g", "scans", "strikes", "simulated",
    "first_utc", "last_utc", "reading", "evenness_before_cents", "evenness_after_cents",
    "partials_hz", "current", "unread", "problem",
)  # fmt: skip


def check_table(path: Path) -> None:
    """Raise UsageError where another file than such a table would be written over."""
    with storage_errors(path):
        if not path.exists():
            return
        with path.open("rb") as file:
            ours = file.read(200).startswith(b",".join(name.encode() for name in COLUMNS)[:100])
    if not ours:
        raise UsageError(
            "There is already another file of this name; it was left alone.",
            where=str(path),
            remedy="Name another file for the table.",
        )


def write_table(path: Path, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write a line for each plate; unknown is empty, partials stand apart by spaces."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([_cell(row[name]) for name in COLUMNS])
    with storage_errors(path):
        write_durably(path, text.getvalue().encode("utf-8"))


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return " ".join(map(str, value)) if isinstance(value, list) else value
