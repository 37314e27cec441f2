"""The Camera role on a video device, a stream, a film, a picture or a sequence of pictures."""

from __future__ import annotations

import logging
import re
from pathlib import Path

import numpy as np

from rig.devices.clock import SystemClock
from rig.devices.live_camera import LiveCamera, three_channels
from rig.devices.roles import Camera, Clock, Frame
from rig.model.errors import CameraError
from rig.model.rig_settings import CameraSettings

log = logging.getLogger(__name__)

PICTURES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp")
_ADDRESS = re.compile(r"[a-z][a-z0-9+.-]+://", re.IGNORECASE)
_COUNTED = re.compile(r"%0?(\d*)d")


class FilmCamera:
    """A film from a file, frame by frame; after the last there is no picture."""

    def __init__(self, path: Path, clock: Clock | None = None) -> None:
        self._path = path
        self._clock = clock or SystemClock()
        self._capture: object | None = None

    def open(self) -> None:
        """Open the film at its beginning."""
        import cv2

        self.close()
        there = self._path.is_file()
        capture = cv2.VideoCapture(str(self._path)) if there else None
        if capture is None or not capture.isOpened():
            why = "it is no film that can be read" if there else "there is no such file"
            raise CameraError(
                f"The camera cannot be opened: {why}.",
                where=str(self._path),
                remedy="Correct source in [camera]; see `platerig devices`.",
            )
        self._capture = capture

    def frame(self) -> Frame:
        """The next picture of the film."""
        capture = self._capture
        if capture is None:
            raise CameraError("The camera is not open.", where=str(self._path))
        there, pixels = capture.read()  # type: ignore[attr-defined]
        if not there or pixels is None:
            raise CameraError("The camera gave no picture: the film is over.",
                              where=str(self._path))  # fmt: skip
        return Frame(three_channels(np.asarray(pixels)), self._clock.utc())

    def close(self) -> None:
        """Let go of the film."""
        if self._capture is not None:
            self._capture.release()  # type: ignore[attr-defined]
            self._capture = None


class PictureCamera:
    """Pictures in the order of their names, the last staying.

    path: one file, a directory, or a name with a counter ("bed_%03d.png") or stars in it.
    """

    def __init__(self, path: Path, clock: Clock | None = None) -> None:
        self._path = path
        self._clock = clock or SystemClock()
        self._left: list[Path] = []

    def open(self) -> None:
        """Find the pictures."""
        self._left = self._pictures()
        if not self._left:
            raise CameraError(
                "There is no picture here.",
                where=str(self._path),
                remedy="Correct source in [camera]: a picture, a directory of pictures, or names "
                "like bed_%03d.png.",
            )

    def _pictures(self) -> list[Path]:
        path = self._path
        if path.is_dir():
            return sorted(p for p in path.iterdir() if p.suffix.lower() in PICTURES)
        if path.is_file():
            return [path]
        counter = _COUNTED.search(path.name)
        if counter is None:
            return sorted(path.parent.glob(path.name)) if "*" in path.name else []
        before, after = path.name[: counter.start()], path.name[counter.end() :]
        named = re.compile(rf"{re.escape(before)}(\d+){re.escape(after)}")
        found = [(named.fullmatch(p.name), p) for p in _listing(path.parent)]
        return [p for match, p in sorted(
            ((m, p) for m, p in found if m is not None), key=lambda pair: int(pair[0][1])
        )]  # fmt: skip

    def frame(self) -> Frame:
        """Read the next picture."""
        import cv2

        if not self._left:
            raise CameraError("The camera is not open.", where=str(self._path))
        path = self._left.pop(0) if len(self._left) > 1 else self._left[0]
        pixels = cv2.imread(str(path), cv2.IMREAD_COLOR) if path.is_file() else None
        if pixels is None:
            what = "This is not a picture that can be read."
            raise CameraError(
                what if path.is_file() else "The picture is gone.",
                where=str(path),
                remedy="Take it again, or correct source in [camera].",
            )
        return Frame(three_channels(np.asarray(pixels)), self._clock.utc())

    def close(self) -> None:
        """Forget the pictures."""
        self._left = []


def camera_for(
    settings: CameraSettings | str, clock: Clock | None = None, *, beside: Path | None = None
) -> Camera:
    """The right kind of camera for a source named in the rig file.

    A number is a video device; an address with :// a stream; the rest are files, looked for
    beside the rig file where the name is not absolute.
    """
    if isinstance(settings, str):
        settings = CameraSettings(source=settings)
    source = settings.source or "0"
    if source.isdigit() or source.startswith("/dev/") or _ADDRESS.match(source):
        return LiveCamera(settings, clock)
    path = Path(source)
    if beside is not None and not path.is_absolute():
        path = beside / path
    if path.is_dir() or path.suffix.lower() in PICTURES:
        return PictureCamera(path, clock)
    return FilmCamera(path, clock)


def _listing(directory: Path) -> list[Path]:
    return list(directory.iterdir()) if directory.is_dir() else []
