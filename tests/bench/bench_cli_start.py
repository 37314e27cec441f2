"""How long `platerig --help` takes, as a whole process: python tests/bench/bench_cli_start.py"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

LIMIT_S = 0.3
RUNS = 21


def main() -> None:
    script = Path(sys.executable).with_name("platerig")
    print(f"{'call':<24}{'median s':>10}{'worst s':>10}{'limit s':>10}")
    for arguments in (["--help"], ["scan", "--help"], ["--version"]):
        taken = []
        for _ in range(RUNS):
            began = time.perf_counter()
            subprocess.run([script, *arguments], check=True, capture_output=True)
            taken.append(time.perf_counter() - began)
        name = "platerig " + " ".join(arguments)
        print(f"{name:<24}{statistics.median(taken):>10.3f}{max(taken):>10.3f}{LIMIT_S:>10.1f}")


if __name__ == "__main__":
    main()
