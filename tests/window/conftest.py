"""A window of its own for every test, away from the user's settings and folders."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ["LC_ALL"] = "C.UTF-8"  # English, wherever the tests run
os.environ.pop("LANGUAGE", None)

from PyQt5.QtCore import QSettings
from pytestqt.qtbot import QtBot

from rig.window.main_window import MainWindow

WORLD = "maple-graded"


@pytest.fixture(scope="session")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plate with one coarse scan."""
    from rig.jobs.scan import scan

    folder = tmp_path_factory.mktemp("bench") / "back.plate"
    scan(folder, world=WORLD, spacing_mm=30.0, speed=0.0)
    return folder


@pytest.fixture
def window(qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> MainWindow:
    """An empty window."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    QSettings.setPath(QSettings.NativeFormat, QSettings.UserScope, str(tmp_path / "settings"))
    made = MainWindow()

    def at_rest(_window: object) -> None:
        made.make_safe()
        qtbot.waitUntil(lambda: not made.desk.workers.running(), timeout=30_000)

    qtbot.addWidget(made, before_close_func=at_rest)
    made.show()
    return made


Idle = Callable[[], None]


@pytest.fixture
def idle(qtbot: QtBot, window: MainWindow) -> Idle:
    """Waits until no job runs."""
    return lambda: qtbot.waitUntil(lambda: not window.desk.workers.running(), timeout=60_000)
