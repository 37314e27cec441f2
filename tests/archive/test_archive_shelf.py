"""The shelf: many folders listed, searched, compared and read again, the sick ones among them."""

from __future__ import annotations

import csv
import json
import os
import shutil
import sqlite3
import warnings
from collections.abc import Generator, Sequence
from pathlib import Path
from typing import Any

import pytest
from archive_samples import filled_folder, struck_folder

from rig.archive.plate_folder import PlateFolder
from rig.archive.shelf_index import ShelfIndex, default_path
from rig.archive.shelf_look import ShelfPlate, folders_below
from rig.archive.storage import sha256_of
from rig.jobs import pools, shelf_reading
from rig.jobs.pools import Dask, Here, Processes, chosen_pool
from rig.jobs.shelf import Shelf, shelf
from rig.jobs.shelf_reading import ScanToRead, read_again
from rig.model.errors import AnalysisError, FolderMissingError, UsageError


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three plates in rooms of their own, nothing sick among them; tests that change it copy it."""
    root = tmp_path_factory.mktemp("workshop")
    for room in ("1998", "2004"):
        (root / room).mkdir()
    struck_folder(root / "1998/Poplar.plate", (1.0, 0.3), wood="maple", instrument="violin",
                  reference="No 12", mass_g=112.5)  # fmt: skip
    struck_folder(root / "2004/ash.plate", (0.6,), wood="spruce", instrument="viola", mass_g=80.0)
    struck_folder(root / "elm.plate", (0.8,), simulated=True, notes="kept for a friend")
    return root


def listed(root: Path, tmp_path: Path, **how: Any) -> Shelf:
    return shelf(root, index=tmp_path / "index.sqlite", **how)


def names(found: Shelf) -> list[str]:
    return [row.name for row in found.plates]


def contents(root: Path) -> dict[str, str]:
    return {str(p): sha256_of(p) for p in sorted(root.rglob("*")) if p.is_file()}


def test_what_is_listed_without_reading_anything(workshop: Path, tmp_path: Path) -> None:
    found = listed(workshop, tmp_path)
    assert names(found) == ["ash", "elm", "Poplar"]
    row = found.plates[2].as_json()
    assert (row["wood"], row["instrument"], row["reference"], row["mass_g"]) == (
        "maple", "violin", "No 12", 112.5,
    )  # fmt: skip
    assert (row["scans"], row["strikes"], row["simulated"], row["unread"]) == (2, 18, False, 2)
    assert row["evenness_after_cents"] is None  # not known, and never 0
    assert [one.simulated for one in found.plates] == [False, True, False]
    assert json.dumps(found.as_json(), allow_nan=False)


def test_search_filters_and_orders(workshop: Path, tmp_path: Path) -> None:
    assert names(listed(workshop, tmp_path, wood="Maple")) == ["Poplar"]
    assert names(listed(workshop, tmp_path, instrument="viola")) == ["ash"]
    assert names(listed(workshop, tmp_path, search="FRIEND kept")) == ["elm"]
    assert names(listed(workshop, tmp_path, search="1998 no")) == ["Poplar"]
    assert names(listed(workshop, tmp_path, search="oak")) == []
    assert listed(workshop, tmp_path, search="oak").found == 3
    assert names(listed(workshop, tmp_path, order="mass")) == ["ash", "Poplar", "elm"]
    down = listed(workshop, tmp_path, order="mass", descending=True)
    assert names(down) == ["Poplar", "ash", "elm"]  # not known: last either way
    with pytest.raises(UsageError, match="no order"):
        listed(workshop, tmp_path, order="colour")
    with pytest.raises(FolderMissingError):
        listed(workshop / "nowhere", tmp_path)


def test_reading_again_fills_in_what_can_be_heard(
    workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(workshop)
    done = listed(workshop, tmp_path, read_again=True, reading="attack", workers=1)
    assert contents(workshop) == before  # no folder is changed
    assert done.read_again is not None
    assert (done.read_again.read, done.read_again.known, done.read_again.failed) == (4, 0, ())
    poplar = done.plates[2]
    assert poplar.reading == "attack"
    assert poplar.evenness_before_cents is not None
    assert poplar.evenness_after_cents is not None
    assert poplar.change_cents is not None
    # steps of 1.0 and then of 0.3 semitone across the plate
    assert poplar.evenness_before_cents > 60
    assert poplar.evenness_after_cents < 0.6 * poplar.evenness_before_cents
    assert poplar.partials_hz[:2] == pytest.approx((310.0, 545.0), abs=1.0)
    assert (poplar.current, poplar.unread) == (True, 0)
    assert [row.evenness_before_cents for row in done.plates[:2]] == [None, None]
    woods = {group.wood: group for group in done.groups}
    assert woods["maple"].evenness_before_cents == poplar.evenness_before_cents
    assert woods[None].plates == 1

    monkeypatch.setattr(shelf_reading, "read_again", _must_not_run)
    again = listed(workshop, tmp_path, read_again=True, reading="attack", workers=1)
    assert again.read_again is not None
    assert (again.read_again.read, again.read_again.known) == (0, 4)
    assert again.plates == done.plates
    assert listed(workshop, tmp_path).plates[2].evenness_after_cents is None  # another reading


def _must_not_run(_task: ScanToRead) -> dict[str, Any]:
    raise AssertionError("read again although it was known")


def test_an_interruption_loses_nothing(
    workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[str] = []

    def interrupted(task: ScanToRead) -> dict[str, Any]:
        if len(calls) == 2:
            raise KeyboardInterrupt
        calls.append(task.scan)
        return {"problem": "too few taps", "failed": False}

    monkeypatch.setattr(shelf_reading, "read_again", interrupted)
    with pytest.raises(KeyboardInterrupt):
        listed(workshop, tmp_path, read_again=True, reading="attack", workers=1)
    monkeypatch.setattr(shelf_reading, "read_again", lambda task: calls.append("more") or {})
    done = listed(workshop, tmp_path, read_again=True, reading="attack", workers=1)
    assert done.read_again is not None
    assert (done.read_again.read, done.read_again.known) == (2, 2)
    assert calls[2:] == ["more", "more"]


def test_a_moved_folder_is_known_and_changed_facts_are_not(workshop: Path, tmp_path: Path) -> None:
    root = tmp_path / "shelf"
    shutil.copytree(workshop / "2004", root)
    how: dict[str, Any] = {"read_again": True, "reading": "attack", "workers": 1}
    listed(root, tmp_path, **how)
    (root / "ash.plate").rename(root / "beech.plate")
    moved = listed(root, tmp_path, **how)
    assert moved.read_again is not None
    assert (moved.read_again.read, moved.read_again.known) == (0, 1)
    with PlateFolder.open(root / "beech.plate", write=True) as folder:
        folder.update_facts(name="beech")
    renamed = listed(root, tmp_path, reading="attack")
    assert names(renamed) == ["beech"]
    assert renamed.plates[0].unread == 0
    with PlateFolder.open(root / "beech.plate", write=True) as folder:
        folder.update_facts(mass_g=77.0)  # the local tone depends on it
    assert listed(root, tmp_path, reading="attack").plates[0].unread == 1


def test_another_analysis_is_said_and_read_anew(
    workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    how: dict[str, Any] = {"reading": "attack", "wood": "spruce"}
    listed(workshop, tmp_path, read_again=True, workers=1, **how)
    monkeypatch.setattr("rig.archive.shelf_index.code_now", lambda: "a later analysis")
    (row,) = listed(workshop, tmp_path, **how).plates
    assert (row.current, row.unread) == (False, 0)
    assert row.evenness_after_cents is not None
    done = listed(workshop, tmp_path, read_again=True, workers=1, **how)
    assert done.read_again is not None
    assert done.read_again.read == 1
    assert done.plates[0].current is True


def test_sick_folders_are_named_and_stop_nothing(workshop: Path, tmp_path: Path) -> None:
    root = tmp_path / "shelf"
    shutil.copytree(workshop / "2004", root)
    for name in ("damaged", "newer", "locked", "strange"):
        shutil.copytree(root / "ash.plate", root / f"{name}.plate")
    (root / "damaged.plate/plate.sqlite").write_bytes(b"gone" * 3000)
    (root / "lost.plate/audio").mkdir(parents=True)
    for name, sql in (
        ("newer", "PRAGMA user_version = 99"),
        ("strange", "UPDATE plate SET bars = '{]'"),
    ):
        database = sqlite3.connect(root / f"{name}.plate/plate.sqlite")
        database.execute(sql)
        database.commit()
        database.close()
    holder = sqlite3.connect(root / "locked.plate/plate.sqlite", isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    found = listed(root, tmp_path)
    told = {Path(row.plate).stem: row.problem or "" for row in found.plates}
    assert told["ash"] == ""
    assert "cannot be read" in told["damaged"]
    assert "cannot be read" in told["lost"]
    assert "written by a newer platerig: schema 99" in told["newer"]
    assert "in use" in told["locked"]
    assert "cannot be understood" in told["strange"]
    assert all(row.remedy for row in found.plates if row.problem)
    holder.close()
    later = {Path(row.plate).stem: row.problem for row in listed(root, tmp_path).plates}
    assert later["locked"] is None  # a passing trouble is not kept
    assert later["damaged"]
    done = listed(root, tmp_path, read_again=True, reading="attack", workers=1)
    assert done.read_again is not None
    assert done.read_again.read == 1 + 1  # ash and what was locked


def test_lost_recordings_are_told_and_tried_again(workshop: Path, tmp_path: Path) -> None:
    root = tmp_path / "shelf"
    shutil.copytree(workshop / "2004", root)
    lost = root / "ash.plate/audio/S0001/000003-r0.flac"
    lost.rename(root / "aside.flac")
    how: dict[str, Any] = {"read_again": True, "reading": "attack", "workers": 1}
    assert listed(root, tmp_path, **how).plates[0].evenness_after_cents is not None
    (root / "aside.flac").rename(lost)
    done = listed(root, tmp_path, **how).read_again
    assert done is not None
    assert done.read == 1  # it was read without one recording, so that is not the last word
    done = listed(root, tmp_path, **how).read_again
    assert done is not None
    assert done.known == 1
    shutil.rmtree(root / "ash.plate/audio")
    outcome = read_again(ScanToRead(str(root / "ash.plate"), "S0001", "attack"))
    assert outcome["problem"]
    assert read_again(ScanToRead(str(root / "none.plate"), "S0001"))["failed"] is True


def test_the_index_sees_what_changed_and_forgets_what_is_gone(tmp_path: Path) -> None:
    root = tmp_path / "shelf"
    root.mkdir()
    one, two = filled_folder(root / "one"), filled_folder(root / "two")
    assert len(listed(root, tmp_path).plates) == 2
    with PlateFolder.open(one, write=True) as folder:
        folder.update_facts(reference="new")
    shutil.rmtree(two)
    (row,) = listed(root, tmp_path).plates
    assert row.reference == "new"
    with sqlite3.connect(tmp_path / "index.sqlite") as index:
        assert index.execute("SELECT path FROM seen").fetchall() == [(str(one),)]
    index.close()


def test_the_index_is_trusted_while_the_database_is_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "shelf"
    root.mkdir()
    filled_folder(root / "one")
    first = listed(root, tmp_path)

    def look(_folder: Path) -> tuple[ShelfPlate, bool]:
        raise AssertionError("looked into although nothing changed")

    monkeypatch.setattr("rig.archive.shelf_index.look_into", look)
    assert listed(root, tmp_path).plates == first.plates


@pytest.mark.parametrize("content", [b"", b"no index" * 1000, None])
def test_an_index_that_is_none_is_made_anew(tmp_path: Path, content: bytes | None) -> None:
    root = tmp_path / "shelf"
    root.mkdir()
    filled_folder(root / "one")
    first = listed(root, tmp_path)
    if content is None:
        with sqlite3.connect(tmp_path / "index.sqlite") as index:
            index.execute("PRAGMA user_version = 77")
        index.close()
    else:
        (tmp_path / "index.sqlite").write_bytes(content)
    assert listed(root, tmp_path).plates == first.plates
    (tmp_path / "file").write_text("in the way")
    in_memory = shelf(root, index=tmp_path / "file/index.sqlite")
    assert in_memory.plates == first.plates


def test_the_index_lies_in_the_cache_and_in_no_plate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    path = filled_folder(tmp_path / "one")
    before = contents(path)
    shelf(tmp_path)
    assert default_path() == tmp_path / "cache/platerig/shelf.sqlite"
    assert default_path().exists()
    assert contents(path) == before


def test_folders_are_found_without_going_in_circles(tmp_path: Path) -> None:
    (tmp_path / "a/b").mkdir(parents=True)
    one = filled_folder(tmp_path / "a/b/one")
    (tmp_path / "a/.hidden/two.plate/audio").mkdir(parents=True)
    (one / "quarantine/three.plate/audio").mkdir(parents=True)
    (tmp_path / "a/loop").symlink_to(tmp_path)
    assert [found.path for found in folders_below(tmp_path)] == [one]
    assert [found.path for found in folders_below(one)] == [one]


def test_directories_that_cannot_be_entered_are_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.scandir

    def refusing(path: Any) -> Any:
        if str(path).endswith("secret"):
            raise PermissionError(13, "Permission denied")
        return real(path)

    filled_folder(tmp_path / "one")
    (tmp_path / "secret").mkdir()
    monkeypatch.setattr("rig.archive.shelf_look.os.scandir", refusing)
    found = shelf(tmp_path, index=tmp_path / "index.sqlite")
    assert {row.name: row.problem for row in found.plates} == {
        "square": None, "secret": "It cannot be entered: Permission denied.",
    }  # fmt: skip


def test_the_table(workshop: Path, tmp_path: Path) -> None:
    out = tmp_path / "plates.csv"
    found = listed(workshop, tmp_path, table=out)
    assert found.table == out
    with out.open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert [row["name"] for row in rows] == ["ash", "elm", "Poplar"]
    assert [row["simulated"] for row in rows] == ["false", "true", "false"]
    assert rows[2]["evenness_after_cents"] == ""
    listed(workshop, tmp_path, table=out, wood="maple")  # its own table may be written anew
    assert len(out.read_text().splitlines()) == 2
    out.write_text("x_mm,y_mm,thickness_mm\n")
    with pytest.raises(UsageError, match="left alone"):
        listed(workshop, tmp_path, table=out)
    assert out.read_text() == "x_mm,y_mm,thickness_mm\n"


def tasks_of(workshop: Path) -> list[ScanToRead]:
    folders = ("1998/Poplar.plate", "2004/ash.plate")
    return [ScanToRead(str(workshop / name), "S0001", "attack") for name in folders]


def outcomes_of(pool: pools.Pool, tasks: Sequence[ScanToRead]) -> dict[str, dict[str, Any]]:
    return {task.folder: outcome for task, outcome in pool.run(read_again, tasks)}


def test_processes_give_the_same_numbers(workshop: Path) -> None:
    tasks = tasks_of(workshop)
    here = outcomes_of(Here(), tasks)
    assert len(here) == 2
    assert all(one["evenness_cents"] > 0 for one in here.values())
    assert outcomes_of(Processes(2), tasks) == here


def test_a_dask_cluster_gives_the_same_numbers(workshop: Path) -> None:
    """On the library's own cluster, inside this process."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own
        from distributed import LocalCluster

        tasks = tasks_of(workshop)
        with LocalCluster(
            n_workers=1, threads_per_worker=1, processes=False, dashboard_address=":0"
        ) as cluster:
            there = outcomes_of(Dask(cluster.scheduler_address), tasks)
    assert there == outcomes_of(Here(), tasks)


