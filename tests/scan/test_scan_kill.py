"""kill -9 in the middle of a scan. tests/bench/bench_kill.py does it 20 times to a whole job."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

from rig.archive.plate_folder import PlateFolder
from rig.model.scan_record import ScanState

CHILD = Path(__file__).with_name("kill_child.py")


def run_child(folder: Path, scan: str, kill_after_s: float | None) -> list[list[str]]:
    """Run the child, kill it so long after its first move, and return what it has said."""
    child = subprocess.Popen(
        [sys.executable, str(CHILD), str(folder), scan], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    told = []
    with child:
        for line in child.stdout:
            told.append(line.split())
            if told[-1] == ["started"]:
                break
        if kill_after_s is not None:
            time.sleep(kill_after_s)
            child.send_signal(signal.SIGKILL)
        told += [line.split() for line in child.stdout]
    assert child.returncode == (0 if kill_after_s is None else -signal.SIGKILL)
    return told


def test_killed_three_times_nothing_is_lost_and_nothing_repeated(tmp_path: Path) -> None:
    path = tmp_path / "killed.plate"
    rng = np.random.default_rng(5)
    acknowledged: list[tuple[int, int]] = []
    scan = "new"
    for kill_after_s in (*rng.uniform(0.1, 1.0, 3), None):
        told = run_child(path, scan, kill_after_s)
        acknowledged += [(int(w[1]), int(w[2])) for w in told if w[0] == "stored"]
        with PlateFolder.open(path, write=True) as folder:
            scan = folder.latest_scan()
            assert folder.check() == []
            record = folder.scan_record(scan)
            made = [(s.tap, s.repeat) for s in record.strikes if not s.superseded]
            assert max(Counter(made).values(), default=1) == 1
            assert set(acknowledged) <= set(made)
            assert all(len(s.clip.samples) == 15_360 for s in record.strikes)
            state = folder.scans()[-1].state
    assert state == ScanState.FINISHED
    assert len(record.strikes) == 64
    assert max(Counter(acknowledged).values()) == 1
