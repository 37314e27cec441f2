"""A camera that lives: a video device or a network stream, always read, so never stale."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.devices.clock import SystemClock
from rig.devices.roles import Clock, Frame
from rig.model.errors import CameraError
from rig.model.rig_settings import CameraSettings

if TYPE_CHECKING:
    import cv2

log = logging.getLogger(__name__)

PATIENCE_S = 5.0  # for the first picture, and for a fresh one
FRESH = 2  # the first picture after the call may have been exposed before it
WAITED = 0.3  # of the usual time between pictures: one that came quicker had been queued
DRAIN_S = 1.0  # a source that never lets anybody wait has no queue after so long
SETTLING = 8  # pictures until the camera's own exposure has settled
FAILURES = 10  # readings in a row without a picture: the camera is gone
PAUSE_S = 0.05
MANUAL, OFF = 1.0, 0.0  # V4L2's words for exposure by hand, and for off


@dataclass(frozen=True)
class _Seen:
    """number: of the pictures so far; waited_for: how many of them had not been queued."""

    number: int
    waited_for: int
    pixels: NDArray[np.uint8]
    utc: str


class LiveCamera:
    """source: a device number, a device file or a stream's address.

    A thread reads all the time and keeps the newest picture only: drivers and networks queue
    pictures, and an old one shows the bed as it was.
    """

    def __init__(self, settings: CameraSettings, clock: Clock | None = None) -> None:
        self._settings = settings
        self._source = settings.source or "0"
        self._clock = clock or SystemClock()
        self._changed = threading.Condition()
        self._newest: _Seen | None = None
        self._lost = False
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.exposure_locked: bool | None = None  # None: not asked for

    def open(self) -> None:
        """Open the source, let its exposure settle, and hold it there."""
        self.close()
        capture = self._captured()
        self._stop = threading.Event()
        self._lost, self._newest = False, None
        self._thread = threading.Thread(
            target=self._read_on, args=(capture, self._stop), name="camera", daemon=True
        )
        self._thread.start()
        self._wait_for(1)
        if self._is_device and (self._settings.lock_exposure or self._settings.exposure):
            if self._settings.exposure is None:
                self._wait_for(SETTLING)
            self._hold_exposure(capture)
            self._wait_for(FRESH)

    def frame(self) -> Frame:
        """A picture taken after this call. A camera that was lost is looked for once more."""
        if self._thread is None:
            raise CameraError("The camera is not open.", where=self._source)
        if self._lost:
            self.open()
        seen = self._wait_for(FRESH)
        return Frame(seen.pixels, seen.utc)

    def close(self) -> None:
        """Let go of the source."""
        thread, self._thread = self._thread, None
        if thread is not None:
            self._stop.set()
            thread.join(PATIENCE_S + 1.0)

    @property
    def _is_device(self) -> bool:
        return "://" not in self._source

    def _captured(self) -> cv2.VideoCapture:
        import cv2

        # what fails is told by us, once
        cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
        limit_ms = int(1000 * PATIENCE_S)
        if self._is_device:
            device: Any = int(self._source) if self._source.isdigit() else self._source
            capture = cv2.VideoCapture(device)
        else:
            capture = cv2.VideoCapture(
                self._source,
                cv2.CAP_FFMPEG,
                [
                    cv2.CAP_PROP_OPEN_TIMEOUT_MSEC,
                    limit_ms,
                    cv2.CAP_PROP_READ_TIMEOUT_MSEC,
                    limit_ms,
                ],
            )
        if not capture.isOpened():
            capture.release()
            raise CameraError(
                "The camera cannot be opened.",
                where=self._source,
                remedy="See `platerig devices`; a video device may be in use elsewhere, a stream "
                "may have another address.",
            )
        return capture

    def _hold_exposure(self, capture: cv2.VideoCapture) -> None:
        """Give the exposure of the rig file, or keep the one the camera has found."""
        import cv2

        wanted = self._settings.exposure
        value = capture.get(cv2.CAP_PROP_EXPOSURE) if wanted is None else wanted
        by_hand = capture.set(cv2.CAP_PROP_AUTO_EXPOSURE, MANUAL)
        given = capture.set(cv2.CAP_PROP_EXPOSURE, value)
        for automatic in (cv2.CAP_PROP_AUTO_WB, cv2.CAP_PROP_AUTOFOCUS):
            capture.set(automatic, OFF)  # many cameras lack them
        self.exposure_locked = bool(by_hand and given)
        if self.exposure_locked:
            return
        if wanted is not None:
            raise CameraError(
                "The camera does not take the exposure of the rig file.",
                where=self._source,
                remedy="Leave exposure out of [camera], or set it with the camera's own tool.",
            )
        log.warning("the camera %s does not let its exposure be held", self._source)

    def _read_on(self, capture: cv2.VideoCapture, stop: threading.Event) -> None:
        """The camera's thread: read, keep the newest, notice when nothing comes any more."""
        failures = number = waited_for = 0
        took_s: deque[float] = deque(maxlen=30)
        try:
            while not stop.is_set() and failures < FAILURES:
                began_s = time.monotonic()
                there, pixels = capture.read()
                if not there or pixels is None:
                    failures += 1
                    stop.wait(PAUSE_S)
                    continue
                failures = 0
                number += 1
                took_s.append(time.monotonic() - began_s)
                waited_for += took_s[-1] >= WAITED * sum(took_s) / len(took_s)
                seen = _Seen(
                    number, waited_for, three_channels(np.asarray(pixels)), self._clock.utc()
                )
                with self._changed:
                    if not stop.is_set():
                        self._newest = seen
                        self._changed.notify_all()
        finally:
            capture.release()
            with self._changed:
                if not stop.is_set():
                    self._lost = True
                    self._changed.notify_all()

    def _wait_for(self, more: int) -> _Seen:
        """The newest picture once `more` have come from now on; raises CameraError."""
        with self._changed:
            start = self._newest or _Seen(0, 0, np.zeros((1, 1, 3), np.uint8), "")
            began_s = time.monotonic()

            def there() -> bool:
                now = self._newest
                if now is None or now.number < start.number + more:
                    return False
                drained = time.monotonic() > began_s + DRAIN_S
                return drained or now.waited_for >= start.waited_for + more

            self._changed.wait_for(lambda: self._lost or there(), PATIENCE_S)
            if self._lost or self._newest is None or not there():
                raise CameraError(
                    "The camera gave no picture.",
                    where=self._source,
                    remedy="Check its cable or its network, then try again.",
                )
            return self._newest


def three_channels(pixels: np.ndarray) -> NDArray[np.uint8]:
    """(h, w, 3) uint8 whatever came."""
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[:, :, None], 3, axis=2)
    return np.ascontiguousarray(pixels[:, :, :3], dtype=np.uint8)
