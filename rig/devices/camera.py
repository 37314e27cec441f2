"""The Camera role on a video device, a stream address, a picture or a directory of pictures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rig.devices.clock import SystemClock
from rig.devices.roles import Clock, Frame
from rig.model.errors import CameraError

if TYPE_CHECKING:
    import cv2

STALE_FRAMES = 4  # a driver keeps a few old frames; they show the bed as it was
PICTURES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp")


class CaptureCamera:
    """source: a device number ("0"), a stream address or a video file."""

    def __init__(self, source: str, clock: Clock | None = None) -> None:
        self._source = source
        self._clock = clock or SystemClock()
        self._capture: cv2.VideoCapture | None = None

    def open(self) -> None:
        """Open the source."""
        import cv2

        source = int(self._source) if self._source.isdigit() else self._source
        self._capture = cv2.VideoCapture(source)
        if not self._capture.isOpened():
            self.close()
            raise CameraError(
                "The camera cannot be opened.",
                where=self._source,
                remedy="See `platerig devices`; a video device may be in use elsewhere.",
            )

    def frame(self) -> Frame:
        """A picture taken after this call: frames from before it are dropped."""
        if self._capture is None:
            raise CameraError("The camera is not open.", where=self._source)
        if self._source.isdigit():
            for _ in range(STALE_FRAMES):
                self._capture.grab()
        there, pixels = self._capture.read()
        if not there or pixels is None:
            raise CameraError(
                "The camera gave no picture.", where=self._source, remedy="Check its cable."
            )
        return Frame(_three_channels(np.asarray(pixels)), self._clock.utc())

    def close(self) -> None:
        """Let go of the source."""
        if self._capture is not None:
            self._capture.release()
            self._capture = None


class PictureCamera:
    """Pictures from a file, or from a directory in the order of their names, the last staying."""

    def __init__(self, path: Path, clock: Clock | None = None) -> None:
        self._path = path
        self._clock = clock or SystemClock()
        self._left: list[Path] = []

    def open(self) -> None:
        """Find the pictures."""
        if self._path.is_dir():
            found = sorted(p for p in self._path.iterdir() if p.suffix.lower() in PICTURES)
        else:
            found = [self._path] if self._path.is_file() else []
        if not found:
            raise CameraError("There is no picture here.", where=str(self._path))
        self._left = found

    def frame(self) -> Frame:
        """Read the next picture."""
        import cv2

        if not self._left:
            raise CameraError("The camera is not open.", where=str(self._path))
        path = self._left.pop(0) if len(self._left) > 1 else self._left[0]
        pixels = cv2.imread(str(path), cv2.IMREAD_COLOR)
        if pixels is None:
            raise CameraError("This is not a picture that can be read.", where=str(path))
        return Frame(_three_channels(pixels), self._clock.utc())

    def close(self) -> None:
        """Forget the pictures."""
        self._left = []


def camera_for(source: str, clock: Clock | None = None) -> CaptureCamera | PictureCamera:
    """The right kind of camera for a source named in the rig file."""
    path = Path(source)
    if path.is_dir() or path.suffix.lower() in PICTURES:
        return PictureCamera(path, clock)
    return CaptureCamera(source, clock)


def _three_channels(pixels: np.ndarray) -> np.ndarray:
    """(h, w, 3) uint8 whatever came."""
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[:, :, None], 3, axis=2)
    return np.ascontiguousarray(pixels[:, :, :3], dtype=np.uint8)
