"""A packed plate folder laid out again; every hash is checked before anything is written.

The file may come from anywhere: names that lead out of the folder, names given twice, files that
nobody told of, links, and sizes beyond what was told are refused before a byte is unpacked.
"""

from __future__ import annotations

import hashlib
import lzma
import os
import shutil
import stat
import struct
import zipfile
import zlib
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any

from rig.archive import bag
from rig.archive.database import DATABASE_NAME
from rig.archive.naming import SUFFIX, folder_path
from rig.archive.rows import Problem
from rig.archive.storage import storage_errors, sync_directory
from rig.model.errors import FolderDamagedError, FolderError, PlaterigError, StorageFullError
from rig.model.progress import Progress, ProgressEvent, silent

_CHUNK = 1 << 20
_LARGEST_TAG_FILE = 64 * 2**20
_MOST_FILES = 1_000_000
_MOST_GROWTH = 500  # times the zip file's own size
_ALGORITHMS = ("sha512", "sha256")  # the stronger first; weaker ones prove nothing
_ANOTHER_COPY = "Fetch the file from another copy."
_RAW_ROOMS = ("audio", "images")  # raw recordings are kept read-only
# everything that the library lets through when the bytes of a zip file are not what they should be
_UNREADABLE = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, EOFError, NotImplementedError,
    RuntimeError, ValueError, LookupError, OverflowError,
)  # fmt: skip


