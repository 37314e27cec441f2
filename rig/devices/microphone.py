"""The Microphone role on a sound interface, through PortAudio."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.devices.arrival_meter import ArrivalMeter
from rig.devices.audio_devices import choose_input, portaudio, sound_inputs
from rig.devices.clock import SystemClock
from rig.devices.ring_buffer import SampleRing
from rig.devices.roles import Clock
from rig.devices.sample_clock import StreamClock
from rig.model.clip import Clip
from rig.model.errors import MicrophoneError, MicrophoneGoneError
from rig.model.rig_settings import MicrophoneSettings

if TYPE_CHECKING:
    import sounddevice

BUFFER_S = 20.0
PATIENCE_S = 2.0  # callbacks come in bursts; longer silence means that the stream has stalled
LOOK_S = 0.1  # longest wait without a look whether the stream still lives
_TOP_BITS = 8  # PortAudio puts 24 bits at the top of 32


def channel_count(settings: MicrophoneSettings) -> int:
    """Channels to open so that both roles are among them."""
    return 1 + max(settings.mic_channel, settings.pickup_channel or 0)


class StreamMicrophone:
    """One input stream for a whole scan; 24-bit integers as the interface gives them.

    Samples are counted as they come. When blocks arrive tells what was lost, and which sample
    belongs to which moment; time stamps and status flags of the driver are not trusted.
    """

    def __init__(self, settings: MicrophoneSettings, clock: Clock | None = None) -> None:
        self._settings = settings
        self._clock = clock or SystemClock()
        self._stream: sounddevice.InputStream | None = None
        self._ended = threading.Event()
        self._moments_lock = threading.Lock()
        self._begin()

    def _begin(self) -> None:
        settings = self._settings
        self._ring = SampleRing(channel_count(settings), int(BUFFER_S * settings.rate_hz))
        self._meter = ArrivalMeter(settings.rate_hz)
        self._moments = StreamClock(settings.rate_hz)
        self._ended.clear()

    @property
    def _where(self) -> str:
        return str(self._settings.device or "default input")

    def open(self) -> None:
        """Start the stream and see that sound comes."""
        self.close()
        self._begin()
        settings = self._settings
        library = portaudio()
        try:
            self._stream = library.InputStream(
                device=self._device_index(),
                channels=channel_count(settings),
                samplerate=settings.rate_hz,
                dtype="int32",
                latency="high",
                callback=self._take_block,
                finished_callback=self._ended.set,
            )
            self._stream.start()
        except (library.PortAudioError, ValueError) as error:
            self.close()
            raise MicrophoneError(
                f"The sound stream cannot be opened: {error}.",
                where=self._where,
                remedy="See `platerig devices` for the inputs there are and their channels.",
            ) from error
        if not self._ring.wait_for(1, PATIENCE_S):
            self.close()
            raise MicrophoneError(
                "The sound stream is open but no sound comes.",
                where=self._where,
                remedy="See that the interface is switched on and that no other program holds it.",
            )

    def position_samples(self) -> int:
        """Samples so far, lost ones included."""
        return self._ring.newest

    def sample_at(self, moment_s: float) -> float:
        """Sample captured at a moment of the computer's clock; early by the stream's latency."""
        with self._moments_lock:
            return self._moments.sample_at(moment_s)

    def take(self, first_sample: int, count: int) -> Clip:
        """Wait for a stretch of the stream and return it."""
        end = first_sample + count
        self._wait_for(end)
        suspect = self._meter.suspect
        if suspect is not None and suspect < end:
            raise MicrophoneError(
                "Sound seems to have been lost during this strike: the stream lags.",
                where=f"samples {first_sample} to {end}",
                remedy="Close other programs; the strike will be repeated.",
            )
        return Clip(
            samples=self._ring.copy(first_sample, count),
            sample_rate_hz=self._settings.rate_hz,
            mic_channel=self._settings.mic_channel,
            pickup_channel=self._settings.pickup_channel,
        )

    def close(self) -> None:
        """Stop the stream."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None

    def _device_index(self) -> int | None:
        """PortAudio's number of the device; looked for once more where it was plugged in late."""
        wanted, channels = self._settings.device, channel_count(self._settings)
        if wanted is None:
            return None
        try:
            chosen = choose_input(wanted, channels, sound_inputs())
        except MicrophoneError:
            chosen = choose_input(wanted, channels, sound_inputs(refresh=True))
        return None if chosen is None else chosen.index

    def _wait_for(self, end: int) -> None:
        """Wait while the stream moves; raises MicrophoneGoneError when it has ended."""
        missing = max(0, end - self._ring.newest)
        deadline = time.monotonic() + PATIENCE_S + missing / self._settings.rate_hz
        while not self._ring.wait_for(end, LOOK_S):
            if self._stream is None or self._ended.is_set():
                raise MicrophoneGoneError(
                    "The sound stream has ended: the interface is gone.",
                    where=self._where,
                    remedy="Plug the sound interface in again, then resume the scan.",
                )
            if time.monotonic() > deadline:
                return  # the ring will say what is missing

    def _take_block(self, block: np.ndarray, _frames: int, _moment: Any, status: Any) -> None:
        """PortAudio's thread: copy, count, return."""
        now_s = self._clock.now_s()
        flagged = bool(status.input_overflow)
        counted = self._ring.newest + len(block)
        lost = self._meter.lost(counted, now_s, flagged=flagged)
        if lost or flagged:
            self._ring.mark_gap(lost, self._meter.since if lost else None)
        self._ring.append(block >> _TOP_BITS)
        with self._moments_lock:
            self._moments.observe(now_s, self._ring.newest)
