"""Something was dropped on the window: a plate, recordings, a rig file, or something else."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rig.window.settings import RigChoice
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.window.main_window import MainWindow


def handle_drop(window: MainWindow, names: list[str]) -> None:
    """Do what fits the first thing dropped; anything else changes nothing and is explained."""
    if len(names) != 1 or not names[0]:
        window.say("window", tr("Drop one thing at a time: a plate folder or a rig file."))
        return
    path = Path(names[0])
    if window.desk.run is not None:
        window.say("window", tr("A scan is running; drop it again when the scan is over."))
    elif path.is_dir() and (path / "taps.csv").is_file():
        target = free_name(path.parent / f"{path.name}.plate")
        window.desk.gather(path, target)
    elif path.is_dir():
        window.desk.open_folder(path)
    elif path.suffix.lower() == ".toml":
        window.desk.use_rig_file(RigChoice(rig_file=str(path)))
    else:
        window.say(
            "window",
            tr("“{0}” is neither a plate folder, a folder with taps.csv, nor a rig file.").format(
                path.name
            ),
        )


def free_name(path: Path) -> Path:
    """The path, or the next one with a number that is free."""
    number, found = 2, path
    while found.exists():
        found = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return found
