"""The sound interface, as far as it can be driven without hardware."""

from __future__ import annotations

import sys
import threading
import types
from typing import Any

import numpy as np
import pytest

from rig.devices.microphone import StreamMicrophone
from rig.model.errors import MicrophoneError, MicrophoneGoneError
from rig.model.rig_settings import MicrophoneSettings

BLOCK = 480
RATE = 48_000


class FakeStream:
    """Calls back like PortAudio: 24 bits at the top of 32, status flags; stamps are rubbish."""

    made: list[FakeStream]
    refuse = False

    def __init__(self, **options: Any) -> None:
        if FakeStream.refuse:
            raise sys.modules["sounddevice"].PortAudioError("Invalid sample rate")
        self.options = options
        self.sent = 0
        self.closed = False
        self.late_s = 0.005
        FakeStream.made.append(self)

    def start(self) -> None:
        thread = threading.Thread(target=self.deliver, args=(2,))
        thread.start()
        thread.join()

    def now_s(self) -> float:
        """The computer's clock as the callback sees it: the end of the block and a delay."""
        return 500.0 + self.sent / RATE + self.late_s

    def deliver(self, blocks: int, *, skipped: int = 0, overflow: bool = False) -> None:
        self.sent += skipped
        for _ in range(blocks):
            samples = np.arange(self.sent, self.sent + BLOCK, dtype=np.int32)
            block = np.stack([samples, -samples], axis=1) << 8
            status = types.SimpleNamespace(input_overflow=overflow)
            self.sent += BLOCK
            stamps = types.SimpleNamespace(inputBufferAdcTime=float("nan"), currentTime=-1.0)
            self.options["callback"](block, BLOCK, stamps, status)
            overflow = False

    def close(self) -> None:
        self.closed = True


class StreamTime:
    """The clock of the newest fake stream."""

    def now_s(self) -> float:
        return FakeStream.made[-1].now_s()

    def sleep_s(self, duration_s: float) -> None:
        raise AssertionError("nobody sleeps here")

    def utc(self) -> str:
        return ""


DEVICES = [
    {"name": "Built-in", "hostapi": 0, "max_input_channels": 2, "default_samplerate": 44_100.0},
    {"name": "Screen", "hostapi": 0, "max_input_channels": 0, "default_samplerate": 48_000.0},
    {"name": "Bench interface: A", "hostapi": 0, "max_input_channels": 2,
     "default_samplerate": 48_000.0},
    {"name": "Bench interface: B", "hostapi": 0, "max_input_channels": 4,
     "default_samplerate": 48_000.0},
]  # fmt: skip


@pytest.fixture
def portaudio(monkeypatch: pytest.MonkeyPatch) -> type[FakeStream]:
    module: Any = types.ModuleType("sounddevice")
    module.InputStream = FakeStream
    module.PortAudioError = type("PortAudioError", (Exception,), {})
    module.query_devices = lambda: DEVICES
    module.query_hostapis = lambda: [{"name": "ALSA"}]
    module._terminate = module._initialize = lambda: None
    monkeypatch.setitem(sys.modules, "sounddevice", module)
    monkeypatch.setattr(FakeStream, "made", [], raising=False)
    monkeypatch.setattr(FakeStream, "refuse", False)
    return FakeStream


def opened(device: str | None = None) -> tuple[StreamMicrophone, FakeStream]:
    microphone = StreamMicrophone(MicrophoneSettings(device=device), StreamTime())
    microphone.open()
    return microphone, FakeStream.made[-1]


def test_stream_is_opened_for_both_roles_and_counts_samples(portaudio: type[FakeStream]) -> None:
    microphone, stream = opened("interface: a")
    assert stream.options["device"] == 2
    assert (stream.options["channels"], stream.options["samplerate"]) == (2, RATE)
    stream.deliver(20)
    first = microphone.position_samples() - 1000
    clip = microphone.take(first, 1000)
    assert (clip.samples[:, 0] == np.arange(first, first + 1000)).all()
    assert (clip.samples[:, 1] == -np.arange(first, first + 1000)).all()
    assert clip.full_scale == 2**23
    microphone.close()
    microphone.close()
    assert stream.closed


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ("Violin preamp", "no sound input called “Violin preamp”.*“Built-in”"),
        ("bench", "Several sound inputs could be “bench”.*Write more of its name"),
        ("Screen", "no sound input"),
    ],
)
def test_device_that_is_not_clear_is_refused(
    portaudio: type[FakeStream], wanted: str, words: str
) -> None:
    with pytest.raises(MicrophoneError, match=words):
        opened(wanted)


def test_device_with_too_few_channels_is_refused(portaudio: type[FakeStream]) -> None:
    settings = MicrophoneSettings(device="Built-in", pickup_channel=2)
    with pytest.raises(MicrophoneError, match=r"has 2 channel\(s\), the rig file wants 3"):
        StreamMicrophone(settings).open()


