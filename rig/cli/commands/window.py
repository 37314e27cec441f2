"""The verb `window`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import Answer, Speaker
from rig.cli.verb import FOLDER, verb


@verb("window", "Open the bench window.", example="platerig window\nplaterig window back.plate")
@click.argument("folder", metavar="[NAME.plate]", type=FOLDER, required=False)
def window(folder: Path | None, progress: Any, machine: bool) -> Answer:
    """Open the bench window: the whole job at the rig, with the plate in the middle."""
    del progress, machine
    from rig.window.start import open_window

    status = open_window(folder)

    def say(to: Speaker) -> None:
        del to  # everything has been said in the window

    return Answer({"window": "closed"}, say, status=status)


COMMANDS = (window,)
