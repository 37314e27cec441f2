"""Plate folders below a directory, and what the database of each says without opening a recording.

What cannot be looked into is listed with its reason; it never stops the list.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rig.archive import rows, scan_reader
from rig.archive.database import DATABASE_NAME, Database
from rig.archive.naming import SUFFIX
from rig.model.errors import FolderDamagedError, FolderError, PlaterigError

_NUMBERS_ONLY = ("name", "reference", "notes", "instrument")  # facts that change no reading
_STRIKE_SQL = """
SELECT tap, repeat, x_mm, y_mm, sha256, superseded, sample_rate_hz, full_scale, mic_channel,
    pickup_channel, strike_sample, strike_speed_m_s, rebound_ratio
FROM strike WHERE scan = ? ORDER BY tap, repeat, take
"""


@dataclass(frozen=True)
class ShelfScan:
    """A scan as the shelf knows it; mark: fingerprint of all that its readings are made of."""

    scan: str
    state: str
    face: str
    strength: str
    created_utc: str
    taps_done: int
    strikes: int
    simulated: bool
    mark: str
    further_to: str | None = None  # the scan that this one adds taps to


@dataclass(frozen=True)
class ShelfPlate:
    """A plate folder as the shelf knows it; problem: why it could not be looked into."""

    path: str
    name: str
    wood: str | None = None
    instrument: str | None = None
    reference: str | None = None
    notes: str | None = None
    mass_g: float | None = None
    scans: tuple[ShelfScan, ...] = ()
    problem: str | None = None
    remedy: str | None = None

    @property
    def simulated(self) -> bool:
        """Whether any scan was made on the virtual rig."""
        return any(scan.simulated for scan in self.scans)

    def text(self) -> str:
        """One line of JSON, for the index."""
        return json.dumps(asdict(self), ensure_ascii=False)

    @classmethod
    def of_text(cls, text: str) -> ShelfPlate:
        """Back from `text`; raises ValueError, KeyError or TypeError for anything else."""
        values: dict[str, Any] = json.loads(text)
        scans = tuple(ShelfScan(**scan) for scan in values.pop("scans"))
        return cls(**values, scans=scans)


@dataclass(frozen=True)
class Found:
    """A plate folder, or a directory that could not be entered (`refused`).

    stamp: changes whenever its database does.
    """

    path: Path
    stamp: str
    refused: str | None = None


def folders_below(root: Path) -> Iterator[Found]:
    """Every plate folder below a directory, itself included; links are not followed."""
    waiting = [root]
    while waiting:
        place = waiting.pop()
        rooms = []
        database = audio = False
        try:
            with os.scandir(place) as entries:
                for entry in entries:
                    if entry.name == DATABASE_NAME:
                        database = True
                    elif entry.is_dir(follow_symlinks=False):
                        audio = audio or entry.name == "audio"
                        if not entry.name.startswith("."):
                            rooms.append(place / entry.name)
        except OSError as problem:
            yield Found(place, "", f"It cannot be entered: {problem.strerror or problem}.")
            continue
        if database or (place.suffix == SUFFIX and audio):
            yield Found(place, _stamp(place))
        else:
            waiting += sorted(rooms, reverse=True)


def _stamp(folder: Path) -> str:
    parts = []
    for name in (DATABASE_NAME, f"{DATABASE_NAME}-wal"):
        try:
            known = (folder / name).stat()
            parts.append(f"{known.st_mtime_ns} {known.st_size} {known.st_ino}")
        except OSError:
            parts.append("-")
    return ", ".join(parts)


def look_into(folder: Path) -> tuple[ShelfPlate, bool]:
    """What a folder's database says; second: whether that holds until the database changes."""
    try:
        database = Database(folder / DATABASE_NAME, write=False, wait_s=0.2)
        try:
            return _plate(folder, database), True
        finally:
            database.close()
    except PlaterigError as problem:
        unlike = ShelfPlate(str(folder), folder.stem, problem=problem.what, remedy=problem.remedy)
        return unlike, isinstance(problem, FolderDamagedError)
    except (ValueError, KeyError, TypeError, IndexError, sqlite3.Error) as problem:
        what = f"What its database holds cannot be understood: {problem}."
        remedy = "See what is left with `platerig check`."
        return ShelfPlate(str(folder), folder.stem, problem=what, remedy=remedy), True


def _plate(folder: Path, database: Database) -> ShelfPlate:
    row = database.row("SELECT * FROM plate")
    if row is None:
        raise FolderError(
            "The folder does not say which plate it is of.",
            remedy="See what is left with `platerig check`.",
        )
    facts = rows.facts_of(row)
    plain = {name: value for name, value in asdict(facts).items() if name not in _NUMBERS_ONLY}
    outlines = {
        outline["outline_id"]: outline["rings"]
        for outline in database.rows("SELECT outline_id, rings FROM outline ORDER BY outline_id")
    }
    scans = []
    for summary in scan_reader.summaries(database):
        made = database.row("SELECT * FROM scan WHERE scan = ?", (summary.scan,))
        assert made is not None  # it was in the summaries a moment ago
        digest = hashlib.blake2b(digest_size=16)
        about = [made[name] for name in ("face", "strength", "spacing_mm", "pose", "origin")]
        about += [made[f"microphone_{axis}_mm"] for axis in "xyz"]
        about += [made["temperature_c"], made["humidity_percent"], made["outline_id"]]
        digest.update(repr((plain, about, outlines)).encode())
        for strike in database.rows(_STRIKE_SQL, (summary.scan,)):
            digest.update(repr(tuple(strike)).encode())
        scans.append(
            ShelfScan(
                scan=summary.scan,
                state=summary.state.value,
                face=summary.face,
                strength=summary.strength,
                created_utc=summary.created_utc,
                taps_done=summary.taps_done,
                strikes=summary.strikes,
                simulated=summary.simulated,
                mark=digest.hexdigest(),
                further_to=summary.further_to,
            )
        )
    return ShelfPlate(
        path=str(folder),
        name=facts.name,
        wood=facts.wood,
        instrument=facts.instrument,
        reference=facts.reference,
        notes=facts.notes,
        mass_g=facts.mass_g,
        scans=tuple(scans),
    )
