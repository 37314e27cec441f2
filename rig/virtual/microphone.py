"""The virtual sound interface: renders the bench's sound and hands it to the real ring buffer."""

from __future__ import annotations

import numpy as np

from rig.devices.microphone import BUFFER_S, channel_count
from rig.devices.ring_buffer import LossMeter, SampleRing
from rig.model.clip import Clip
from rig.model.errors import MicrophoneError
from rig.model.rig_settings import MicrophoneSettings
from rig.model.units import FloatArray
from rig.virtual.bench import Bench
from rig.virtual.clock import VirtualClock
from rig.virtual.noise import NoiseSpec, SteadyNoise, hum, pickup_noise, room_noise
from rig.virtual.world_spec import MIC_FULL_SCALE_PA, PICKUP_FULL_SCALE_N

BLOCK = 480
LATENCY_S = 0.004  # from the last sample of a block until the computer has it
OVERFLOW_BLOCKS = 6
FULL_SCALE = 2**23
MOTORS_PA = 0.01  # rms at 150 mm/s
MOTORS_N = 0.05
PATIENCE_S = 2.0


class VirtualMicrophone:
    """The Microphone role on a bench. Rig time decides how many samples there are."""

    def __init__(
        self,
        clock: VirtualClock,
        bench: Bench,
        settings: MicrophoneSettings,
        noise: NoiseSpec,
        seed: int,
    ) -> None:
        self._clock = clock
        self._bench = bench
        self._settings = settings
        self._noise = noise
        self._rate = settings.rate_hz
        self._channels = channel_count(settings)
        self._begin()
        self._start_s: float | None = None
        self._stalled = False
        self._room = room_noise(noise, seed)
        self._pickup = pickup_noise(noise, seed)
        self._motors = SteadyNoise(1.0, (seed, 13), slope_db=3.0, corner_hz=400.0)

    def _begin(self) -> None:
        """A stream of which nothing has been heard yet."""
        self._ring = SampleRing(self._channels, int(BUFFER_S * self._rate))
        self._meter = LossMeter(self._rate)
        self._rendered = 0  # samples that have existed, lost or not
        self._overflow_pending = False

    def open(self) -> None:
        """Start the stream; what an earlier one held is gone."""
        if self._rendered:
            self._begin()
            self._bench.blows.clear()  # their places were told in the earlier stream
        self._start_s = self._bench.stream_start_s = self._clock.now_s()

    def position_samples(self) -> int:
        """Samples so far, lost ones included."""
        with self._clock.lock:
            self._render_until_now()
            return self._ring.newest

    def sample_at(self, moment_s: float) -> float:
        """Sample captured at a rig moment, early by the latency of the stream."""
        return (moment_s - (self._start_s or 0.0) - LATENCY_S) * self._rate

    def take(self, first_sample: int, count: int) -> Clip:
        """Wait in rig time for a stretch of the stream and return it."""
        if self._start_s is None:
            raise MicrophoneError("The sound stream is not open.", where="virtual microphone")
        end = first_sample + count
        there_s = self._start_s + -(-end // BLOCK) * BLOCK / self._rate + LATENCY_S
        wait_s = there_s - self._clock.now_s()
        if wait_s > 0.0:
            self._clock.sleep_s(wait_s)
        with self._clock.lock:
            self._render_until_now()
        if self._stalled:
            self._clock.sleep_s(PATIENCE_S)
        return Clip(
            samples=self._ring.copy(first_sample, count),
            sample_rate_hz=self._rate,
            full_scale=FULL_SCALE,
            mic_channel=self._settings.mic_channel,
            pickup_channel=self._settings.pickup_channel,
        )

    def close(self) -> None:
        """Stop the stream."""
        self._start_s = None

    def stall(self, stalled: bool = True) -> None:
        """Pull the interface's plug, or put it back."""
        with self._clock.lock:
            self._render_until_now()
            self._stalled = stalled

    # -- rendering ---------------------------------------------------------------------------

    def _render_until_now(self) -> None:
        """Bring the stream up to the present rig moment, a block at a time."""
        if self._start_s is None:
            return
        elapsed_s = self._clock.now_s() - self._start_s - LATENCY_S
        blocks = int((elapsed_s * self._rate + 1e-6) // BLOCK) - self._rendered // BLOCK
        if blocks <= 0:
            return
        first, count = self._rendered, blocks * BLOCK
        self._rendered += count
        if self._stalled:
            return
        longest = int(BUFFER_S * self._rate)
        if count > longest:  # nobody can ask for it any more
            self._ring.mark_gap(count - longest)
            first, count = first + count - longest, longest
        block = self._quantised(*self._render(first, count))
        in_step = self._ring.newest == first and not self._overflow_pending
        if in_step and not self._bench.overflows:
            self._meter.lost(first, first / self._rate, overflow=False)
            self._ring.append(block)  # nothing lost, nothing to lose: all at once
            self._bench.forget_before((self._start_s or 0.0) + first / self._rate - 0.5)
            return
        for start in range(0, count, BLOCK):
            if self._is_lost((first + start) / self._rate):
                self._overflow_pending = True
                continue
            captured_s = (first + start) / self._rate
            lost = self._meter.lost(self._ring.newest, captured_s, overflow=self._overflow_pending)
            if lost or self._overflow_pending:
                self._ring.mark_gap(lost)
                self._overflow_pending = False
            self._ring.append(block[start : start + BLOCK])
        self._bench.forget_before((self._start_s or 0.0) + first / self._rate - 0.5)

    def _is_lost(self, stream_s: float) -> bool:
        """Whether an overflow swallows the block that begins here."""
        moment_s = (self._start_s or 0.0) + stream_s
        length_s = OVERFLOW_BLOCKS * BLOCK / self._rate
        return any(begin <= moment_s < begin + length_s for begin in self._bench.overflows)

    def _render(self, first: int, count: int) -> tuple[FloatArray, FloatArray]:
        """Sound of samples [first, first + count): Pa at the microphone, N at the pickup."""
        mic = self._room.samples(first, count) + hum(self._noise, first, count)
        pickup = self._pickup.samples(first, count)
        start_s = self._start_s or 0.0
        self._add_motions(first, start_s, mic, pickup)
        for blow in self._bench.blows:
            _add(mic, blow.mic, blow.first_sample - first)
            if blow.pickup is not None:
                _add(pickup, blow.pickup, blow.first_sample - first)
        return mic, pickup

    def _add_motions(self, first: int, start_s: float, mic: FloatArray, pickup: FloatArray) -> None:
        """Motors are heard in proportion to their speed."""
        for motion in self._bench.motions:
            begin, end = (
                (t - start_s) * self._rate - first for t in (motion.start_s, motion.end_s)
            )
            a, b = max(0, int(np.ceil(begin))), min(len(mic), int(np.ceil(end)))
            if a >= b:
                continue
            t = (np.arange(a, b) - begin) / self._rate
            ramp = motion.way.acceleration_mm_s2
            speed = np.minimum(ramp * t, ramp * np.maximum(motion.way.duration_s - t, 0.0))
            noise = self._motors.samples(first + a, b - a)
            noise = noise * np.minimum(motion.way.peak_mm_s, speed) / 150.0
            mic[a:b] += MOTORS_PA * noise
            pickup[a:b] += MOTORS_N * noise

    def _quantised(self, mic: FloatArray, pickup: FloatArray) -> np.ndarray:
        """24-bit integers of all channels, clipped where the converter clips; (n, channels)."""
        out = np.zeros((len(mic), self._channels), dtype=np.int32)
        out[:, self._settings.mic_channel] = _to_integers(mic / MIC_FULL_SCALE_PA)
        if self._settings.pickup_channel is not None:
            force = _to_integers(pickup / PICKUP_FULL_SCALE_N)
            out[:, self._settings.pickup_channel] = force
        return out


def _to_integers(signal: FloatArray) -> np.ndarray:
    return np.clip(np.round(signal * FULL_SCALE), -FULL_SCALE, FULL_SCALE - 1).astype(np.int32)


def _add(channel: FloatArray, sound: FloatArray, offset: int) -> None:
    """Add what of a sound falls into a stretch of the channel; it begins at sample `offset`."""
    a, b = max(0, offset), min(len(channel), offset + len(sound))
    if a < b:
        channel[a:b] += sound[a - offset : b - offset]
