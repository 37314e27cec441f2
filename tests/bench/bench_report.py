"""What the reports cost: processor time of the whole command, size and pages, and how true 1:1 is.

    python tests/bench/bench_report.py [NAME.plate BEFORE AFTER]

Without a folder a virtual maple back is scanned twice with 9 mm between taps, which takes a minute
or two. Every report is written once first, so that maps and comparison are kept, then once more as
a process of its own; that second one is measured (user and system time, starting Python included).
"""

from __future__ import annotations

import re
import resource
import subprocess
import sys
import tempfile
from itertools import combinations
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))

from test_report_true_size import drawn, lines_of, longest, printed

PLATERIG = [sys.executable, "-c", "from rig.cli.main import main; main()"]
LIMITS = "limits: technical record of two scans 10 s and 5 MB; 0.2 mm on 300 mm"


def scanned(folder: Path) -> None:
    """Two scans of a virtual back, before and after a regraduation."""
    run(["new", str(folder), "--wood", "maple", "--instrument", "violin"])
    for world in ("maple-graded", "maple-regraduated"):
        run(["scan", str(folder), "--virtual", world, "--seed", "7", "--speed", "0"])


def run(arguments: list[str]) -> float:
    """Run one command; returns the seconds of processor time it took."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([*PLATERIG, *arguments], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def reports(folder: Path, before: str, after: str, out: Path) -> None:
    """Print one line for each kind and form."""
    print(f"{'kind':<12}{'form':<6}{'CPU, s':>8}{'pages':>7}{'MB':>7}")
    run(["report", str(folder), "--before", before, "--after", after, "--out", str(out / "0.pdf")])
    for kind in ("bench", "owner", "class", "technical"):
        for ending in ("pdf", "html"):
            file = out / f"{kind}.{ending}"
            spent = run(
                ["report", str(folder), "--before", before, "--after", after, "--kind", kind,
                 "--out", str(file)]
            )  # fmt: skip
            pages = (
                len(re.findall(rb"/Type\s*/Page\b", file.read_bytes())) if ending == "pdf" else 0
            )
            size = file.stat().st_size / 1e6
            print(f"{kind:<12}{ending:<6}{spent:>8.1f}{pages or '–':>7}{size:>7.2f}")


def true_size(out: Path) -> None:
    """Print how far distances on the printed rim are off, read back from the PDF's lines."""
    drawing = drawn("A3", "outer")
    rim = longest(lines_of(printed(drawing, out), 1))
    wood = np.asarray(drawing.outline.rim)
    off = [
        abs(np.hypot(*(rim[i] - rim[j])) - np.hypot(*(wood[i] - wood[j])))
        for i, j in combinations(range(0, len(wood), 5), 2)
    ]
    longest_mm = max(np.ptp(wood, axis=0))
    print(f"true size: worst of {len(off)} distances up to {longest_mm:.0f} mm off by "
          f"{max(off):.3f} mm")  # fmt: skip


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as name:
        out = Path(name)
        if len(sys.argv) == 4:
            folder, before, after = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
        else:
            folder, before, after = out / "back.plate", "S0001", "S0002"
            scanned(folder)
        true_size(out)
        reports(folder, before, after, out)
    print(LIMITS)


if __name__ == "__main__":
    main()
