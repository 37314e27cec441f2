"""A million random commands with right checksums against the firmware's core under sanitizers.

    python tests/bench/bench_firmware_fuzz.py [--commands 1000000] [--seeds 1 2]

What must never happen, and is looked for at every step and every edge of the hammer, stands at the
top of firmware_notes/reference/bench/fuzz.c.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))

from boards import build


def main() -> None:
    """Run one process a seed and pass on what it says."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--commands", type=int, default=1_000_000)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2])
    options = parser.parse_args()
    folder = build()
    for seed in options.seeds:
        began = time.monotonic()
        done = subprocess.run([folder / "fuzz", str(options.commands), str(seed)], check=False)
        print(
            f"seed {seed}: status {done.returncode}, {time.monotonic() - began:.0f} s", flush=True
        )


if __name__ == "__main__":
    main()
