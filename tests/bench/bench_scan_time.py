"""Scan wall time against its kinematic and acoustic minimum, in real time and as fast as it goes.

    python tests/bench/bench_scan_time.py [--taps 50] [--world maple-graded] [--fast-taps 450]

In real time the whole chain runs as on a bench: bytes, samples, storing and reading beside the
motion. The figure to reach is wall ≤ 1.10 × floor at speed 1.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from rig.jobs.scan import ScanResult, scan


def run(world: str, speed: float, taps: int, folder: Path) -> tuple[ScanResult, float]:
    """One scan; returns its result and the seconds of the whole job."""
    began = time.monotonic()
    result = scan(folder, world=world, speed=speed, max_taps=taps)
    return result, time.monotonic() - began


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--taps", type=int, default=50)
    parser.add_argument("--fast-taps", type=int, default=450)
    parser.add_argument("--world", default="maple-graded")
    options = parser.parse_args()
    print("speed   taps  strikes  retakes  wall s  floor s  wall/floor  rig s  job s")
    with tempfile.TemporaryDirectory() as place:
        run(options.world, 0.0, 1, Path(place) / "first.plate")  # the plate is solved here
        for speed, taps in ((1.0, options.taps), (0.0, options.fast_taps)):
            result, job_s = run(options.world, speed, taps, Path(place) / f"{speed:g}.plate")
            outcome = result.outcome
            ratio = f"{outcome.wall_s / outcome.floor_s:10.3f}" if speed == 1.0 else "         –"
            print(
                f"{speed:5g}  {outcome.taps:5d}  {outcome.strikes:7d}  {outcome.retakes:7d}  "
                f"{outcome.wall_s:6.2f}  {outcome.floor_s:7.2f}  {ratio}  {outcome.rig_s:5.1f}  "
                f"{job_s:5.1f}"
            )


if __name__ == "__main__":
    main()
