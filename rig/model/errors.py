"""The error tree: every error says what happened, where, and what to do about it.

The command line turns `exit_status` into the exit status of the process:
1 a problem was found, 2 wrong usage, 3 a device failed.
"""

from __future__ import annotations


class PlaterigError(Exception):
    """Any problem platerig knows how to explain.

    what: one plain sentence; where: the file, tap, line or device; remedy: what the user can do.
    """

    exit_status = 1

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.remedy = remedy

    def __str__(self) -> str:
        place = f" ({self.where})" if self.where else ""
        remedy = f" {self.remedy}" if self.remedy else ""
        return f"{self.what}{place}{remedy}"


class UsageError(PlaterigError):
    """The call itself is wrong: an option, a name, a value."""

    exit_status = 2


class UnknownWorldError(UsageError):
    """No virtual world has this name."""


class RigFileError(UsageError):
    """The rig file has an unknown key, a wrong type or an impossible value."""


class RecordingError(PlaterigError):
    """A sound file or clip that cannot be read as a recording of a strike."""


class OutlineError(PlaterigError):
    """An outline that crosses itself, is too small, or is no outline at all."""


class PlateFactsError(PlaterigError):
    """Measured heights or glued-in bars that cannot be of this plate."""


class TapSetError(PlaterigError):
    """A directory of recordings that does not follow the tap set layout."""


class PictureError(PlaterigError):
    """A picture that cannot be opened or that shows too little to place the plate."""


class AnalysisError(PlaterigError):
    """The data do not carry the answer asked for: too few taps, too coarse a grid."""


class FolderError(PlaterigError):
    """A plate folder that cannot be used as asked."""


class FolderMissingError(FolderError):
    """There is no plate folder at this path."""


class FolderInUseError(FolderError):
    """Another process is writing to the folder."""


class FolderNewerError(FolderError):
    """The folder was written by a newer version of platerig."""


class FolderDamagedError(FolderError):
    """The folder's database or files do not agree with each other."""


class StorageFullError(FolderError):
    """The disk is full or refuses to be written to."""


class DeviceError(PlaterigError):
    """A device did not do its part."""

    exit_status = 3


class LinkError(DeviceError):
    """The line to the controller failed: no port, no banner, no answer, cable pulled."""


class LocalProtocolError(LinkError):
    """We asked for something the line protocol does not allow (a fault of ours)."""


class RemoteProtocolError(LinkError):
    """The controller answered something the line protocol does not allow."""


class ControllerRefusedError(DeviceError):
    """The controller understood the command and refused it: limit, duty cycle, not homed."""


class HaltedError(DeviceError):
    """The rig was halted; position is unknown until it has been homed again."""


class MicrophoneError(DeviceError):
    """The sound stream could not be opened, stalled, or lost samples."""


class MicrophoneGoneError(MicrophoneError):
    """The sound stream has ended for good: unplugged, or its server died."""


class CameraError(DeviceError):
    """The camera gave no picture."""