def test_pools_that_cannot_be(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pools, "_CONNECT_S", 0.2)
    with pytest.raises(UsageError, match="No Dask scheduler answers"):
        outcomes_of(Dask("tcp://127.0.0.1:9"), [ScanToRead("a", "S0001")])
    assert outcomes_of(Dask("tcp://127.0.0.1:9"), []) == {}
    assert outcomes_of(Processes(2), []) == {}

    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(pools, "import_module", missing)
    with pytest.raises(UsageError, match="not installed") as caught:
        outcomes_of(Dask("tcp://127.0.0.1:9"), [ScanToRead("a", "S0001")])
    assert "platerig[dask]" in caught.value.remedy
    with pytest.raises(UsageError, match="can do nothing"):
        chosen_pool(0, None)
    assert isinstance(chosen_pool(1, None), Here)
    assert isinstance(chosen_pool(3, None), Processes)


def test_leaving_early_ends_the_processes() -> None:
    running: Generator[Any, None, None] = Processes(1).run(repr, list(range(50)))
    assert next(running)
    running.close()
    with pytest.raises(StopIteration):
        next(running)
    with pytest.raises(AnalysisError, match="ended one of the processes"):
        list(Processes(1).run(os._exit, [3]))  # as the system ends one that asks for too much


def test_old_outcomes_are_kept_by_what_was_wanted(tmp_path: Path) -> None:
    with ShelfIndex(tmp_path / "i.sqlite") as index:
        index.keep("m", "usual", {"evenness_cents": 1.0})
        index.keep("m", "attack", {"evenness_cents": 2.0})
        assert index.outcomes("usual") == {"m": ({"evenness_cents": 1.0}, True)}
    with ShelfIndex(tmp_path / "i.sqlite") as index:
        assert index.outcomes("attack") == {"m": ({"evenness_cents": 2.0}, True)}
