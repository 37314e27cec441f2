"""Time to read one clip, by kind of clip; and where it goes.

    python tests/bench/bench_clip_time.py [repeats]

48 kHz, one thread. Each clip is read several times; printed are processor milliseconds, the
quickest of the repeats (what an idle core needs; the load of the machine is printed beside), as
median, 90th percentile and worst over the clips. The parts are those of one plate tap.
"""

from __future__ import annotations

import csv
import os
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tone"))

from tone_sounds import clip_of, strike

from rig.archive.sound_files import read_clip_file
from rig.model.clip import Clip
from rig.tone import read_clip
from rig.tone import reading as parts_of
from rig.virtual.quick_scan import virtual_scan_record

RECORDINGS = Path(__file__).parents[1] / "recordings"
PARTS = ("_prepare", "_onset", "ring_of", "pitch_of", "attack_of", "_second_blow", "check_overload")


def bars(duration_s: float, count: int = 40) -> list[Clip]:
    """Free bars of random pitch and decay at 40 dB."""
    clips = []
    for seed in range(count):
        rng = np.random.default_rng(seed)
        hz = 2.0 ** rng.uniform(7.0, 10.3)
        partials = [
            (
                hz * r,
                rng.uniform(0.05, 0.4) / r**0.8,
                0.2 * rng.uniform(0.3, 1.0),
                rng.uniform(0, 6),
            )
            for r in (1.0, 2.757, 5.404, 8.933)
        ]
        clips.append(clip_of(strike(partials, duration_s=duration_s - 0.05, noise=2e-3, seed=seed)))
    return clips


def plates(duration_s: float, count: int = 40) -> list[Clip]:
    """Plates of sixty overlapping partials at 40 dB."""
    clips = []
    for seed in range(count):
        rng = np.random.default_rng(seed)
        hz = 80.0 + np.cumsum(rng.uniform(15.0, 130.0, 60))
        loss = (0.012 + 0.010 * hz / 8000.0) * rng.uniform(0.8, 1.3, 60)
        loud = 0.05 * rng.normal(size=60) * np.exp(-hz / 3000.0)
        partials = zip(hz, 1.0 / (np.pi * hz * loss), loud, rng.uniform(0, 6, 60), strict=True)
        clips.append(clip_of(strike(list(partials), duration_s=duration_s - 0.05, noise=1e-3)))
    return clips


def recordings() -> list[Clip]:
    with (RECORDINGS / "expected.csv").open(newline="") as file:
        return [read_clip_file(RECORDINGS / row["file"]) for row in csv.DictReader(file)]


def virtual(world: str) -> list[Clip]:
    record = virtual_scan_record(world, 3, spacing_mm=34.0)
    return [strike.clip for strike in record.strikes]


def quickest_ms(clips: list[Clip], repeats: int) -> np.ndarray:
    for clip in clips:
        read_clip(clip)
    taken = []
    for clip in clips:
        best = np.inf
        for _ in range(repeats):
            begun = time.process_time()
            read_clip(clip)
            best = min(best, time.process_time() - begun)
        taken.append(1e3 * best)
    return np.array(taken)


def parts(clips: list[Clip], repeats: int) -> dict[str, float]:
    """Mean milliseconds in each part of a reading."""
    spent: dict[str, float] = defaultdict(float)

    def timed(name: str, work: Callable[..., object]) -> Callable[..., object]:
        def call(*args: object, **kwargs: object) -> object:
            begun = time.process_time()
            try:
                return work(*args, **kwargs)
            finally:
                spent[name] += time.process_time() - begun

        return call

    plain = {name: getattr(parts_of, name) for name in PARTS}
    for name, work in plain.items():
        setattr(parts_of, name, timed(name, work))
    for _ in range(repeats):
        for clip in clips:
            read_clip(clip)
    for name, work in plain.items():
        setattr(parts_of, name, work)
    return {name: 1e3 * spent[name] / (repeats * len(clips)) for name in PARTS}


def main() -> None:
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    kinds = {
        "recordings, 1 s": recordings(),
        "bars, 0.5 s": bars(0.5),
        "bars, 1.2 s": bars(1.2),
        "plates, 0.5 s": plates(0.5),
        "plates, 1.2 s": plates(1.2),
        "virtual maple, pickup": virtual("maple-graded"),
        "virtual spruce, pickup": virtual("spruce-top"),
    }
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}, CPU ms a clip")
    print(f"{'':24}{'clips':>6}{'median':>8}{'p90':>7}{'worst':>7}")
    for name, clips in kinds.items():
        taken = quickest_ms(clips, repeats)
        print(
            f"{name:24}{len(clips):6d}{np.median(taken):8.2f}"
            f"{np.percentile(taken, 90):7.2f}{taken.max():7.2f}"
        )
    print("\nparts of a virtual maple tap: ", end="")
    found = parts(kinds["virtual maple, pickup"], repeats)
    print(", ".join(f"{name.strip('_')} {ms:.2f}" for name, ms in found.items()))


if __name__ == "__main__":
    main()
