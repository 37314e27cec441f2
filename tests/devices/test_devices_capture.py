"""Sound interface and video capture, as far as they can be driven without hardware."""

from __future__ import annotations

import sys
import threading
import types
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.devices.camera import CaptureCamera, camera_for
from rig.devices.microphone import StreamMicrophone
from rig.model.errors import CameraError, MicrophoneError
from rig.model.rig_settings import MicrophoneSettings

BLOCK = 480


class FakeStream:
    """Calls back like PortAudio: 24 bits at the top of 32, time stamps, status flags."""

    made: list[FakeStream]
    refuse = False

    def __init__(self, **options: Any) -> None:
        if FakeStream.refuse:
            raise sys.modules["sounddevice"].PortAudioError("Invalid sample rate")
        self.options = options
        self.sent = 0
        self.closed = False
        FakeStream.made.append(self)

    def start(self) -> None:
        threading.Thread(target=self.deliver, args=(2,)).start()

    def deliver(self, blocks: int, *, skipped: int = 0, overflow: bool = False) -> None:
        self.sent += skipped
        for _ in range(blocks):
            samples = np.arange(self.sent, self.sent + BLOCK, dtype=np.int32)
            block = np.stack([samples, -samples], axis=1) << 8
            moment = types.SimpleNamespace(inputBufferAdcTime=100.0 + self.sent / 48_000)
            status = types.SimpleNamespace(input_overflow=overflow)
            self.options["callback"](block, BLOCK, moment, status)
            self.sent += BLOCK
            overflow = False

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def portaudio(monkeypatch: pytest.MonkeyPatch) -> type[FakeStream]:
    module = types.ModuleType("sounddevice")
    module.InputStream = FakeStream  # type: ignore[attr-defined]
    module.PortAudioError = type("PortAudioError", (Exception,), {})  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "sounddevice", module)
    monkeypatch.setattr(FakeStream, "made", [], raising=False)
    monkeypatch.setattr(FakeStream, "refuse", False)
    return FakeStream


def test_stream_is_opened_for_both_roles_and_counts_samples(portaudio: type[FakeStream]) -> None:
    microphone = StreamMicrophone(MicrophoneSettings(device="interface"))
    microphone.open()
    stream = portaudio.made[0]
    assert stream.options["device"] == "interface"
    assert (stream.options["channels"], stream.options["samplerate"]) == (2, 48_000)
    stream.deliver(20)
    first = microphone.position_samples() - 1000
    clip = microphone.take(first, 1000)
    assert (clip.samples[:, 0] == np.arange(first, first + 1000)).all()
    assert (clip.samples[:, 1] == -np.arange(first, first + 1000)).all()
    assert clip.full_scale == 2**23
    microphone.close()
    microphone.close()
    assert stream.closed


def test_take_waits_for_samples_that_are_still_to_come(portaudio: type[FakeStream]) -> None:
    microphone = StreamMicrophone(MicrophoneSettings())
    microphone.open()
    stream = portaudio.made[0]
    threading.Timer(0.05, stream.deliver, args=(10,)).start()
    clip = microphone.take(2000, 480)
    assert clip.samples[0, 0] == 2000


def test_overflow_spoils_the_strike_and_no_other(portaudio: type[FakeStream]) -> None:
    microphone = StreamMicrophone(MicrophoneSettings())
    microphone.open()
    stream = portaudio.made[0]
    stream.deliver(20)
    before = microphone.position_samples()
    stream.deliver(20, skipped=1300, overflow=True)
    with pytest.raises(MicrophoneError, match="lost"):
        microphone.take(before - 200, 2000)
    clip = microphone.take(before + 1300, 2000)  # numbers are in step with time again
    assert clip.samples[0, 0] == before + 1300


def test_stalled_stream_is_an_error(
    portaudio: type[FakeStream], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.devices.microphone.PATIENCE_S", 0.05)
    microphone = StreamMicrophone(MicrophoneSettings())
    microphone.open()
    with pytest.raises(MicrophoneError, match="did not come"):
        microphone.take(5000, 480)
    monkeypatch.setattr(FakeStream, "start", lambda self: None)
    with pytest.raises(MicrophoneError, match="no sound comes"):
        StreamMicrophone(MicrophoneSettings()).open()


def test_refused_stream_says_why(portaudio: type[FakeStream]) -> None:
    portaudio.refuse = True
    with pytest.raises(MicrophoneError, match="Invalid sample rate"):
        StreamMicrophone(MicrophoneSettings(rate_hz=12_345)).open()


def test_missing_portaudio_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    class Missing:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "sounddevice":
                raise OSError("PortAudio library not found")

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    with pytest.raises(MicrophoneError, match="PortAudio library not found") as caught:
        StreamMicrophone(MicrophoneSettings()).open()
    assert "libportaudio2" in caught.value.remedy


def test_video_file_is_read_frame_by_frame_and_ends_with_an_error(tmp_path: Path) -> None:
    import cv2

    path = tmp_path / "bed.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 5, (64, 48))
    for level in (30, 120, 210):
        writer.write(np.full((48, 64, 3), level, dtype=np.uint8))
    writer.release()
    camera = camera_for(str(path))
    assert isinstance(camera, CaptureCamera)
    camera.open()
    levels = [int(camera.frame().pixels[20, 20, 0]) for _ in range(3)]
    assert levels == pytest.approx([30, 120, 210], abs=4)
    with pytest.raises(CameraError, match="no picture"):
        camera.frame()
    camera.close()
    with pytest.raises(CameraError, match="not open"):
        camera.frame()
