"""What the window remembers from one day to the next, and which rig it works on."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from PyQt5.QtCore import QSettings
from PyQt5.QtGui import QGuiApplication

from rig.window.theme import LARGEST_PT, USUAL_PT

FIRST_WORLD = "maple-graded"


@dataclass(frozen=True)
class RigChoice:
    """A virtual world or a rig file; neither: not chosen yet. speed: of the virtual rig."""

    world: str | None = None
    rig_file: str | None = None
    seed: int = 1
    speed: float = 20.0

    @property
    def chosen(self) -> bool:
        """Whether there is a rig at all."""
        return self.world is not None or self.rig_file is not None

    def devices(self) -> dict[str, object]:
        """The options by which jobs choose their devices."""
        return {"world": self.world, "rig_file": self.rig_file, "seed": self.seed}


@dataclass(frozen=True)
class ScanChoice:
    """How the next scan is to be."""

    face: str = "outer"
    strength: str = "light"
    spacing_mm: float = 9.0
    repeats: int = 1


def screen_factor() -> float:
    """How many times larger than 1920 by 1080 the screen is, in the points that Qt counts; 1 up.

    A large screen that the system does not scale would show type that nobody can read.
    """
    screen = QGuiApplication.primaryScreen()
    if screen is None:
        return 1.0
    size = screen.size()
    return max(1.0, min(size.width() / 1920.0, size.height() / 1080.0))


def usual_pt() -> float:
    """The type size to begin with on this screen."""
    return USUAL_PT * screen_factor()


class Memory:
    """The last rig, the language, the type size."""

    def __init__(self) -> None:
        self._store = QSettings("platerig", "window")

    def rig(self) -> RigChoice:
        """The rig of last time, without a file that is gone."""
        world = self._store.value("world") or None
        rig_file = self._store.value("rig_file") or None
        if rig_file is not None and not Path(str(rig_file)).is_file():
            rig_file = None
        return RigChoice(None if world is None else str(world), rig_file and str(rig_file))

    def keep_rig(self, rig: RigChoice) -> None:
        """For next time."""
        self._store.setValue("world", rig.world or "")
        self._store.setValue("rig_file", rig.rig_file or "")

    def first_time(self) -> bool:
        """Whether the window was never opened before; asking it ends that."""
        first = not self._store.value("opened_before")
        self._store.setValue("opened_before", "yes")
        return first

    def language(self) -> str | None:
        """The language that was chosen; None: the system's."""
        return str(self._store.value("language") or "") or None

    def keep_language(self, language: str | None) -> None:
        """For next time."""
        self._store.setValue("language", language or "")

    def size_pt(self) -> float:
        """Type size."""
        try:
            return min(LARGEST_PT, max(8.0, float(self._store.value("size_pt") or usual_pt())))
        except (TypeError, ValueError):
            return usual_pt()

    def keep_size_pt(self, size_pt: float) -> None:
        """For next time."""
        self._store.setValue("size_pt", size_pt)
