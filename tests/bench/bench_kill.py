"""kill -9 at random moments of a scan: is every stored strike readable, none lost, none repeated?

    python tests/bench/bench_kill.py [--kills 20] [--seed 1] [--spacing 20]

A child process scans; it writes a line for every strike that the folder has acknowledged. The
parent kills it at a random moment, opens the folder, compares, and lets the next child resume.
When a scan is complete a new one is begun, until there have been enough kills.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from rig.archive.plate_folder import PlateFolder
from rig.model.scan_record import ScanState

CHILD = """
import sys
from rig.jobs.scan import scan

class Tell:
    def scan_started(self, plan, to_do, floor_s):
        print("started", to_do, flush=True)
    def tap_event(self, event):
        if event.step == "stored":
            line = ("stored", event.tap.number, event.repeat, event.retake, event.strike_id)
            print(*line, flush=True)
    def state_changed(self, state, reason): pass
    def progressed(self, done, total, remaining_s): pass
    def scan_finished(self, outcome):
        print("finished", outcome.state, flush=True)

folder, resume, seed, spacing = sys.argv[1:]
scan(folder, world=None if resume == "1" else "maple-graded", resume=resume == "1",
     seed=int(seed), spacing_mm=float(spacing), speed=20, listeners=[Tell()])
"""


def one_run(folder: Path, resume: bool, options: argparse.Namespace, delay_s: float | None):
    """Run a child, kill it `delay_s` after it started to tap (None: let it finish)."""
    command = [sys.executable, "-c", CHILD, str(folder), str(int(resume)), str(options.seed)]
    child = subprocess.Popen(
        [*command, str(options.spacing)], stdout=subprocess.PIPE, text=True, bufsize=1
    )
    assert child.stdout is not None
    lines: list[str] = []
    for line in child.stdout:
        lines.append(line)
        if line.startswith("started"):
            break
    if delay_s is not None:
        time.sleep(delay_s)
        child.send_signal(signal.SIGKILL)
    lines += child.stdout.readlines()
    child.wait()
    return [line.split() for line in lines]


def main() -> None:
    """Print the table; exit status 1 if anything was lost or repeated."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--spacing", type=float, default=20.0)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    problems = 0
    kills = scans = strikes = 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "killed.plate"
        acknowledged: dict[tuple[int, int], int] = {}
        resume = False
        print("run  killed after s  acknowledged  in folder  unreadable  lost  state")
        while True:
            delay_s = rng.uniform(0.0, 2.5) if kills < options.kills else None
            told = one_run(folder, resume, options, delay_s)
            finished = any(words[0] == "finished" for words in told)
            kills += delay_s is not None and not finished
            for words in told:
                if words[0] == "stored":
                    slot = (int(words[1]), int(words[2]))
                    if slot in acknowledged and words[3] == "0":
                        print(f"     strike {slot} was made again though it was stored")
                        problems += 1
                    acknowledged[slot] = int(words[4])
            with PlateFolder.open(folder, write=True) as opened:  # the sweep runs here
                scan = opened.latest_scan()
                record = opened.scan_record(scan)
                used = {(s.tap, s.repeat): s for s in record.strikes if not s.superseded}
                twice = [k for k, n in Counter(
                    (s.tap, s.repeat) for s in record.strikes if not s.superseded
                ).items() if n > 1]  # fmt: skip
                lost = [slot for slot in acknowledged if slot not in used]
                unreadable = [s for s in record.strikes if len(s.clip.samples) == 0]
                faults = opened.check()
                state = next(s.state for s in opened.scans() if s.scan == scan)
            problems += len(twice) + len(lost) + len(unreadable) + len(faults)
            for fault in faults:
                print(f"     {fault}")
            when = "     –" if delay_s is None or finished else f"{delay_s:6.2f}"
            print(
                f"{kills:3d}  {when:>14}  {len(acknowledged):12d}  {len(used):9d}  "
                f"{len(unreadable):10d}  {len(lost):4d}  {state}"
            )
            resume = state != ScanState.FINISHED
            if not resume:
                scans, strikes = scans + 1, strikes + len(used)
                acknowledged = {}
                if kills >= options.kills:
                    break
    print(f"{kills} kills over {scans} scans, {strikes} strikes, {problems} problems")
    sys.exit(1 if problems else 0)


if __name__ == "__main__":
    main()
