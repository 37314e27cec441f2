"""A rig whose cable was pulled is put together again, once somebody says that it is back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from rig.model.errors import DeviceError, LinkError, MicrophoneError

if TYPE_CHECKING:
    from rig.jobs.compose import Rig
    from rig.scan import ScanControl


def mended(
    rig: Rig,
    error: Exception | None,
    control: ScanControl,
    plugged_in: Callable[[DeviceError], bool] | None,
) -> Rig | None:
    """The rig with its lost device open and homed again; None when the scan is to end.

    plugged_in: asks the user, who must also say that hands are clear, since the gantry homes.
    A device that is not back yet is asked for again.
    """
    if rig.new_controller is None or plugged_in is None:
        return None
    while isinstance(error, LinkError | MicrophoneError):
        if control.halted or control.stop_wanted or not plugged_in(error):
            return None
        try:
            return _opened_again(rig, control)
        except DeviceError as failure:
            error = failure
    return None


def _opened_again(rig: Rig, control: ScanControl) -> Rig:
    """A new controller on the same port, a new sound stream, and homing."""
    assert rig.new_controller is not None
    rig.controller.close()
    rig.microphone.close()
    rig = replace(rig, controller=rig.new_controller())
    control.attach(rig.controller.halt)
    try:
        rig.controller.open()
        rig.microphone.open()
        rig.controller.home()
    except DeviceError:
        rig.controller.close()
        raise
    return rig
