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
    elif path.suffix.lower() == ".csv" and window.desk.folder is not None:
        _take_table(window, path)
    elif path.suffix.lower() == ".toml":
        window.desk.use_rig_file(RigChoice(rig_file=str(path)))
    else:
        window.say(
            "window",
            tr(
                "“{0}” is neither a plate folder, a folder with taps.csv, a rig file, nor a table "
                "for the plate that is open.",
                path.name,
            ),
        )


def _take_table(window: MainWindow, path: Path) -> None:
    """Caliper readings, judged places or a drawn target, told apart by their first line."""
    try:
        with path.open(encoding="utf-8-sig", errors="replace") as opened:
            head = opened.readline(300).lower()
    except OSError as problem:
        window.say("window", tr("“{0}” cannot be read: {1}.", path.name, problem.strerror))
        return
    desk = window.desk
    if "thickness_mm" in head:
        desk.do("window", "thickness.thickness", lambda _kept: window.beside.fetch_anew(),
                folder=desk.folder, file=path)  # fmt: skip
    elif "judgement" in head:
        desk.do("window", "hand.hand_judge", lambda _kept: window.beside.fetch_anew(),
                table=path, plate=desk.folder, face=window.beside.face or "outer")  # fmt: skip
    elif "target_cents" in head:
        window.targets.use_profile(str(path))
        window.go_to(window.stages.read)
    else:
        window.say(
            "window",
            tr(
                "“{0}” is no table known here: its first line would name thickness_mm, judgement "
                "or target_cents.",
                path.name,
            ),
        )


def free_name(path: Path) -> Path:
    """The path, or the next one with a number that is free."""
    number, found = 2, path
    while found.exists():
        found = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return found
