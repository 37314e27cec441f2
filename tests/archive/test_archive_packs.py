"""Packs: a bag by its own library's judgement, bit-exact both ways, and nothing trusted unseen."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import sqlite3
import stat
import struct
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from archive_samples import filled_folder, make_folder

from rig.archive import bag
from rig.archive.plate_folder import PlateFolder
from rig.archive.storage import sha256_of
from rig.jobs.check import check
from rig.jobs.pack import pack
from rig.jobs.unpack import unpack
from rig.model.errors import (
    FolderDamagedError,
    FolderError,
    FolderInUseError,
    PlaterigError,
    StorageFullError,
    UsageError,
)

Rewriter = Callable[[zipfile.ZipInfo, bytes], tuple[str | zipfile.ZipInfo, bytes] | None]


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def packed(tmp_path: Path) -> Path:
    return pack(filled_folder(tmp_path / "a")).file


def rewritten(packed: Path, change: Rewriter, extra: dict[str, bytes] | None = None) -> Path:
    """The pack with its entries changed, and further ones; the hashes inside stay as they were."""
    target = packed.with_name("other.zip")
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(target, "w") as new:
        for info in old.infolist():
            made = change(info, old.read(info))
            if made is not None:
                new.writestr(*made)
        for name, data in (extra or {}).items():
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # the library warns of names given twice
                new.writestr(name, data)
    return target


def as_it_was(info: zipfile.ZipInfo, data: bytes) -> tuple[str, bytes]:
    return info.filename, data


def test_packed_and_unpacked_is_the_same_to_the_last_bit(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    (path / "quarantine/audio").mkdir(parents=True)
    (path / "quarantine/audio/half 100 %.flac.part").write_bytes(b"half")
    (path / "hand/H0001").mkdir(parents=True)
    (path / "hand/H0001/Ölung.wav").write_bytes(b"as it came")
    before = contents(path)
    result = pack(path)
    assert (result.files, result.octets) == (len(before), sum(map(len, before.values())))
    assert result.file == tmp_path / "a.plate.zip"
    assert result.sha256 == sha256_of(result.file)
    assert contents(path) == before
    again = unpack(result.file, tmp_path / "b")
    assert (again.plate, again.files, again.problems) == (tmp_path / "b.plate", len(before), ())
    assert contents(tmp_path / "b.plate") == before
    assert (
        not stat.S_IMODE((tmp_path / "b.plate/audio/S0001/000000-r0.flac").stat().st_mode) & 0o222
    )
    with PlateFolder.open(tmp_path / "b.plate", write=True) as folder:
        assert len(folder.scan_record("S0001").strikes) == 6


def test_the_same_folder_gives_the_same_file(tmp_path: Path, packed: Path) -> None:
    copy = tmp_path / "copy/a.plate"
    shutil.copytree(tmp_path / "a.plate", copy)
    os.utime(copy / "plate.sqlite", (1e9, 1e9))
    assert pack(copy).file.read_bytes() == packed.read_bytes()


def test_the_bag_is_valid_for_its_own_library(tmp_path: Path, packed: Path) -> None:
    """Checked by bagit-python of the Library of Congress, after a plain unzip."""
    import bagit

    with zipfile.ZipFile(packed) as file:
        assert file.testzip() is None
        file.extractall(tmp_path / "plain")
    found = bagit.Bag(str(tmp_path / "plain/a.plate"))
    assert found.validate()
    assert (found.version_info, found.algorithms) == ((1, 0), ["sha256"])
    assert found.info["External-Description"] == "square, maple; 1 scan(s)."
    assert "sha256sum -c" in (tmp_path / "plain/a.plate/README.txt").read_text()
    # RFC 8493, 2.1.1: the two lines of bagit.txt, to the letter
    declared = (tmp_path / "plain/a.plate/bagit.txt").read_bytes()
    assert declared == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    (tmp_path / "plain/a.plate/data/a.plate/README.txt").write_text("else")
    assert not found.is_valid()


def test_bags_of_others_are_unpacked(tmp_path: Path) -> None:
    """A bag made in place by bagit-python, with another hash, zipped with compression."""
    import bagit

    before = contents(filled_folder(tmp_path / "a"))
    (tmp_path / "a.plate").rename(tmp_path / "old-back")
    bagit.make_bag(str(tmp_path / "old-back"), checksums=["sha512"])
    made = shutil.make_archive(str(tmp_path / "other"), "zip", tmp_path, "old-back")
    result = unpack(made, tmp_path / "b.plate")
    assert result.problems == ()
    assert contents(tmp_path / "b.plate") == before


@pytest.mark.parametrize("victim", ["audio/S0001/000002-r0.flac", "plate.sqlite", "bag-info.txt"])
def test_one_changed_byte_is_named_and_nothing_unpacked(
    tmp_path: Path, packed: Path, victim: str
) -> None:
    def change(info: zipfile.ZipInfo, data: bytes) -> tuple[str, bytes]:
        if info.filename.endswith(victim):
            data = bytes([data[0] ^ 1]) + data[1:]
        return info.filename, data

    result = unpack(rewritten(packed, change), tmp_path / "b")
    assert result.plate is None
    (problem,) = result.problems
    assert problem.where.endswith(victim)
    assert problem.what == "This file is damaged: it is not what its hash says."
    assert not (tmp_path / "b.plate").exists()


def test_what_is_whole_can_be_rescued(tmp_path: Path, packed: Path) -> None:
    def change(info: zipfile.ZipInfo, data: bytes) -> tuple[str, bytes] | None:
        if info.filename.endswith("000004-r0.flac"):
            return None
        return info.filename, data[:-1] if info.filename.endswith("000002-r0.flac") else data

    result = unpack(rewritten(packed, change), tmp_path / "b", rescue=True)
    assert result.left_out == ("audio/S0001/000002-r0.flac", "audio/S0001/000004-r0.flac")
    assert [problem.what.split(":")[0] for problem in result.problems] == [
        "This file is damaged", "This file is missing from the pack.",
    ]  # fmt: skip
    told = check(tmp_path / "b.plate").problems
    assert [problem.what for problem in told] == ["This file is missing."] * 2


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("../evil.txt", "leads out of the folder"),
        ("a.plate/data/a.plate/../../../evil.txt", "leads out of the folder"),
        ("/etc/evil", "leads out of the folder"),
        ("C:/evil.txt", "leads out of the folder"),
        ("a.plate/data/..\\..\\evil", "leads out of the folder"),
        ("a.plate/data/a.plate/README.txt", "given twice"),
        ("a.plate/data/a.plate/stranger.txt", "does not tell of 1 file"),
        ("elsewhere/x", "2 directories at its top"),
        ("evil.txt", "lies beside the bag"),
        ("a.plate/fetch.txt", "lie elsewhere"),
    ],
)
def test_names_that_are_not_to_be_trusted(
    tmp_path: Path, packed: Path, name: str, reason: str
) -> None:
    made = rewritten(packed, as_it_was, {name: b"evil"})
    before = sorted(path.name for path in tmp_path.iterdir())
    for rescue in (False, True):
        with pytest.raises(FolderDamagedError, match=reason):
            unpack(made, tmp_path / "b", rescue=rescue)
    assert sorted(path.name for path in tmp_path.iterdir()) == before


def test_links_are_refused(tmp_path: Path, packed: Path) -> None:
    def change(info: zipfile.ZipInfo, data: bytes) -> tuple[zipfile.ZipInfo, bytes]:
        if info.filename.endswith("plate/README.txt"):
            info.external_attr = (stat.S_IFLNK | 0o777) << 16
        return info, data

    with pytest.raises(FolderDamagedError, match="is a link or a device"):
        unpack(rewritten(packed, change), tmp_path / "b")


def test_bombs_are_refused_before_they_go_off(tmp_path: Path, packed: Path) -> None:
    zeros = bytes(30_000_000)
    bomb = tmp_path / "bomb.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("a.plate/bagit.txt", bag.DECLARATION)
        file.writestr("a.plate/data/plate.sqlite", zeros)
        told = {"data/plate.sqlite": hashlib.sha256(zeros).hexdigest()}
        file.writestr("a.plate/manifest-sha256.txt", bag.manifest_text(told))
    with pytest.raises(FolderDamagedError, match="claims to hold 300"):
        unpack(bomb, tmp_path / "b")

    def larger(info: zipfile.ZipInfo, data: bytes) -> tuple[str, bytes]:
        longer = info.filename.endswith("000002-r0.flac")
        return info.filename, data + (b"more" if longer else b"")

    with pytest.raises(FolderDamagedError, match=r"bytes in 9 files where bag-info.txt tells of"):
        unpack(rewritten(packed, larger), tmp_path / "b")

    # one and the same bytes behind several entries: the sizes of the parts exceed the whole
    data = bytearray(packed.read_bytes())
    first = data.index(b"PK\x01\x02")
    struct.pack_into("<II", data, first + 20, len(data), len(data))
    (tmp_path / "overlap.zip").write_bytes(data)
    with pytest.raises(FolderDamagedError, match="claims to hold"):
        unpack(tmp_path / "overlap.zip", tmp_path / "b")


def test_a_disk_too_small_is_told_of_first(
    tmp_path: Path, packed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(tmp_path)._replace(free=1000)
    monkeypatch.setattr("rig.archive.unpacking.shutil.disk_usage", lambda _path: usage)
    with pytest.raises(StorageFullError, match="the disk has 0 MB left"):
        unpack(packed, tmp_path / "b")
    assert not (tmp_path / "b.plate").exists()


def test_no_damage_ends_in_a_traceback_or_in_wrong_bytes(tmp_path: Path) -> None:
    """Bytes changed, cut off and added anywhere in a small pack; seeded."""
    with make_folder(tmp_path / "a") as folder:
        path = folder.path
    before = contents(path)
    whole = pack(path).file.read_bytes()
    rng = random.Random(7)
    refused = 0
    for trial in range(60):
        data = bytearray(whole)
        place = rng.randrange(len(data))
        if trial % 3 == 0:
            data[place:] = b""
        elif trial % 3 == 1:
            data[place] ^= 1 << rng.randrange(8)
        else:  # near the end, where the directory of the zip lies
            data[-rng.randrange(1, 900)] = rng.randrange(256)
        made, target = tmp_path / "bad.zip", tmp_path / f"b{trial}.plate"
        made.write_bytes(data)
        try:
            result = unpack(made, target)
        except PlaterigError:
            refused += 1
        else:
            refused += result.plate is None
        if target.exists():
            assert contents(target) == before
    assert refused > 40


@pytest.mark.parametrize("content", [b"", b"PK", b"no zip at all" * 100])
def test_what_is_no_pack(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "x.zip").write_bytes(content)
    with pytest.raises(FolderDamagedError, match="no zip file, or it was cut off"):
        unpack(tmp_path / "x.zip")
    with pytest.raises(FolderError, match="no such file"):
        unpack(tmp_path / "y.zip")
    with pytest.raises(FolderError, match="directory, not a packed file"):
        unpack(tmp_path)
    with zipfile.ZipFile(tmp_path / "z.zip", "w") as file:
        file.writestr("a/letter.txt", "dear")
    with pytest.raises(FolderDamagedError, match=r"no bag: bagit.txt is missing"):
        unpack(tmp_path / "z.zip")


def test_nothing_is_written_over(tmp_path: Path, packed: Path) -> None:
    before = packed.read_bytes()
    with pytest.raises(FolderError, match="already a file of this name"):
        pack(tmp_path / "a.plate")
    assert packed.read_bytes() == before
    with pytest.raises(FolderError, match="already something of this name"):
        unpack(packed, tmp_path / "a.plate")
    with pytest.raises(UsageError, match="inside the folder"):
        pack(tmp_path / "a.plate", tmp_path / "a.plate/audio/x.zip")
    with pytest.raises(UsageError, match="is a zip file"):
        pack(tmp_path / "a.plate", tmp_path / "x.tar")


def test_a_folder_in_use_is_left_alone(tmp_path: Path) -> None:
    with make_folder(tmp_path / "a") as folder:
        with pytest.raises(FolderInUseError):
            pack(folder.path)
        assert not list(tmp_path.glob("*.zip*"))


def test_damage_is_packed_and_told(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    victim = path / "audio/S0001/000001-r0.flac"
    victim.chmod(0o644)
    victim.write_bytes(b"rotten")
    result = pack(path)
    (problem,) = result.problems
    assert (problem.what.split(";")[0], problem.where) == (
        "This file is not as it was stored", str(victim),
    )  # fmt: skip
    unpack(result.file, tmp_path / "b")
    assert contents(tmp_path / "b.plate") == contents(path)


def test_a_folder_without_its_database_is_kept_as_well(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    (path / "plate.sqlite").unlink()
    result = pack(path)
    assert "cannot be read" in result.problems[0].what
    unpack(result.file, tmp_path / "b")
    assert contents(tmp_path / "b.plate") == contents(path)


def test_a_crash_leaves_its_log_in_the_pack(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    connection = sqlite3.connect(path / "plate.sqlite")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("UPDATE plate SET notes = 'in the log only'")
    connection.commit()
    copy = tmp_path / "crashed.plate"
    shutil.copytree(path, copy)  # as a power cut leaves it, the log not folded in
    connection.close()
    unpack(pack(copy).file, tmp_path / "b")
    with PlateFolder.open(tmp_path / "b") as folder:
        assert folder.facts.notes == "in the log only"


def test_links_in_the_folder_are_refused(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    (path / "audio/S0002").symlink_to(tmp_path)
    with pytest.raises(FolderError, match="holds a link"):
        pack(path)
    assert not list(tmp_path.glob("*.zip*"))
