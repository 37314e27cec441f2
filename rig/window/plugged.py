"""What is plugged in, in words: what each is for, and what is missing for a scan."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from rig.window.words import tr, trn

if TYPE_CHECKING:
    from rig.jobs.devices import DeviceList


def plugged_page(found: DeviceList) -> str:
    """All of it as a page."""
    page = _listed(
        tr("Serial ports"), tr("The board that moves the gantry and fires the hammer."),
        [f"{one.port}: {one.description}" for one in found.ports],
        tr("None. Without the board nothing moves: plug in its USB cable and switch the rig on. "
           "On Linux the user must belong to the group that may use serial ports."),
    )  # fmt: skip
    page += _listed(
        tr("Microphones"), tr("One channel hears the plate, another the hammer."),
        [tr("{0}, {1} × {2} Hz", one.device, one.channels, one.rate_hz)
         for one in found.microphones],
        tr("None. Without a microphone no tap is heard: plug in the sound box with the microphone "
           "and the pickup of the hammer."),
    )  # fmt: skip
    if found.microphones and max(one.channels for one in found.microphones) < 2:
        one_only = tr("One channel only: the hammer is not heard, and the moment of each strike "
                      "has to be found in the sound of the plate.")  # fmt: skip
        page += f"<p>{one_only}</p>"
    page += _listed(
        tr("Cameras"), tr("Finds where the plate lies on the bed."),
        [f"{one.source}: {one.description}" for one in found.cameras],
        tr("None. Without a camera the plate cannot be found on the bed: plug in the camera that "
           "looks down on it."),
    )  # fmt: skip
    page += "".join(f"<p>{html.escape(problem)}</p>" for problem in found.problems)
    return page + f"<p><b>{html.escape(next_step(found))}</b></p>"


def next_step(found: DeviceList) -> str:
    """In one sentence what can be done with it."""
    missing = [
        text for there, text in (
            (found.ports, tr("the board")), (found.microphones, tr("the microphone")),
            (found.cameras, tr("the camera")),
        ) if not there
    ]  # fmt: skip
    if not missing:
        return tr("All that a rig needs is there. Its rig file says which is which: “Choose the "
                  "rig…”.")  # fmt: skip
    return tr("Not there: {0}. The virtual rig needs none of it.", ", ".join(missing))


def in_short(found: DeviceList) -> str:
    """Counted, then what can be done with it."""
    counts = (
        trn("{0} serial port", "{0} serial ports", len(found.ports)),
        trn("{0} microphone", "{0} microphones", len(found.microphones)),
        trn("{0} camera", "{0} cameras", len(found.cameras)),
    )
    return tr("Plugged in: {0}.", ", ".join(counts)) + " " + next_step(found)


def _listed(title: str, why: str, names: list[str], missing: str) -> str:
    lines = "".join(f"<li>{html.escape(name)}</li>" for name in names)
    return f"<h3>{title}</h3><p>{why}</p>" + (f"<ul>{lines}</ul>" if names else f"<p>{missing}</p>")
