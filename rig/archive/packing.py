"""A plate folder into one checked zip file, to be put away or handed on."""

from __future__ import annotations

import hashlib
import os
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.archive import bag, folder_text, hand_store, thickness_store
from rig.archive.database import DATABASE_NAME, Database
from rig.archive.naming import SOFTWARE, existing_folder, utc_now
from rig.archive.rows import Problem
from rig.archive.storage import PART_SUFFIX, storage_errors, sync_directory
from rig.archive.unpacking import damaged_files
from rig.archive.writer_lock import LOCK_NAME, WriterLock
from rig.model.errors import FolderError, FolderInUseError, PlaterigError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent

SUFFIX = ".zip"
_LEFT_BEHIND = (LOCK_NAME,)
_CHUNK = 1 << 20
_LONG_AGO = (1980, 1, 1, 0, 0, 0)  # the first day that a zip file knows
_MODE = 0o100644 << 16


@dataclass(frozen=True)
class Packed:
    """The file that was written. problems: what was packed as it is although it is not sound."""

    plate: Path
    file: Path
    files: int
    octets: int
    sha256: str
    problems: tuple[Problem, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig pack --json`."""
        return {
            "plate": str(self.plate),
            "file": str(self.file),
            "files": self.files,
            "octets": self.octets,
            "sha256": self.sha256,
            "problems": [problem.as_json() for problem in self.problems],
        }


def pack_folder(
    folder: Path | str, file: Path | str | None = None, progress: Progress = silent
) -> Packed:
    """Write the folder into a bag in a zip file, NAME.plate.zip beside it when none is named.

    The file is there whole and read back, or not at all; the folder is not changed. Raises
    FolderMissingError, FolderInUseError while something is writing to the folder, FolderError when
    the file is there already, StorageFullError.
    """
    path = existing_folder(folder)
    target = path.with_name(path.name + SUFFIX) if file is None else Path(file)
    if target.suffix.lower() != SUFFIX:
        raise UsageError(
            "A pack is a zip file.", where=str(target), remedy="Let its name end in .zip."
        )
    resolved = path.resolve()
    if resolved in target.absolute().resolve().parents:
        raise UsageError(
            "The pack would lie inside the folder that it holds.",
            where=str(target),
            remedy="Name a place outside of the plate folder.",
        )
    with storage_errors(target):
        if target.exists():
            raise FolderError(
                "There is already a file of this name; nothing was changed.",
                where=str(target),
                remedy="Name another file, or move that one away.",
            )
    part = target.with_name(target.name + PART_SUFFIX)
    with _unchanging(path), storage_errors(target):
        try:
            hashes, octets = _write(path, resolved.name, part, progress)
            problems = damaged_files(part, progress)
            if problems:
                raise FolderError(
                    f"What was written does not read back: {problems[0].what}",
                    where=str(target),
                    remedy="Pack onto another disk; the folder itself was not changed.",
                )
            digest = _sha256(part)
            _sync(part)
            part.replace(target)
            sync_directory(target.parent)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        unsound = tuple(_not_as_stored(path, hashes))
    return Packed(path, target, len(hashes), octets, digest, unsound)


@contextmanager
def _unchanging(folder: Path) -> Iterator[None]:
    """Hold the writer's lock; where nothing can be written nobody needs to be kept out."""
    try:
        lock = WriterLock(folder, since_utc=utc_now())
    except FolderInUseError:
        raise
    except FolderError:
        yield
        return
    try:
        yield
    finally:
        lock.release()


def _payload(folder: Path) -> list[tuple[str, Path]]:
    """Every file of the folder with its path inside, sorted; links are refused."""
    found = []
    for place, rooms, files in os.walk(folder):
        for name in [*rooms, *files]:
            path = Path(place) / name
            inner = path.relative_to(folder).as_posix()
            odd = "a link" if path.is_symlink() else None
            if odd is None and name in files and not path.is_file():
                odd = "no plain file"
            try:
                inner.encode()
            except UnicodeEncodeError:
                odd = "a name that is no text in UTF-8"
            if not bag.is_plain(inner):
                odd = "a name with a backslash or control letters"
            if odd is not None:
                raise FolderError(
                    f"The folder holds {odd}, which a pack cannot keep.",
                    where=ascii(str(path)) if "name" in odd else str(path),
                    remedy="Rename it, put the file itself in its place, or move it elsewhere.",
                )
            if name in files and inner not in _LEFT_BEHIND:
                found.append((inner, path))
    return sorted(found)


def _write(folder: Path, name: str, part: Path, progress: Progress) -> tuple[dict[str, str], int]:
    """Write the zip; returns the hash of each file by its path in the folder, and all bytes."""
    files = _payload(folder)
    hashes: dict[str, str] = {}
    octets = 0
    with zipfile.ZipFile(part, "w", zipfile.ZIP_STORED) as made:
        tags = {bag.DECLARATION_NAME: bag.DECLARATION, bag.README_NAME: bag.README}
        for tag, text in tags.items():
            made.writestr(_entry(f"{name}/{tag}"), text)
        for number, (inner, path) in enumerate(files, start=1):
            entry = _entry(f"{name}/{bag.PAYLOAD}/{name}/{inner}")
            entry.file_size = path.stat().st_size
            digest = hashlib.sha256()
            with path.open("rb") as source, made.open(entry, "w") as sink:
                while chunk := source.read(_CHUNK):
                    digest.update(chunk)
                    octets += len(chunk)
                    sink.write(chunk)
            hashes[inner] = digest.hexdigest()
            if number % 50 == 0 or number == len(files):
                progress(ProgressEvent("packing", number, len(files)))
        payload = {f"{bag.PAYLOAD}/{name}/{inner}": digest for inner, digest in hashes.items()}
        tags[bag.MANIFEST_NAME] = bag.manifest_text(payload)
        tags[bag.INFO_NAME] = bag.info_text(
            name, _description(folder), SOFTWARE, octets, len(files)
        )
        told = {tag: hashlib.sha256(text.encode()).hexdigest() for tag, text in tags.items()}
        tags[bag.TAG_MANIFEST_NAME] = bag.manifest_text(told)
        for tag in (bag.MANIFEST_NAME, bag.INFO_NAME, bag.TAG_MANIFEST_NAME):
            made.writestr(_entry(f"{name}/{tag}"), tags[tag])
    return hashes, octets


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _LONG_AGO)
    entry.external_attr = _MODE
    entry.create_system = 3  # Unix, on whatever system it is packed
    return entry


def _description(folder: Path) -> str:
    """A line about the plate; the bare minimum where its database cannot be read."""
    try:
        database = Database(folder / DATABASE_NAME, write=False)
    except PlaterigError:
        return "Recordings of a plate; its database cannot be read."
    try:
        plate = database.row("SELECT name, instrument, wood, reference FROM plate")
        scans = database.row("SELECT count(*) AS n, max(simulated) AS simulated FROM scan")
    except PlaterigError:
        return "Recordings of a plate; its database cannot be read."
    finally:
        database.close()
    if plate is None or scans is None:
        return "Recordings of a plate."
    known = [plate[key] for key in ("instrument", "wood", "reference") if plate[key]]
    stamp = "SIMULATED. " if scans["simulated"] else ""
    return f"{stamp}{', '.join([plate['name'], *known])}; {scans['n']} scan(s)."


def _not_as_stored(folder: Path, hashes: dict[str, str]) -> Iterator[Problem]:
    """Files that were packed as they are although the folder knows them otherwise."""
    try:
        database = Database(folder / DATABASE_NAME, write=False)
        try:
            known = database.file_hashes()
        finally:
            database.close()
    except PlaterigError as problem:
        yield Problem(problem.what, problem.where, problem.remedy)
        known = folder_text.read_manifest(folder) or {}
        known.pop(DATABASE_NAME, None)
    known |= hand_store.file_hashes(folder) | thickness_store.file_hashes(folder)
    for file, digest in sorted(known.items()):
        if hashes.get(file) != digest:
            what = "is missing" if file not in hashes else "is not as it was stored"
            yield Problem(
                f"This file {what}; the pack holds the folder as it is.",
                str(folder / file),
                "Fetch the file from a copy of the folder and pack again.",
            )


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _sync(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())
