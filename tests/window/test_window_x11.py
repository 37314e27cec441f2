"""One start on a real X server: plug-ins that clash show only there."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from x_server import x_server

SCRIPT = """
import sys
from pathlib import Path
from PyQt5.QtCore import QTimer
from PyQt5.QtWidgets import QApplication
import cv2
from rig.window.main_window import MainWindow
from rig.window.speaking import speak
from rig.window.start import open_window

def look():
    [window] = [w for w in QApplication.topLevelWidgets()
                if isinstance(w, MainWindow) and w.isVisible()] or [None]
    if window is None or window.desk.folder is None:
        return
    assert QApplication.platformName() == "xcb", QApplication.platformName()
    assert window.run_bar.halt.isVisible()
    if window.memory.language() is None:
        assert window.run_bar.halt.text() == "HALT"
        speak(window, "it")  # opens anew, with the same plate
        return
    assert window.run_bar.halt.text() == "ALT", window.run_bar.halt.text()
    assert window.grab().save(sys.argv[2])
    timer.stop()  # closing waits for jobs, and this would be due again
    window.close()

timer = QTimer()
app = QApplication(["platerig"])
timer.timeout.connect(look)
timer.start(300)
sys.exit(open_window(Path(sys.argv[1])))
"""


def test_opens_and_closes_under_x11(scanned: Path, tmp_path: Path) -> None:
    with x_server() as environment:
        ran = subprocess.run(
            [sys.executable, "-c", SCRIPT, str(scanned), str(tmp_path / "x11.png")],
            env=environment | {"HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)},
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    assert (tmp_path / "x11.png").stat().st_size > 10_000


def test_no_screen_is_said_in_a_sentence(tmp_path: Path) -> None:
    environment = {
        key: value
        for key, value in os.environ.items()
        if key not in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    }
    ran = subprocess.run(
        [sys.executable, "-m", "rig.cli.main", "window"],
        env=environment, capture_output=True, text=True, timeout=60, check=False, cwd=tmp_path,
    )  # fmt: skip
    assert ran.returncode == 3
    assert "no screen" in ran.stderr
