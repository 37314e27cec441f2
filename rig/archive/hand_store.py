"""What a maker's hand found, kept in the plate folder: `hand/H0001/` with its raw files.

A record is a directory: the raw files as they came and, written last, record.json with the values
and the SHA-256 of each file. A directory without record.json was left by a crash; it is never
touched, and the next record takes the next number.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.archive.naming import SOFTWARE, utc_now
from rig.archive.rows import Problem
from rig.archive.storage import (
    PART_SUFFIX,
    sha256_of,
    storage_errors,
    sync_directory,
    write_durably,
)
from rig.model.errors import FolderDamagedError, FolderError, UsageError
from rig.model.frames import PlateXY
from rig.model.hand_map import HAND_KINDS, HandMap

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder

ROOM = "hand"
RECORD_NAME = "record.json"
_FORMAT = 1
_BLOCK = 1 << 20


@dataclass(frozen=True)
class HandRecord:
    """One record: name, moment, its map, the files beside it, and how it was made."""

    name: str
    made_utc: str
    hand: HandMap
    files: tuple[str, ...]
    options: dict[str, Any]


def keep(
    folder: PlateFolder,
    hand: HandMap,
    raw: Sequence[tuple[Path, str]],
    options: dict[str, Any],
) -> HandRecord:
    """Copy the raw files in and write the record; returns it when all is on the disk.

    raw: files and the names they get in the record, unique, may lie in a directory of their own.
    Raises StorageFullError, FolderError; what was kept before is never touched.
    """
    folder.require_writer()
    room = folder.path / ROOM
    with folder.database.one_at_a_time(), storage_errors(room):
        room.mkdir(exist_ok=True)
        name = f"H{_last_number(room) + 1:04d}"
        place = room / name
        place.mkdir()
        hashes = {}
        for source, inner in raw:
            target = place / inner
            target.parent.mkdir(parents=True, exist_ok=True)
            hashes[inner] = _copy(source, target)
        record = HandRecord(name, utc_now(), hand, tuple(hashes), options)
        text = json.dumps(_plain(record, hashes), indent=1, ensure_ascii=False, allow_nan=False)
        write_durably(place / RECORD_NAME, text.encode() + b"\n", read_only=True)
        sync_directory(room)
    folder.note("hand kept", f"{name}: {hand.kind}, {len(hand.value)} places")
    return record


def records(folder: Path) -> list[HandRecord]:
    """All whole records of a plate folder, oldest first; raises FolderDamagedError for bad ones."""
    return [
        read(folder, path.parent.name) for path in sorted((folder / ROOM).glob("H*/record.json"))
    ]


def read(folder: Path, name: str) -> HandRecord:
    """One record; raises FolderError naming those there are, FolderDamagedError."""
    path = folder / ROOM / name / RECORD_NAME
    try:
        text = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        known = sorted(p.parent.name for p in (folder / ROOM).glob("H*/record.json"))
        raise FolderError(
            f"There is no record {name} of the hand in this folder.",
            where=str(folder),
            remedy=f"There are: {', '.join(known)}." if known else "None was kept yet.",
        ) from None
    except OSError as problem:
        raise FolderError(f"The record cannot be read: {problem}.", where=str(path)) from problem
    try:
        return _record_of(name, json.loads(text))
    except (ValueError, KeyError, TypeError) as problem:
        raise FolderDamagedError(
            f"This record of the hand cannot be read: {problem}.",
            where=str(path),
            remedy="Fetch it from a copy of the folder, or read its raw files anew.",
        ) from problem


def file_hashes(folder: Path) -> dict[str, str]:
    """File → SHA-256 of all kept files, as taken when they were stored, for the manifest."""
    found: dict[str, str] = {}
    for path in sorted((folder / ROOM).glob("H*/record.json")):
        place = f"{ROOM}/{path.parent.name}"
        try:
            data = path.read_bytes()
            kept: dict[str, str] = json.loads(data)["files"]
            found |= {f"{place}/{inner}": str(digest) for inner, digest in kept.items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue  # `problems` tells of it
        found[f"{place}/{RECORD_NAME}"] = hashlib.sha256(data).hexdigest()
    return found


def problems(folder: Path) -> list[Problem]:
    """What is wrong with the kept records: unfinished, unreadable, missing or changed files."""
    found = []
    for place in sorted((folder / ROOM).glob("H*")):
        if not (place / RECORD_NAME).exists():
            found.append(
                Problem(
                    "This record of the hand is unfinished: the program ended while it was stored.",
                    str(place),
                    "Read the recording or picture again; what is here may be kept or removed.",
                )
            )
            continue
        try:
            read(folder, place.name)
            kept = json.loads((place / RECORD_NAME).read_bytes())["files"]
        except FolderError as problem:
            found.append(Problem(problem.what, problem.where, problem.remedy))
            continue
        for inner, digest in kept.items():
            path = place / inner
            try:
                whole = sha256_of(path) == digest
            except OSError:
                whole = False
            if not whole:
                what = "not as it was stored" if path.exists() else "missing"
                found.append(
                    Problem(
                        f"This file is {what}.", str(path), "Fetch it from a copy of the folder."
                    )
                )
    return found


def _last_number(room: Path) -> int:
    numbers = [p.name[1:] for p in room.glob("H*") if p.name[1:].isdigit()]
    return max((int(n) for n in numbers), default=0)


def _copy(source: Path, target: Path) -> str:
    """Copy a file of any size by way of a `.part` file; returns its SHA-256."""
    if target.exists():
        raise UsageError(f"Two of the files are called {target.name}.", where=str(source))
    part = target.with_name(target.name + PART_SUFFIX)
    digest = hashlib.sha256()
    try:
        with open(source, "rb") as read_from, open(part, "wb") as write_to:
            while block := read_from.read(_BLOCK):
                digest.update(block)
                write_to.write(block)
            write_to.flush()
            os.fsync(write_to.fileno())
        part.chmod(0o444)
        part.replace(target)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    sync_directory(target.parent)
    return digest.hexdigest()


def _plain(record: HandRecord, hashes: dict[str, str]) -> dict[str, Any]:
    hand = record.hand
    return {
        "format": _FORMAT,
        "software": SOFTWARE,
        "made_utc": record.made_utc,
        "kind": hand.kind,
        "unit": hand.unit,
        "face": hand.face,
        "source": hand.source,
        "simulated": hand.simulated,
        "notes": list(hand.notes),
        "options": record.options,
        "files": hashes,
        "places": [
            {"x_mm": float(x), "y_mm": float(y), "value": float(v), "sd": float(s), "group": int(g)}
            for (x, y), v, s, g in zip(hand.places_mm, hand.value, hand.sd, hand.group, strict=True)
        ],
    }


def _record_of(name: str, plain: dict[str, Any]) -> HandRecord:
    if plain["format"] > _FORMAT:
        raise ValueError(f"it has format {plain['format']}; update platerig")
    kind, unit, face = plain["kind"], plain["unit"], plain["face"]
    if kind not in HAND_KINDS or unit not in ("cents", "z") or face not in ("outer", "inner"):
        raise ValueError(f"unknown kind {kind!r}, unit {unit!r} or face {face!r}")
    places = plain["places"]
    xy = np.array([(p["x_mm"], p["y_mm"]) for p in places], dtype=np.float64).reshape(-1, 2)
    hand = HandMap(
        places_mm=PlateXY(xy),
        value=np.array([p["value"] for p in places], dtype=np.float64),
        sd=np.array([p["sd"] for p in places], dtype=np.float64),
        kind=kind,
        unit=unit,
        face=face,
        source=str(plain["source"]),
        group=tuple(int(p["group"]) for p in places),
        notes=tuple(str(note) for note in plain["notes"]),
        simulated=bool(plain["simulated"]),
    )
    return HandRecord(name, str(plain["made_utc"]), hand, tuple(plain["files"]), plain["options"])
