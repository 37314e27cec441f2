"""Plate folder: time to store a strike, to read a scan, to check, gather, export; kills in a row.

    python tests/bench/bench_archive.py [--strikes 500] [--kills 20]

Strikes are 0.5 s, two channels, 24 bits, 48 kHz: a decaying noise burst over a noise floor.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "archive"))

from archive_samples import make_clip, make_plan, make_reading

from rig.archive.health import check_folder
from rig.archive.plate_folder import PlateFolder
from rig.jobs.export import export
from rig.jobs.gather import gather
from rig.model.clip import Clip
from rig.model.outline import Outline
from rig.model.plan import Plan, PlannedTap
from rig.model.plate_facts import PlateFacts

WIDE = Outline.checked(np.array([[0.0, 0.0], [300.0, 0.0], [300.0, 400.0], [0.0, 400.0]]))


def burst(seed: int) -> Clip:
    """A clip as a rig records it: quiet, a strike, its decay."""
    rng = np.random.default_rng(seed)
    floor = rng.integers(-300, 300, (24_000, 2))
    decay = np.exp(-np.arange(24_000) / 1500.0)[:, None] * 2**20
    samples = floor + rng.normal(size=(24_000, 2)) * decay
    return Clip(samples.astype(np.int32), 48_000, pickup_channel=1, strike_sample=960)


def line(what: str, value: float, unit: str, limit: str = "") -> None:
    """One line of the table."""
    print(f"{what:<46}{value:>10.2f} {unit:<4} {limit}")


def speeds(room: Path, strikes: int) -> None:
    """Store, read, check, export and gather one scan."""
    places = tuple(PlannedTap(n, 5.0 + n % 30, 5.0 + n // 30) for n in range(strikes))
    clips = [burst(seed) for seed in range(16)]
    with PlateFolder.create(room / "a", PlateFacts("bench"), WIDE) as folder:
        scan = folder.new_scan(Plan("outer", "light", 1.0, 5.0, 1, places))
        each = []
        cpu = time.process_time()
        for tap in places:
            start = time.perf_counter()
            folder.store_strike(
                scan,
                tap=tap.number,
                repeat=0,
                x_mm=tap.x_mm,
                y_mm=tap.y_mm,
                clip=clips[tap.number % 16],
            )
            each.append(1000 * (time.perf_counter() - start))
        cpu_ms = 1000 * (time.process_time() - cpu) / strikes
        readings = [(s.strike_id, make_reading()) for s in folder.scan_record(scan).strikes]
        start = time.perf_counter()
        folder.store_readings(readings)
        reading_ms = 1000 * (time.perf_counter() - start) / strikes
        start = time.perf_counter()
    close_ms = 1000 * (time.perf_counter() - start)
    line("store a strike, median", float(np.median(each)), "ms")
    line("store a strike, 99 %", float(np.percentile(each, 99)), "ms")
    line("store a strike, processor time", cpu_ms, "ms")
    line("store a reading, in one transaction", reading_ms, "ms")
    line("close (README, manifest)", close_ms, "ms")
    with PlateFolder.open(folder.path) as reader:
        for with_clips, what in ((True, "with clips"), (False, "without clips")):
            times, cpu = [], time.process_time()
            for _ in range(5):
                start = time.perf_counter()
                reader.scan_record(scan, with_clips=with_clips)
                times.append(1000 * (time.perf_counter() - start))
            cpu_ms = 1000 * (time.process_time() - cpu) / 5
            limit = "aim: 250 ms for 500" if with_clips else ""
            line(f"read {strikes} strikes {what}, best of 5", min(times), "ms", limit)
            line("    processor time of all threads", cpu_ms, "ms")
    for what, work in (
        ("check (every hash)", lambda: check_folder(folder.path)),
        ("export to WAV and CSV", lambda: export(folder.path, room / "out")),
        ("gather the export", lambda: gather(room / "out", room / "b")),
    ):
        start = time.perf_counter()
        work()
        line(what, 1000 * (time.perf_counter() - start), "ms")
    size = sum(p.stat().st_size for p in folder.path.rglob("*") if p.is_file())
    line("size of the folder", size / 1e6, "MB")


SCANNER = """
import sys
sys.path.insert(0, sys.argv[2])
from archive_samples import make_reading, store
from rig.archive.plate_folder import PlateFolder
folder = PlateFolder.open(sys.argv[1], write=True)
done = folder.done("S0001")
print("ready", flush=True)
for tap in range(3000):
    if (tap, 0) not in done:
        strike = store(folder, "S0001", tap)
        print(tap, flush=True)
        folder.store_reading(strike, make_reading())
"""


def kills(room: Path, count: int) -> None:
    """Kill the writer at random moments; count what was told stored and is missing or twice."""
    moments = random.Random(1)
    with PlateFolder.create(room / "k", PlateFacts("kills"), WIDE) as folder:
        folder.new_scan(make_plan(3000))
    told: list[int] = []
    helpers = str(Path(__file__).parents[1] / "archive")
    for _ in range(count):
        process = subprocess.Popen(
            [sys.executable, "-c", SCANNER, str(folder.path), helpers],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(moments.uniform(0.0, 0.1))
        process.send_signal(signal.SIGKILL)
        told += [int(text) for text in process.stdout.read().split("\n")[:-1]]
        process.wait()
    with PlateFolder.open(folder.path, write=True) as again:
        record = again.scan_record("S0001")
        adopted = again.database.rows("SELECT 1 FROM event WHERE what = 'adopted'")
        aside = again.database.rows("SELECT 1 FROM event WHERE what = 'quarantined'")
    stored = [s.tap for s in record.strikes]
    wrong = sum(
        not np.array_equal(strike.clip.samples, make_clip(strike.tap).samples)
        for strike in record.strikes
    )
    twice_told, twice_stored = len(told) - len(set(told)), len(stored) - len(set(stored))
    print(f"\n{count} kills: {len(told)} strikes told stored, {len(stored)} found")
    print(f"  lost {len(set(told) - set(stored))}, told twice {twice_told}, stored twice", end=" ")
    print(f"{twice_stored}, changed {wrong}, unreadable {len(record.notes)}")
    print(f"  adopted without a row {len(adopted)}, half written and set aside {len(aside)}")
    print(f"  problems found by check afterwards: {len(check_folder(folder.path).problems)}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--strikes", type=int, default=500)
    parser.add_argument("--kills", type=int, default=20)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        speeds(Path(name), arguments.strikes)
        kills(Path(name), arguments.kills)