@dataclass(frozen=True)
class Unpacked:
    """The folder that was laid out; plate None: nothing was, and `problems` say why.

    left_out: files that were damaged and left out, where that was asked for.
    """

    plate: Path | None
    files: int
    octets: int
    problems: tuple[Problem, ...] = ()
    left_out: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig unpack --json`."""
        return {
            "plate": None if self.plate is None else str(self.plate),
            "files": self.files,
            "octets": self.octets,
            "problems": [problem.as_json() for problem in self.problems],
            "left_out": list(self.left_out),
        }


@dataclass(frozen=True)
class _Bag:
    """A zip that passed for a bag: its entries by path in the bag, and what is told of them."""

    zip: zipfile.ZipFile
    top: str
    entries: dict[str, zipfile.ZipInfo]
    payload: dict[str, str]
    algorithm: str
    tags: dict[str, tuple[str, str]]  # tag file: algorithm, hash


def unpack_file(
    file: Path | str,
    folder: Path | str | None = None,
    progress: Progress = silent,
    *,
    rescue: bool = False,
) -> Unpacked:
    """Check a packed file and lay its plate folder out, under its own name in the current directory
    when none is given.

    rescue: leave damaged files out and lay out the rest, instead of nothing. Raises FolderError
    when there is something of this name already, FolderDamagedError for a file that is no pack or
    whose names or sizes are not to be trusted, StorageFullError.
    """
    path = Path(file)
    with storage_errors(path), _open_bag(path) as opened:
        damaged = _damaged(opened, path, progress)
        root = _plate_root(opened, path)
        target = folder_path(_own_name(opened, root) if folder is None else folder)
        _require_free(target)
        bad = {problem.where for problem in damaged}
        if damaged and not rescue:
            return Unpacked(None, 0, 0, tuple(damaged))
        wanted = {
            name: entry
            for name, entry in opened.entries.items()
            if name.startswith(root) and not entry.is_dir() and name not in bad
        }
        octets = sum(entry.file_size for entry in wanted.values())
        _lay_out(opened, root, wanted, target, octets, progress)
    lost = tuple(sorted(name.removeprefix(root) for name in bad if name.startswith(root)))
    return Unpacked(target, len(wanted), octets, tuple(damaged), lost)


def damaged_files(path: Path, progress: Progress = silent) -> list[Problem]:
    """What does not read back as its hash says; raises FolderDamagedError for what is no bag."""
    with _open_bag(path) as opened:
        return _damaged(opened, path, progress)


def _refused(what: str, path: Path, remedy: str = _ANOTHER_COPY) -> FolderDamagedError:
    return FolderDamagedError(what, where=str(path), remedy=remedy)


@contextmanager
def _open_bag(path: Path) -> Iterator[_Bag]:
    if path.is_dir() or not path.exists():
        what = (
            "This is a directory, not a packed file." if path.is_dir() else "There is no such file."
        )
        raise FolderError(what, where=str(path), remedy="Name a file made by `platerig pack`.")
    try:
        with zipfile.ZipFile(path) as opened:
            yield _bag_of(opened, path)
    except PlaterigError:
        raise
    except _UNREADABLE as problem:
        raise _refused(
            f"This is no zip file, or it was cut off: {problem or type(problem).__name__}.", path
        ) from problem


def _bag_of(opened: zipfile.ZipFile, path: Path) -> _Bag:
    top, entries = _entries_of(opened, path)
    _check_sizes(entries.values(), path)
    if bag.DECLARATION_NAME not in entries:
        raise _refused(
            "This zip file is no bag: bagit.txt is missing.",
            path,
            "Name a file made by `platerig pack`; other zip files are opened by other programs.",
        )
    if "fetch.txt" in entries:
        raise _refused(
            "Some files of this bag lie elsewhere (fetch.txt).", path, "Ask for the whole bag."
        )
    algorithm = next((a for a in _ALGORITHMS if f"manifest-{a}.txt" in entries), None)
    if algorithm is None:
        raise _refused("The bag has no manifest in SHA-256 or SHA-512.", path)
    text = _tag_text(opened, entries[f"manifest-{algorithm}.txt"], path)
    payload = bag.manifest_of_text(text, str(path))
    tags: dict[str, tuple[str, str]] = {}
    for name in (f"tagmanifest-{a}.txt" for a in reversed(_ALGORITHMS)):
        if name in entries:
            told = bag.manifest_of_text(_tag_text(opened, entries[name], path), str(path))
            kind = name.removeprefix("tagmanifest-").removesuffix(".txt")
            tags |= {tag: (kind, digest) for tag, digest in told.items()}
    made = _Bag(opened, top, entries, payload, algorithm, tags)
    _check_told(made, path)
    return made


def _entries_of(opened: zipfile.ZipFile, path: Path) -> tuple[str, dict[str, zipfile.ZipInfo]]:
    """The one directory at the top, and the entries by their path below it."""
    infos = opened.infolist()
    if len(infos) > _MOST_FILES:
        raise _refused(f"The file claims to hold {len(infos)} files.", path)
    tops: set[str] = set()
    entries: dict[str, zipfile.ZipInfo] = {}
    seen: set[str] = set()
    for info in infos:
        name = info.filename
        _check_name(info, path)
        if name.rstrip("/") in seen:
            raise _refused(f"The name {name!a} is given twice.", path)
        seen.add(name.rstrip("/"))
        top, _, inner = name.partition("/")
        tops.add(top)
        if inner:
            entries[inner] = info
        elif not info.is_dir():
            raise _refused(f"The file {name!a} lies beside the bag, not in it.", path)
    if len(tops) != 1:
        raise _refused(
            f"The file holds {len(tops)} directories at its top; a bag is one directory.", path
        )
    return tops.pop(), entries


def _check_name(info: zipfile.ZipInfo, path: Path) -> None:
    """Refuse names that lead out of the folder, links, and what is locked by a password."""
    # `orig_filename`: the library cuts a name at a zero byte, and turns the system's separators
    for name in (info.filename, info.orig_filename):
        parts = name.removesuffix("/").split("/")
        drive = len(parts[0]) > 1 and parts[0][1] == ":"
        climbs = any(part in ("", ".", "..") for part in parts)
        if drive or climbs or not bag.is_plain(name):
            raise _refused(
                f"The name {name!a} leads out of the folder or is no plain name: nothing "
                "was unpacked.",
                path,
                "Do not trust this file; ask whoever made it.",
            )
    mode = info.external_attr >> 16
    if mode and not (stat.S_ISREG(mode) or stat.S_ISDIR(mode) or stat.S_IFMT(mode) == 0):
        raise _refused(f"{info.filename!a} is a link or a device, not a file.", path)
    if info.flag_bits & 0x1:
        raise _refused(f"{info.filename!a} is locked by a password.", path)


def _check_sizes(entries: Collection[zipfile.ZipInfo], path: Path) -> None:
    """Refuse a file that would grow out of all proportion, or whose parts share their bytes."""
    size = path.stat().st_size
    packed = sum(entry.compress_size for entry in entries)
    grown = sum(entry.file_size for entry in entries)
    if packed > size or grown > _MOST_GROWTH * size:
        raise _refused(
            f"The file is {size} bytes long but claims to hold {grown}: nothing was unpacked.",
            path,
            "Do not trust this file; ask whoever made it.",
        )


def _tag_text(opened: zipfile.ZipFile, info: zipfile.ZipInfo, path: Path) -> str:
    if info.file_size > _LARGEST_TAG_FILE:
        raise _refused(f"{info.filename} is too large ({info.file_size} bytes).", path)
    try:
        return opened.read(info).decode("utf-8")
    except _UNREADABLE as problem:
        raise _refused(f"{info.filename} cannot be read: {problem}.", path) from problem


def _check_told(made: _Bag, path: Path) -> None:
    """Files nobody told of, and a payload larger than bag-info.txt says."""
    inside = f"{bag.PAYLOAD}/"
    files = {name: entry for name, entry in made.entries.items() if not entry.is_dir()}
    payload = {name: entry for name, entry in files.items() if name.startswith(inside)}
    strangers = sorted(set(payload) - set(made.payload))
    if strangers:
        raise _refused(
            f"The manifest does not tell of {len(strangers)} file(s), the first "
            f"{strangers[0]!a}: nothing was unpacked.",
            path,
        )
    outside = sorted(name for name in made.payload if not name.startswith(inside))
    if outside:
        raise _refused(f"The manifest tells of {outside[0]!a}, outside of data/.", path)
    info = made.entries.get(bag.INFO_NAME)
    told = None if info is None else bag.oxum_of_text(_tag_text(made.zip, info, path))
    octets = sum(entry.file_size for entry in payload.values())
    if told is not None and (octets > told[0] or len(payload) > told[1]):
        raise _refused(
            f"The file holds {octets} bytes in {len(payload)} files where bag-info.txt tells of "
            f"{told[0]} in {told[1]}: nothing was unpacked.",
            path,
        )


def _damaged(made: _Bag, path: Path, progress: Progress) -> list[Problem]:
    """Files that are missing or are not what their hash says; `where` is the path in the bag."""
    wanted = {name: (made.algorithm, digest) for name, digest in made.payload.items()}
    wanted |= made.tags
    found = []
    for number, (name, (kind, digest)) in enumerate(sorted(wanted.items()), start=1):
        entry = made.entries.get(name)
        if entry is None:
            found.append(Problem("This file is missing from the pack.", name, _ANOTHER_COPY))
            continue
        hashed: Any = hashlib.new(kind)
        try:
            with made.zip.open(entry) as source:
                while chunk := source.read(_CHUNK):
                    hashed.update(chunk)
        except (*_UNREADABLE, OSError):
            hashed = None
        if hashed is None or hashed.hexdigest() != digest:
            what = "This file is damaged: it is not what its hash says."
            found.append(Problem(what, name, _ANOTHER_COPY))
        if number % 50 == 0 or number == len(wanted):
            progress(ProgressEvent("checking every file", number, len(wanted)))
    return found


def _plate_root(made: _Bag, path: Path) -> str:
    """Where in the bag the plate folder begins: `data/NAME.plate/`, or `data/` itself."""
    inside = f"{bag.PAYLOAD}/"
    roots = sorted(
        {
            name.removesuffix(DATABASE_NAME)
            for name in made.payload
            if PurePosixPath(name).name == DATABASE_NAME and name.count("/") <= 2
        },
        key=len,
    )
    tops = {name.split("/")[1] for name in made.payload if name.count("/") >= 2}
    if not roots and len(tops) == 1 and next(iter(tops)).endswith(SUFFIX):
        return f"{inside}{tops.pop()}/"  # packed without its database
    if not roots:
        raise _refused("This bag holds no plate folder: plate.sqlite is not in it.", path)
    if len(roots) > 1 and roots[0] != inside:
        raise _refused(f"This bag holds {len(roots)} plate folders.", path, "Unzip it by hand.")
    return roots[0]


def _own_name(made: _Bag, root: str) -> str:
    inner = root.removeprefix(f"{bag.PAYLOAD}/").rstrip("/")
    return inner or made.top


def _require_free(target: Path) -> None:
    if target.exists() or target.is_symlink():
        raise FolderError(
            "There is already something of this name; nothing was changed.",
            where=str(target),
            remedy="Name another folder: platerig unpack FILE OTHER.plate",
        )


def _lay_out(
    made: _Bag,
    root: str,
    wanted: Mapping[str, zipfile.ZipInfo],
    target: Path,
    octets: int,
    progress: Progress,
) -> None:
    """Write beside the target, check again while writing, then move into place."""
    with storage_errors(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        free = shutil.disk_usage(target.parent).free
        if octets > free:
            raise StorageFullError(
                f"The folder needs {octets / 1e6:.0f} MB, the disk has {free / 1e6:.0f} MB left.",
                where=str(target),
                remedy="Make room, or unpack onto another disk.",
            )
        draft = target.with_name(f".{target.name}.unpack-{os.getpid()}")
        try:
            for room in _RAW_ROOMS:
                (draft / room).mkdir(parents=True)
            for number, (name, entry) in enumerate(sorted(wanted.items()), start=1):
                inner = name.removeprefix(root)
                place = draft / inner
                place.parent.mkdir(parents=True, exist_ok=True)
                with made.zip.open(entry) as source, place.open("xb") as sink:
                    digest = _copied(source, sink, made.algorithm)
                if digest != made.payload[name]:
                    raise FolderDamagedError(
                        f"{name} changed while it was unpacked.",
                        where=str(target),
                        remedy=_ANOTHER_COPY,
                    )
                if inner.split("/")[0] in _RAW_ROOMS:
                    place.chmod(0o444)
                if number % 50 == 0 or number == len(wanted):
                    progress(ProgressEvent("unpacking", number, len(wanted)))
            draft.rename(target)
            sync_directory(target.parent)
        except BaseException:
            shutil.rmtree(draft, ignore_errors=True)
            raise


def _copied(source: IO[bytes], sink: IO[bytes], algorithm: str) -> str:
    hashed = hashlib.new(algorithm)
    while chunk := source.read(_CHUNK):
        hashed.update(chunk)
        sink.write(chunk)
    sink.flush()
    os.fsync(sink.fileno())
    return hashed.hexdigest()
