"""The Microphone role on a sound interface, through PortAudio."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.devices.ring_buffer import LossMeter, SampleRing
from rig.model.clip import Clip
from rig.model.errors import MicrophoneError
from rig.model.rig_settings import MicrophoneSettings

if TYPE_CHECKING:
    import sounddevice

BUFFER_S = 20.0
PATIENCE_S = 2.0  # callbacks come in bursts; longer silence means that the stream has stalled


def channel_count(settings: MicrophoneSettings) -> int:
    """Channels to open so that both roles are among them."""
    return 1 + max(settings.mic_channel, settings.pickup_channel or 0)


class StreamMicrophone:
    """One input stream for a whole scan; 24-bit integers as the interface gives them."""

    def __init__(self, settings: MicrophoneSettings) -> None:
        self._settings = settings
        self._ring = SampleRing(channel_count(settings), int(BUFFER_S * settings.rate_hz))
        self._meter = LossMeter(settings.rate_hz)
        self._stream: sounddevice.InputStream | None = None

    def open(self) -> None:
        """Start the stream and see that sound comes."""
        try:
            import sounddevice
        except OSError as error:  # the wheel brings no PortAudio on Linux
            raise MicrophoneError(
                f"The sound library cannot be loaded: {error}.",
                remedy="Install PortAudio (Debian: libportaudio2).",
            ) from error
        settings = self._settings
        try:
            self._stream = sounddevice.InputStream(
                device=settings.device,
                channels=channel_count(settings),
                samplerate=settings.rate_hz,
                dtype="int32",
                callback=self._take_block,
            )
            self._stream.start()
        except (sounddevice.PortAudioError, ValueError) as error:
            raise MicrophoneError(
                f"The sound stream cannot be opened: {error}.",
                where=str(settings.device or "default input"),
                remedy="See `platerig devices` for the inputs there are and their channels.",
            ) from error
        if not self._ring.wait_for(1, PATIENCE_S):
            raise MicrophoneError(
                "The sound stream is open but no sound comes.",
                where=str(settings.device or "default input"),
            )

    def position_samples(self) -> int:
        """Samples so far, lost ones included."""
        return self._ring.newest

    def take(self, first_sample: int, count: int) -> Clip:
        """Wait for a stretch of the stream and return it."""
        missing = first_sample + count - self._ring.newest
        self._ring.wait_for(
            first_sample + count, PATIENCE_S + max(0, missing) / self._settings.rate_hz
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

    def _take_block(self, block: np.ndarray, _frames: int, moment: Any, status: Any) -> None:
        """PortAudio's thread: copy, count, return."""
        captured_s = float(moment.inputBufferAdcTime)
        overflow = bool(status.input_overflow)
        if math.isfinite(captured_s) and captured_s > 0.0:
            lost = self._meter.lost(self._ring.newest, captured_s, overflow=overflow)
        else:
            lost = 0
        if lost or overflow:
            self._ring.mark_gap(lost)
        self._ring.append(block >> 8)  # PortAudio puts the 24 bits at the top of 32
