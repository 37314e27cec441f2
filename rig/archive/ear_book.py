"""The book of ear training: a CSV file with one line per answer, only ever added to."""

from __future__ import annotations

import csv
import io
import os
from dataclasses import astuple, fields
from pathlib import Path
from typing import get_args

from rig.archive.csv_tables import TableError, TableRow, read_table
from rig.archive.storage import storage_errors
from rig.model.ear import EarAnswer, EarWay, Side
from rig.model.errors import FolderError

_YES = "yes"
COLUMNS = tuple(field.name for field in fields(EarAnswer))


def usual_book() -> Path:
    """Where answers go when no book is named."""
    from platformdirs import user_data_dir

    return Path(user_data_dir("platerig")) / "ears.csv"


def add_answer(book: Path, answer: EarAnswer) -> None:
    """Write one line and see it onto the disk. Raises StorageFullError, FolderError."""
    with storage_errors(book):
        book.parent.mkdir(parents=True, exist_ok=True)
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        if not book.exists() or not book.stat().st_size:
            writer.writerow(COLUMNS)
        writer.writerow((*astuple(answer)[:-1], _YES if answer.simulated else "no"))
        with book.open("a", encoding="utf-8", newline="") as file:
            file.write(text.getvalue())
            file.flush()
            os.fsync(file.fileno())


def read_book(book: Path) -> tuple[list[EarAnswer], list[str]]:
    """All answers in order, and what could not be read, line by line.

    Raises FolderError where there is no such book.
    """
    try:
        table = read_table(book, COLUMNS)
    except TableError as problem:
        raise FolderError(
            f"This book of answers cannot be read: {problem}.",
            where=str(book),
            remedy="Name another with --book, or begin one with `platerig listen train`.",
        ) from problem
    answers: list[EarAnswer] = []
    faults = [f"line {line}: {reason}" for line, reason in table.faults]
    for row in table.rows:
        try:
            answers.append(_answer(row))
        except TableError as problem:
            faults.append(f"line {row.line}: {problem}")
    return answers, faults


def _answer(row: TableRow) -> EarAnswer:
    way, answer = row.text("way"), row.text("answer")
    if way not in get_args(EarWay):
        raise TableError(f"way is “{way}”, which is none of {', '.join(get_args(EarWay))}")
    if answer not in get_args(Side):
        raise TableError(f"answer is “{answer}”, neither first nor second")
    first, second = row.optional_whole("first_tap"), row.optional_whole("second_tap")
    if first is None or second is None:
        raise TableError("a tap is missing")
    return EarAnswer(
        utc=row.text("utc"),
        listener=row.text("listener"),
        plate=row.text("plate"),
        scan=row.text("scan"),
        way=way,  # type: ignore[arg-type]  # looked up above
        first_tap=first,
        second_tap=second,
        delta_cents=row.number("delta_cents"),
        sd_cents=row.number("sd_cents"),
        answer=answer,  # type: ignore[arg-type]  # looked up above
        simulated=row.text("simulated") == _YES,
    )
