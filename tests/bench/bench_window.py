"""The window's figures: start, layer switches, stalls of its thread during a scan.

    python tests/bench/bench_window.py [NAME.plate]

A folder with about 600 taps gives the figure for layers; without one a coarse scan is made first.
The watchdog is a timer of the window's thread that is due every 5 ms; a stall is the longest gap
between two of its ticks.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

START = """
import time
began = time.perf_counter()
from rig.window.start import open_window
import rig.window.main_window as module
from PyQt5.QtCore import QTimer
from PyQt5.QtWidgets import QApplication

class Shown(module.MainWindow):
    def paintEvent(self, event):
        super().paintEvent(event)
        QTimer.singleShot(0, self.told)
    def told(self):
        print(time.perf_counter() - began)
        QApplication.instance().quit()
module.MainWindow = Shown
open_window()
"""


def start_s() -> list[float]:
    """From a new interpreter to an idle, painted window; the first run warms the disk cache."""
    took = []
    for _ in range(4):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", START], check=True, capture_output=True)
        took.append(time.perf_counter() - began)
    return took[1:]


class Watchdog:
    """Notes the gaps between signs of life of the window's thread."""

    def __init__(self) -> None:
        from PyQt5.QtCore import QTimer

        self.waits_ms: list[float] = []
        self._alive = time.perf_counter()
        self._timer = QTimer()
        self._timer.setInterval(5)
        self._timer.timeout.connect(self._sign)
        self._timer.start()

    def _sign(self) -> None:
        now = time.perf_counter()
        self.waits_ms.append(1e3 * (now - self._alive))
        self._alive = now


def main() -> None:
    """Measure and print."""
    print(f"start to usable, warm (s): {', '.join(f'{t:.2f}' for t in start_s())}")
    from PyQt5.QtCore import QSettings
    from PyQt5.QtWidgets import QApplication

    scratch = Path(tempfile.mkdtemp())
    QSettings.setPath(QSettings.NativeFormat, QSettings.UserScope, str(scratch))
    sys.setswitchinterval(0.002)
    application = QApplication(["bench"])
    application.setStyle("Fusion")
    from rig.jobs.new_plate import new_plate
    from rig.window.main_window import MainWindow
    from rig.window.settings import RigChoice, ScanChoice

    window = MainWindow()
    window.show()

    def until(condition: object, most_s: float = 120.0) -> None:
        ends = time.monotonic() + most_s
        while not condition():  # type: ignore[operator]
            application.processEvents()
            time.sleep(0.002)
            assert time.monotonic() < ends

    def idle() -> None:
        until(lambda: not window.desk.workers.running())

    for speed in (1.0, 20.0):
        window.desk.open_folder(new_plate(scratch / f"speed{speed:g}.plate").plate)
        idle()
        window.desk.use_rig(RigChoice(world="maple-graded", speed=speed))
        dog = Watchdog()
        window.desk.scan(ScanChoice(spacing_mm=20.0))
        until(lambda: window.desk.run is None or window.desk.run.done >= 1)
        settled = len(dog.waits_ms)
        ends = time.monotonic() + 12.0
        until(lambda ends=ends: window.desk.run is None or time.monotonic() > ends)
        window.make_safe()
        until(lambda: window.desk.run is None)
        begun, tapping = dog.waits_ms[:settled], dog.waits_ms[settled:]
        print(
            f"scan at speed {speed:g}: longest stall {max(begun):.0f} ms while it begins, "
            f"{max(tapping):.0f} ms while it taps; "
            f"99 % {sorted(tapping)[int(0.99 * len(tapping))]:.0f} ms, {len(tapping)} signs"
        )
        idle()

    if len(sys.argv) > 1:
        folder = scratch / "copy.plate"
        shutil.copytree(sys.argv[1], folder)
    else:
        folder = scratch / "speed20.plate"
    window.desk.open_folder(folder)
    idle()
    window.stages.make_map.click()
    until(lambda: window.desk.map is not None and not window.desk.workers.running())
    names = ["tone", "above", "zones", "taps"]
    names += [n for n in ("thickness", "hand", "picture") if window.layer_buttons[n].isEnabled()]
    for layer in names:
        window.show_layer(layer, True)
        application.processEvents()
    began, frames = time.perf_counter(), 0
    while time.perf_counter() - began < 3.0:
        name = names[frames % len(names)]
        window.show_layer(name, not window.layer_buttons[name].isChecked())
        window.plate.grab()
        frames += 1
    took = time.perf_counter() - began
    print(f"layer switches, {len(window.desk.seen.taps)} taps: {frames / took:.0f} frames a second")
    for layer in ("above", "zones", "taps"):
        window.show_layer(layer, True)

    def pace(what: str, move: Callable[[int], object], length_s: float = 1.5) -> None:
        began, frames = time.perf_counter(), 0
        while time.perf_counter() - began < length_s:
            move(frames)
            window.plate.grab()
            frames += 1
        print(f"{what}: {frames / (time.perf_counter() - began):.0f} frames a second")

    box = window.plate.getPlotItem().getViewBox()
    pace("zoom", lambda _n: window.plate.zoom(0.98))
    pace("zoom back", lambda _n: window.plate.zoom(1 / 0.98))
    pace("pan", lambda n: box.translateBy(x=2.0 if n % 40 < 20 else -2.0))
    pace("from tap to tap", lambda _n: window.plate.step(1))
    from rig.jobs.drawn import drawn_pair

    scan = window.desk.seen.scan
    window.comparing.take(drawn_pair(folder, scan, scan))
    window.show_layer("wipe", True)
    pace("line between before and after", lambda n: window.comparing.put_line(n % 160 - 80.0))
    window.close()
    shutil.rmtree(scratch)


if __name__ == "__main__":
    main()
