"""Whether there is a screen: Qt would end the process without a word of help."""

from __future__ import annotations

import os
import sys

from rig.model.errors import DeviceError


def require_screen() -> None:
    """Raise DeviceError where no window can be opened."""
    if not sys.platform.startswith("linux") or os.environ.get("QT_QPA_PLATFORM"):
        return
    if not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        raise DeviceError(
            "There is no screen here to open a window on.",
            remedy="Start it in a desktop session, or use the other verbs of platerig.",
        )
