# ruff: noqa: E402
"""The whole chain in real time: how well, and how fast, are strikes made, placed and read?

    python tests/bench/bench_chain.py [--taps 40] [--chip 328p]

The product, as its own process, scans through a pseudo-terminal, the reference firmware on a
simulated chip, its hammer pin, a virtual plate, and a sound server of its own. Needs the packages
that tests/run installs.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1] / name) for name in ("chain", "firmware")]

from boards import build
from sound_server import DEVICE, SoundServer
from workbench import Workbench, placed_strikes, platerig, write_rig_files

from rig.archive.plate_folder import PlateFolder
from rig.devices.sample_clock import StrikeClock
from rig.model.plate_facts import PlateFacts
from rig.virtual.rig import build_rig

RATE = 48_000


def main() -> None:
    """Print what was asked for, what the pins did, and how far they lie apart."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--taps", type=int, default=40)
    parser.add_argument("--chip", default="328p", choices=["328p", "2560"])
    options = parser.parse_args()
    made, built = build_rig("maple-even", 1, speed=0.0), build()
    with tempfile.TemporaryDirectory() as name, SoundServer() as server:
        place = Path(name)
        plate = place / "back.plate"
        with PlateFolder.create(plate, PlateFacts(name="back")):
            pass
        with Workbench(made, built, server.pipe, chip=options.chip) as bench:
            rig_file = write_rig_files(made, place, bench.port, DEVICE)
            began = time.monotonic()
            process = platerig(
                ["scan", str(plate), "--rig", str(rig_file), "--hands-clear", "--json",
                 "--max-taps", str(options.taps)],
                server.environment,
            )  # fmt: skip
            out, said = process.communicate()
            took_s = time.monotonic() - began
        result = json.loads(out.splitlines()[-1])
        if process.returncode != 0:
            sys.exit(f"{result}\n{said}")
        with PlateFolder.open(plate) as folder:
            pose, plan = folder.pose("S0001"), folder.plan("S0001")
            strikes = [s for s in folder.scan_record("S0001").strikes if not s.superseded]
    assert pose is not None
    want = pose.to_bed(plan.places())
    found = placed_strikes(bench.record, made, strikes)
    pulses = bench.record.pulses
    good = sum(s.reading is not None and s.reading.quality == "good" for s in strikes)
    off_mm = [float(np.hypot(*(want[one.tap] - one.at_mm))) for one in found]
    length_us = np.array([p.length_us for p in pulses]) - 3000.0
    seen_us = 1e6 * np.array([one.seen - one.contact for one in found]) / RATE
    told_us = 1e6 * np.array([one.told - one.pulse for one in found]) / RATE
    foretold_us = 1e6 * foretold(bench.record.pulses, found, strikes) / RATE
    print(f"chip {options.chip}; taps asked {options.taps}, stored {len(strikes)}, good {good}, "
          f"retakes {result['retakes']}")  # fmt: skip
    print(f"pulses on the pin {len(pulses)}, length error largest {abs(length_us).max():.2f} µs, "
          f"left on {bench.record.left_on}")  # fmt: skip
    print(f"place over the tap: largest {max(off_mm):.3f} mm")
    print(f"clips found in the stream bit by bit: {len(found)} of {len(strikes)}")
    print(f"strike seen by the pickup: {np.std(seen_us):.1f} µs rms about {np.mean(seen_us):.0f}")
    print(f"strike foretold from the board's clock and the gate: {np.std(foretold_us[8:]):.1f} µs "
          "rms from the ninth on")  # fmt: skip
    print(f"pulse as stored: {np.std(told_us):.0f} µs rms about {np.mean(told_us):.0f}, from the "
          f"ninth on {np.std(told_us[8:]):.0f}")  # fmt: skip
    if bench.record.fell_behind:
        print(f"THE SIMULATION FELL BEHIND {bench.record.fell_behind} times: this computer is too "
              "busy for real time, the figures are not the product's")  # fmt: skip
    for one in (*result["struck_again"][:5], *result["rejections"][:5]):
        print(f"  tap {one['tap']}: {one['reason']}")
    wall_s, floor_s = result["wall_s"], result["floor_s"]
    print(f"wall {wall_s:.2f} s, floor {floor_s:.2f} s, ratio {wall_s / floor_s:.3f}; "
          f"with start, homing and looking {took_s:.1f} s")  # fmt: skip


def foretold(pulses: list, found: list, strikes: list) -> np.ndarray:  # type: ignore[type-arg]
    """Contact foretold from all strikes before, minus true contact, in samples; nan for the first.

    What is told of each is what the product had: board time, pickup, and the gate's speed.
    """
    clock, errors = StrikeClock(RATE), []
    for one, strike in zip(found, strikes, strict=True):
        board_us = round(1e6 * one.pulse / RATE)
        speed = strike.clip.strike_speed_m_s
        expected = clock.contact(board_us, speed)
        errors.append(np.nan if expected is None else expected[0] - one.contact)
        clock.saw(board_us, one.seen, one.told, speed)
    return np.array(errors)


if __name__ == "__main__":
    main()
