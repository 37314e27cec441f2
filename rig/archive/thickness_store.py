"""Caliper lists kept in the plate folder: `thickness/T0001.json`, one file each, written once.

The file holds the list as it came, as text, beside its values, so that it is there whole or not at
all; nothing is ever overwritten.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.archive.naming import SOFTWARE, utc_now
from rig.archive.rows import Problem
from rig.archive.storage import storage_errors, write_durably
from rig.model.errors import FolderDamagedError
from rig.model.frames import PlateXY
from rig.model.thickness import ThicknessReadings

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder

ROOM = "thickness"
_FORMAT = 1


@dataclass(frozen=True)
class ThicknessRecord:
    """One kept list: its name, the moment it was kept, its readings, and its text."""

    name: str
    made_utc: str
    readings: ThicknessReadings
    text: str

    def as_json(self) -> dict[str, Any]:
        """Plain values, without the text."""
        found = self.readings
        return {
            "name": self.name,
            "made_utc": self.made_utc,
            "measured_on": found.measured_on,
            "face": found.face,
            "source": found.source,
            "readings": [
                {
                    "x_mm": round(float(x), 2),
                    "y_mm": round(float(y), 2),
                    "thickness_mm": float(h),
                    "sd_mm": float(sd),
                }
                for (x, y), h, sd in zip(
                    found.places_mm, found.thickness_mm, found.sd_mm, strict=True
                )
            ],
        }


def keep(folder: PlateFolder, readings: ThicknessReadings, text: str) -> ThicknessRecord:
    """Write a new record; raises StorageFullError, FolderError. Earlier ones stay as they are."""
    folder.require_writer()
    room = folder.path / ROOM
    with folder.database.one_at_a_time(), storage_errors(room):
        room.mkdir(exist_ok=True)
        numbers = [int(p.stem[1:]) for p in room.glob("T*.json") if p.stem[1:].isdigit()]
        record = ThicknessRecord(f"T{max(numbers, default=0) + 1:04d}", utc_now(), readings, text)
        plain = {"format": _FORMAT, "software": SOFTWARE, **record.as_json(), "text": text}
        data = json.dumps(plain, indent=1, ensure_ascii=False, allow_nan=False).encode() + b"\n"
        write_durably(room / f"{record.name}.json", data, read_only=True)
    folder.note("thickness kept", f"{record.name}: {len(readings.thickness_mm)} readings")
    return record


def records(folder: Path) -> list[ThicknessRecord]:
    """All records of a plate folder, oldest first; raises FolderDamagedError for a bad one."""
    return [_read(path) for path in _files(folder)]


def file_hashes(folder: Path) -> dict[str, str]:
    """File → SHA-256 of every record, for the manifest."""
    found = {}
    for path in _files(folder):
        try:
            found[f"{ROOM}/{path.name}"] = hashlib.sha256(path.read_bytes()).hexdigest()
        except OSError:
            continue  # `problems` tells of it
    return found


def problems(folder: Path) -> list[Problem]:
    """Records that cannot be read."""
    found = []
    for path in _files(folder):
        try:
            _read(path)
        except FolderDamagedError as problem:
            found.append(Problem(problem.what, problem.where, problem.remedy))
    return found


def _files(folder: Path) -> list[Path]:
    return sorted((folder / ROOM).glob("T*.json"))


def _read(path: Path) -> ThicknessRecord:
    try:
        plain = json.loads(path.read_bytes())
        if plain["format"] > _FORMAT:
            raise ValueError(f"it has format {plain['format']}; update platerig")
        if plain["face"] not in ("outer", "inner"):
            raise ValueError(f"unknown face {plain['face']!r}")
        rows = np.array(
            [[r["x_mm"], r["y_mm"], r["thickness_mm"], r["sd_mm"]] for r in plain["readings"]],
            dtype=np.float64,
        ).reshape(-1, 4)
        readings = ThicknessReadings(
            places_mm=PlateXY(rows[:, :2]),
            thickness_mm=rows[:, 2],
            sd_mm=rows[:, 3],
            face=plain["face"],
            measured_on=str(plain["measured_on"]),
            source=str(plain["source"]),
        )
        return ThicknessRecord(
            path.stem, str(plain["made_utc"]), readings, str(plain.get("text", ""))
        )
    except (OSError, ValueError, KeyError, TypeError) as problem:
        raise FolderDamagedError(
            f"These thickness readings cannot be read: {problem}.",
            where=str(path),
            remedy="Fetch the file from a copy of the folder, or keep the list anew.",
        ) from problem
