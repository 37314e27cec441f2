"""A bad cable: does any strike or move happen twice, or not at all?

    python tests/bench/bench_link.py [--rounds 3000] [--share 0.02]

Every round is a move, the waiting for its end, and a strike. In each direction the given share of
lines is lost, as many garbled, doubled and delayed by up to 0.3 s.
"""

from __future__ import annotations

import argparse
import math
import time

import numpy as np

from rig.devices.link import LineController
from rig.model.frames import Pose
from rig.model.rig_settings import RigSettings
from rig.virtual.bench import Bench
from rig.virtual.clock import VirtualClock
from rig.virtual.controller import FirmwareSettings, VirtualController
from rig.virtual.faults import HEALTHY, FaultSpec, FaultyLine
from rig.virtual.noise import NoiseSpec
from rig.virtual.tapping import Hammer
from rig.virtual.transport import VirtualTransport


def main() -> None:
    """Print the counts of both sides."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3000)
    parser.add_argument("--share", type=float, default=0.02)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    share = options.share
    faults = FaultSpec(share, share, share, share, delay_s=0.3)
    rng = np.random.default_rng(options.seed)
    clock = VirtualClock(0)
    bench = Bench(None, Pose(250, 120, 0, "outer"), Hammer(), NoiseSpec(), HEALTHY, rng)
    board = VirtualController(clock, bench, FirmwareSettings(has_gate=True), rng)
    lines = [FaultyLine(faults, np.random.default_rng((options.seed, k))) for k in range(2)]
    carried = [0, 0]
    for number, line in enumerate(lines):
        original = line.carry

        def counted(data: bytes, original=original, number=number):  # type: ignore[no-untyped-def]
            carried[number] += 1
            return original(data)

        line.carry = counted  # type: ignore[method-assign]
    controller = LineController(VirtualTransport(clock, board, *lines), clock, RigSettings())
    began = time.monotonic()
    controller.open()
    controller.home()
    wrong_places = 0
    for _ in range(options.rounds):
        there = tuple(float(v) for v in np.round(rng.uniform(0.0, 60.0, 2), 3))
        controller.start_move(*there)
        controller.wait_until_still()
        wrong_places += math.dist(board.place_mm, there) > 1e-3
        controller.strike(3000)
        bench.blows.clear()
    took_s = time.monotonic() - began
    print(f"lines to board {carried[0]}, of these {lines[0].counts}")
    print(f"lines to host  {carried[1]}, of these {lines[1].counts}")
    print(f"moves asked {options.rounds}, made {board.counts['moves']}; wrong place {wrong_places}")
    print(f"strikes acknowledged {options.rounds}, made {board.counts['strikes']}")
    print(f"heartbeats lost {board.counts['heartbeats_lost']}")
    print(f"{took_s:.1f} s of host time for {clock.now_s():.0f} s of rig time")


if __name__ == "__main__":
    main()
