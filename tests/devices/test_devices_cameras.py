"""Cameras: films, sequences of pictures, streams over the network, devices with an exposure."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from rig.devices.camera import FilmCamera, PictureCamera, camera_for
from rig.devices.live_camera import LiveCamera
from rig.model.errors import CameraError
from rig.model.rig_settings import CameraSettings

FRAME_S = 0.04


def plain(level: float) -> np.ndarray:
    return np.full((48, 64, 3), level, dtype=np.uint8)


def level(pixels: np.ndarray) -> float:
    return float(pixels[20:30, 20:40].mean())


# -- films and pictures ----------------------------------------------------------------------


def test_film_is_read_frame_by_frame_and_ends_with_an_error(tmp_path: Path) -> None:
    path = tmp_path / "bed.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 5, (64, 48))
    for value in (30, 120, 210):
        writer.write(plain(value))
    writer.release()
    camera = camera_for(str(path))
    assert isinstance(camera, FilmCamera)
    camera.open()
    assert [level(camera.frame().pixels) for _ in range(3)] == pytest.approx([30, 120, 210], abs=4)
    with pytest.raises(CameraError, match="film is over"):
        camera.frame()
    camera.close()
    camera.close()
    with pytest.raises(CameraError, match="not open"):
        camera.frame()
    path.write_bytes(b"this is no film")
    with pytest.raises(CameraError, match="no film that can be read"):
        camera.open()
    with pytest.raises(CameraError, match="no such file"):
        camera_for(str(tmp_path / "gone.avi")).open()


@pytest.mark.parametrize("name", ["bed_%03d.png", "bed_%d.png", "bed_*.png", ""])
def test_sequences_of_pictures_come_in_their_order(tmp_path: Path, name: str) -> None:
    for number in (1, 2, 10):
        cv2.imwrite(str(tmp_path / f"bed_{number:03d}.png"), plain(10 * number))
    (tmp_path / "notes.txt").write_text("not a picture")
    camera = camera_for(CameraSettings(source=name or str(tmp_path)), beside=tmp_path)
    assert isinstance(camera, PictureCamera)
    camera.open()
    assert [level(camera.frame().pixels) for _ in range(4)] == [10, 20, 100, 100]


def test_single_picture_beside_the_rig_file_and_one_that_vanishes(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "bed.png"), plain(77)[:, :, 0])  # one channel only
    camera = camera_for(CameraSettings(source="bed.png"), beside=tmp_path)
    camera.open()
    assert camera.frame().pixels.shape == (48, 64, 3)
    (tmp_path / "bed.png").unlink()
    with pytest.raises(CameraError, match="picture is gone"):
        camera.frame()
    with pytest.raises(CameraError, match="no picture here"):
        camera.open()


# -- a stream over the network ---------------------------------------------------------------


class Stream:
    """MJPEG over HTTP on this computer; the level of every picture tells when it was taken."""

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.alive = True
        stream = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.send_response(200)
                kind = "multipart/x-mixed-replace; boundary=frame"
                self.send_header("Content-Type", kind)
                self.end_headers()
                try:
                    while stream.alive:
                        _, data = cv2.imencode(".jpg", plain(stream.now_level()))
                        head = f"--frame\r\nContent-Type: image/jpeg\r\nContent-Length: {len(data)}"
                        self.wfile.write(f"{head}\r\n\r\n".encode() + data.tobytes() + b"\r\n")
                        time.sleep(FRAME_S)
                except OSError:
                    pass

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        self._thread.start()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/bed.mjpg"

    def now_level(self) -> float:
        return min(255.0, 20.0 * (time.monotonic() - self.began))

    def close(self) -> None:
        self.alive = False
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


@pytest.fixture
def stream() -> Iterator[Stream]:
    served = Stream()
    yield served
    served.close()


def test_stream_gives_fresh_pictures_however_long_nobody_looked(stream: Stream) -> None:
    camera = camera_for(stream.address)
    assert isinstance(camera, LiveCamera)
    camera.open()
    try:
        for pause_s in (0.0, 1.0, 0.3):
            time.sleep(pause_s)
            asked = stream.now_level()
            seen = level(camera.frame().pixels)
            assert seen > asked - 1.0  # taken after the call; a JPEG is a level off
    finally:
        camera.close()


def test_stream_that_breaks_off_is_told_and_found_again(
    stream: Stream, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.devices.live_camera.PATIENCE_S", 1.5)
    camera = LiveCamera(CameraSettings(source=stream.address))
    camera.open()
    camera.frame()
    stream.alive = False
    with pytest.raises(CameraError, match="gave no picture"):
        camera.frame()
    stream.alive = True
    assert camera.frame().pixels.shape == (48, 64, 3)
    camera.close()
    with pytest.raises(CameraError, match="not open"):
        camera.frame()


def test_no_stream_and_no_device_are_said_clearly(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rig.devices.live_camera.PATIENCE_S", 1.0)
    for source in ("http://127.0.0.1:9/bed.mjpg", "/dev/video97"):
        with pytest.raises(CameraError, match="cannot be opened") as caught:
            camera_for(source).open()
        assert caught.value.where == source
        assert caught.value.remedy


# -- a device, stood in for ------------------------------------------------------------------


class FakeDevice:
    """A video device that queues pictures, settles its exposure slowly, and may be pulled out."""

    made: list[FakeDevice]
    obeys = True

    def __init__(self, device: Any, *_: Any) -> None:
        self.device = device
        self.values = {cv2.CAP_PROP_EXPOSURE: 20.0, cv2.CAP_PROP_AUTO_EXPOSURE: 3.0}
        self.taken = 0
        self.released = False
        self.unplugged = False
        FakeDevice.made.append(self)

    def isOpened(self) -> bool:  # noqa: N802
        return True

    def get(self, what: int) -> float:
        return self.values.get(what, 0.0)

    def set(self, what: int, value: float) -> bool:
        if self.obeys:
            self.values[what] = value
        return self.obeys

    def read(self) -> tuple[bool, np.ndarray | None]:
        time.sleep(0.01)
        if self.unplugged:
            return False, None
        self.taken += 1
        if self.values[cv2.CAP_PROP_AUTO_EXPOSURE] == 3.0:
            drift = 100.0 - self.values[cv2.CAP_PROP_EXPOSURE]
            self.values[cv2.CAP_PROP_EXPOSURE] += 0.5 * drift
        return True, plain(self.values[cv2.CAP_PROP_EXPOSURE])

    def release(self) -> None:
        self.released = True


@pytest.fixture
def device(monkeypatch: pytest.MonkeyPatch) -> type[FakeDevice]:
    monkeypatch.setattr(FakeDevice, "made", [], raising=False)
    monkeypatch.setattr(FakeDevice, "obeys", True)
    monkeypatch.setattr(cv2, "VideoCapture", FakeDevice)
    return FakeDevice


def test_exposure_settles_first_and_is_then_held(device: type[FakeDevice]) -> None:
    camera = LiveCamera(CameraSettings(source="2"))
    camera.open()
    made = device.made[0]
    assert made.device == 2
    assert camera.exposure_locked is True
    held = made.values[cv2.CAP_PROP_EXPOSURE]
    assert held == pytest.approx(100.0, abs=1.0)
    assert made.values[cv2.CAP_PROP_AUTO_EXPOSURE] == 1.0
    levels = {level(camera.frame().pixels) for _ in range(4)}
    assert len(levels) == 1
    camera.close()
    assert made.released


def test_exposure_of_the_rig_file_is_given_to_the_camera(device: type[FakeDevice]) -> None:
    camera = LiveCamera(CameraSettings(source="0", exposure=55.0))
    camera.open()
    assert level(camera.frame().pixels) == 55.0
    camera.close()


def test_camera_that_does_not_obey(device: type[FakeDevice]) -> None:
    device.obeys = False
    with pytest.raises(CameraError, match="does not take the exposure"):
        LiveCamera(CameraSettings(source="0", exposure=55.0)).open()
    camera = LiveCamera(CameraSettings(source="0"))
    camera.open()  # held or not: pictures come
    assert camera.exposure_locked is False
    camera.frame()
    camera.close()
    free = LiveCamera(CameraSettings(source="0", lock_exposure=False))
    free.open()
    assert free.exposure_locked is None
    free.close()


def test_device_pulled_out_is_told_and_looked_for_again(
    device: type[FakeDevice], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.devices.live_camera.PAUSE_S", 0.005)
    camera = LiveCamera(CameraSettings(source="0"))
    camera.open()
    device.made[0].unplugged = True
    with pytest.raises(CameraError, match="gave no picture"):
        camera.frame()
    assert device.made[0].released
    camera.frame()  # a second device has been opened
    assert len(device.made) == 2
    camera.close()


def test_two_cameras_one_after_the_other_and_closing_twice(device: type[FakeDevice]) -> None:
    camera = LiveCamera(CameraSettings(source="0"))
    for _ in range(2):
        camera.open()
        camera.frame()
    camera.close()
    camera.close()
    assert all(made.released for made in device.made)
