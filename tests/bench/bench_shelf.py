"""The shelf: many folders listed from the index, and how reading again grows with workers.

    python tests/bench/bench_shelf.py [--folders 1000] [--taps 400] [--read 8] [--no-audio]

The folders are one folder copied: rows of its own in the database, the recordings hard links.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "archive"))

from archive_samples import make_clip, make_reading, square_outline, struck_folder

from rig.archive.plate_folder import PlateFolder
from rig.archive.shelf_index import ShelfIndex
from rig.jobs.pools import Here, Processes
from rig.jobs.shelf import shelf
from rig.jobs.shelf_reading import ScanToRead, read_again
from rig.model.plan import Plan, PlannedTap
from rig.model.plate_facts import PlateFacts

WOODS = ("maple", "spruce", "poplar", "willow")


def line(what: str, value: float, unit: str, limit: str = "") -> None:
    """One line of the table."""
    print(f"{what:<52}{value:>10.2f} {unit:<4} {limit}", flush=True)


def first_folder(path: Path, taps: int) -> Path:
    """One folder with two scans of so many taps; every recording is the same few samples."""
    places = tuple(PlannedTap(n, 5.0 + n % 20 * 4.5, 5.0 + n // 20 * 9.0) for n in range(taps))
    with PlateFolder.create(path, PlateFacts("plate"), square_outline()) as folder:
        for _ in range(2):
            scan = folder.new_scan(Plan("outer", "light", 4.5, 4.0, 1, places))
            for tap in places:
                strike = folder.store_strike(
                    scan, tap=tap.number, repeat=0, x_mm=tap.x_mm, y_mm=tap.y_mm, clip=make_clip(1)
                )
                folder.store_reading(strike, make_reading())
            folder.set_state(scan, "finished")
        return folder.path


def copied(source: Path, target: Path, number: int, *, audio: bool) -> None:
    """A folder of its own name, wood and mass."""
    target.mkdir(parents=True)
    shutil.copyfile(source / "plate.sqlite", target / "plate.sqlite")
    for path in source.rglob("*.flac") if audio else ():
        link = target / path.relative_to(source)
        link.parent.mkdir(parents=True, exist_ok=True)
        os.link(path, link)
    database = sqlite3.connect(target / "plate.sqlite")
    database.execute("PRAGMA synchronous = OFF")
    database.execute(
        "UPDATE plate SET name = ?, wood = ?, mass_g = ?, reference = ?",
        (f"plate {number:04d}", WOODS[number % 4], 60.0 + 0.01 * number, f"row {number // 50}"),
    )
    database.commit()
    database.close()


def listing(room: Path, folders: int, taps: int, *, audio: bool) -> None:
    """Time to list from nothing and from the index, in this process and as a call of its own."""
    source = first_folder(room / "first.plate", taps)
    root = room / "shelf"
    start = time.perf_counter()
    for number in range(folders):
        copied(source, root / f"{number // 50:02d}/{number:04d}.plate", number, audio=audio)
    line(f"making {folders} folders of 2 scans of {taps} taps", time.perf_counter() - start, "s")
    cache = room / "cache/platerig"
    index = cache / "shelf.sqlite"
    start = time.perf_counter()
    shelf(root, index=index)
    line("listed, the index made from nothing", time.perf_counter() - start, "s")
    outcome = {"reading": "local", "evenness_cents": 120.0, "partials_hz": [90.1, 160.2, 310.3]}
    _fill(index, outcome)
    start = time.perf_counter()
    found = shelf(root, index=index)
    line("listed from the index", time.perf_counter() - start, "s", "asked: at most 2 s")
    assert len(found.plates) == folders
    assert all(row.evenness_after_cents == 120.0 for row in found.plates)
    environment = os.environ | {"XDG_CACHE_HOME": str(cache.parent)}
    for words in ([], ["--json"], ["--wood", "maple", "--sort", "mass"]):
        start = time.perf_counter()
        program = [sys.executable, "-m", "rig.cli.main", "shelf", str(root), *words]
        subprocess.run(program, check=True, env=environment, capture_output=True)
        took = time.perf_counter() - start
        line(f"platerig shelf DIR {' '.join(words)}", took, "s", "asked: at most 2 s")


def _fill(index: Path, outcome: dict[str, object]) -> None:
    """As if every scan had been read again."""
    with ShelfIndex(index) as kept, sqlite3.connect(index) as database:
        kept.keep("first", "usual", outcome)
        ((code,),) = database.execute("SELECT code FROM read").fetchall()
        rows = []
        for (text,) in database.execute("SELECT plate FROM seen").fetchall():
            for scan in json.loads(text)["scans"]:
                rows.append((scan["mark"], "usual", code, "2026", json.dumps(outcome)))
        database.executemany("INSERT OR REPLACE INTO read VALUES (?, ?, ?, ?, ?)", rows)
    database.close()


def scaling(room: Path, scans: int) -> None:
    """The same scans read here, and by one and two processes."""
    tasks = []
    for number in range(scans):
        path = struck_folder(room / f"struck-{number}", (1.0 + 0.1 * number,))
        tasks.append(ScanToRead(str(path), "S0001", "attack"))
    read_again(tasks[0])  # what is imported at first use is not counted here
    outcomes = {}
    times = {}
    for name, pool in (
        ("here", Here()),
        ("1 process", Processes(1)),
        ("2 processes", Processes(2)),
    ):
        start, worked = time.perf_counter(), processor_s()
        outcomes[name] = {task.folder: made for task, made in pool.run(read_again, tasks)}
        times[name] = time.perf_counter() - start
        line(f"{scans} scans of 9 taps read again, {name}", times[name], "s")
        line("  processor time of it, starting included", processor_s() - worked, "s")
    assert outcomes["here"] == outcomes["1 process"] == outcomes["2 processes"]
    print("the same numbers wherever they were read")
    ratio = times["1 process"] / times["2 processes"]
    line("2 processes against 1", ratio, "×", "asked: at least 1.8 on two real cores")
    print(f"this computer: {processors()}; load average {os.getloadavg()[0]:.1f}")


def processor_s() -> float:
    """Processor time of this process and of those it has seen end, s."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def processors() -> str:
    """How many processors there are and in how many cores, by what the system says of itself.

    A virtual machine may call two threads of one core two cores.
    """
    cores = set()
    for number in sorted(os.sched_getaffinity(0)):
        path = Path(f"/sys/devices/system/cpu/cpu{number}/topology/thread_siblings_list")
        cores.add(path.read_text().strip() if path.exists() else str(number))
    return f"{len(os.sched_getaffinity(0))} processors in {len(cores)} core(s)"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folders", type=int, default=1000)
    parser.add_argument("--taps", type=int, default=400)
    parser.add_argument("--read", type=int, default=8)
    parser.add_argument("--no-audio", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as room:
        listing(Path(room), options.folders, options.taps, audio=not options.no_audio)
        scaling(Path(room), options.read)
    line("most memory", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, "MB")


if __name__ == "__main__":
    main()
