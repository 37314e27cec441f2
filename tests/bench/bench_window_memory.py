"""How the window's memory grows over a long day of scanning.

    python tests/bench/bench_window_memory.py [--rig-hours 8] [--minutes 10] [--spacing 12]

The window runs offscreen and scans one plate again and again on the virtual rig, as fast as that
goes, by the same way as the buttons: a job in its thread, its events through the queue, the live
map redrawn. Rig hours are the least time the real gantry would need for the same moves and
recordings (`floor_s`). What does not fit into the minutes is made up by replaying the events of
the last scan through the same queue, in a thread of its own; both parts are told apart.
"""

from __future__ import annotations

import argparse
import gc
import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

REPLAY_STEP_S = 0.002  # between two events, so that the live map is redrawn in between


def memory_mb() -> float:
    """Resident memory of this process."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def main() -> None:
    """Scan, look, print."""
    told = argparse.ArgumentParser()
    told.add_argument("--rig-hours", type=float, default=8.0)
    told.add_argument("--minutes", type=float, default=10.0)
    told.add_argument("--spacing", type=float, default=12.0)
    told.add_argument("--every", type=int, default=5, help="a line after so many scans")
    options = told.parse_args()
    with tempfile.TemporaryDirectory() as place:
        os.environ["HOME"] = place
        measure(options, Path(place))


def measure(options: argparse.Namespace, place: Path) -> None:
    """The whole day."""
    from PyQt5.QtCore import QEvent, QSettings
    from PyQt5.QtWidgets import QApplication

    QSettings.setPath(QSettings.NativeFormat, QSettings.UserScope, str(place / "settings"))
    application = QApplication.instance() or QApplication(["platerig"])
    import rig.window.desk as desk_module
    from rig.window.main_window import MainWindow
    from rig.window.settings import FIRST_WORLD, RigChoice, ScanChoice

    window = MainWindow()
    window.show()
    desk = window.desk
    results: list[Any] = []
    events: list[Any] = []

    def keep_last(result: Any) -> None:
        results[:] = [result]

    desk.scan_ended.connect(keep_last)

    def note(name: str, batch: list[Any]) -> None:
        if name == "scan.scan":
            events.extend(batch)

    def until_idle() -> None:
        while True:
            application.processEvents()
            application.sendPostedEvents(None, QEvent.DeferredDelete)  # as the real loop does
            if not desk.workers.running():
                return
            time.sleep(0.005)

    desk.use_rig(RigChoice(world=FIRST_WORLD, speed=0.0))
    desk.new_plate({"folder": place / "day.plate", "name": "day", "wood": "maple"})
    until_idle()
    began = time.monotonic()
    rig_s = real_s = first_mb = most_mb = 0.0
    scans = replays = 0
    real_scan: Callable[..., Any] = desk_module.run_scan

    def replay(progress: Callable[[Any], None], **_options: Any) -> Any:
        for event in recorded:
            progress(event)
            time.sleep(REPLAY_STEP_S)
        return last_real[0]

    recorded: list[Any] = []
    last_real: list[Any] = []
    while rig_s < 3600.0 * options.rig_hours:
        late = time.monotonic() - began > 60.0 * options.minutes
        if late and not recorded:
            recorded, last_real = list(events), list(results)
        desk_module.run_scan = replay if late else real_scan
        events.clear()
        desk.workers.progressed.connect(note)
        window.live.start(ScanChoice(spacing_mm=options.spacing))
        until_idle()
        desk.workers.progressed.disconnect(note)
        if results[-1] is None:
            raise SystemExit(window.stages.scan.problem.text())
        floor_s = float(results[-1].as_json()["floor_s"])
        rig_s += floor_s
        if late:
            replays += 1
        else:
            scans, real_s = scans + 1, real_s + floor_s
        now_mb = memory_mb()
        most_mb = max(most_mb, now_mb)
        first_mb = first_mb or now_mb
        if (scans + replays) % options.every == 0:
            print(f"{rig_s / 3600:5.2f} rig hours  {scans:3d} scans  {replays:3d} replayed  "
                  f"{now_mb:7.1f} MB  {now_mb - first_mb:+6.1f} MB")  # fmt: skip
    print(f"after the first scan {first_mb:.1f} MB, at the end {memory_mb():.1f} MB "
          f"({memory_mb() - first_mb:+.1f} MB; highest {most_mb - first_mb:+.1f} MB) over "
          f"{rig_s / 3600:.2f} rig hours, {real_s / 3600:.2f} of them real scans on the virtual "
          f"rig ({scans} scans), the rest replayed ({replays}); "
          f"{(time.monotonic() - began) / 60:.1f} min. Asked: at most +50 MB.")  # fmt: skip
    window.make_safe()
    until_idle()
    window.close()


if __name__ == "__main__":
    main()