def test_device_plugged_in_late_is_found(
    portaudio: type[FakeStream], monkeypatch: pytest.MonkeyPatch
) -> None:
    module: Any = sys.modules["sounddevice"]
    there: list[Any] = []
    monkeypatch.setattr(module, "query_devices", lambda: there)
    monkeypatch.setattr(module, "_initialize", lambda: there.extend(DEVICES))
    _, stream = opened("bench interface: b")
    assert stream.options["device"] == 3


def test_take_waits_for_samples_that_are_still_to_come(portaudio: type[FakeStream]) -> None:
    microphone, stream = opened()
    timer = threading.Timer(0.05, stream.deliver, args=(10,))
    timer.start()
    clip = microphone.take(2000, 480)
    assert clip.samples[0, 0] == 2000
    timer.join()


@pytest.mark.parametrize("flagged", [True, False])
@pytest.mark.parametrize("skipped", [960, 7200, 48_000])
def test_loss_spoils_what_it_may_have_hit_and_nothing_else(
    portaudio: type[FakeStream], skipped: int, flagged: bool
) -> None:
    microphone, stream = opened()
    stream.deliver(300)
    before = microphone.position_samples()
    assert microphone.take(before - 2000, 2000).samples[0, 0] == before - 2000
    stream.deliver(30, skipped=skipped, overflow=flagged)
    with pytest.raises(MicrophoneError, match="lost"):
        microphone.take(before - 200, 2000)
    assert microphone.take(before - 40_000, 20_000).samples[0, 0] == before - 40_000
    stream.deliver(200)
    with pytest.raises(MicrophoneError, match="lost"):
        microphone.take(before - 200, 2000)
    newest = microphone.position_samples()
    assert newest == pytest.approx(stream.sent, abs=2)  # in step with time again
    clip = microphone.take(newest - 4800, 4800)
    assert clip.samples[0, 0] == pytest.approx(newest - 4800, abs=2)


def test_blocks_that_only_come_late_are_no_loss(portaudio: type[FakeStream]) -> None:
    """77 ms late every now and then, and once for 300 ms, then all at once."""
    microphone, stream = opened()
    rng = np.random.default_rng(1)
    for number in range(400):
        stream.late_s = 0.077 if number % 7 == 3 else float(rng.exponential(0.003))
        stream.deliver(1)
    for late in np.linspace(0.3, 0.0, 31)[:-1]:  # the burst: no time between the blocks
        stream.late_s = float(late)
        stream.deliver(1)
    stream.late_s = 0.001
    stream.deliver(100)
    assert microphone.position_samples() == stream.sent
    clip = microphone.take(stream.sent - 200_000, 200_000)
    assert (np.diff(clip.samples[:, 0]) == 1).all()


def test_clock_drift_over_a_long_scan_is_no_loss(portaudio: type[FakeStream]) -> None:
    """300 ppm slow for 20 minutes: 0.36 s in all."""
    microphone, stream = opened()
    for number in range(12_000):
        stream.late_s = 300e-6 * stream.sent / RATE
        stream.deliver(1, skipped=0)
        if number % 10 == 0:
            stream.deliver(9)
    assert microphone.position_samples() == stream.sent


def test_moment_of_a_sample_is_found_through_jitter(portaudio: type[FakeStream]) -> None:
    microphone, stream = opened()
    rng = np.random.default_rng(2)
    for _ in range(3000):
        stream.late_s = 0.005 + float(rng.exponential(0.004))
        stream.deliver(1)
    errors = []
    for _ in range(50):
        stream.late_s = 0.005 + float(rng.exponential(0.004))
        stream.deliver(1)
        moment_s = 500.0 + stream.sent / RATE  # of the sample just delivered
        errors.append((microphone.sample_at(moment_s) - stream.sent) / RATE)
    assert np.std(errors) < 20e-6
    assert np.mean(errors) == pytest.approx(-0.005, abs=1e-4)  # the latency that nobody can know


def test_stalled_stream_is_an_error(
    portaudio: type[FakeStream], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.devices.microphone.PATIENCE_S", 0.05)
    microphone, _ = opened()
    with pytest.raises(MicrophoneError, match="did not come"):
        microphone.take(5000, 480)
    monkeypatch.setattr(FakeStream, "start", lambda self: None)
    with pytest.raises(MicrophoneError, match="no sound comes"):
        StreamMicrophone(MicrophoneSettings()).open()


def test_unplugged_interface_is_told_at_once(portaudio: type[FakeStream]) -> None:
    microphone, stream = opened()
    threading.Timer(0.05, stream.options["finished_callback"]).start()
    with pytest.raises(MicrophoneGoneError, match="interface is gone"):
        microphone.take(50_000, 480)
    microphone.open()  # plugged in again
    FakeStream.made[-1].deliver(10)
    assert microphone.take(480, 480).samples[0, 0] == 480


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
