"""The virtual sound interface: renders the bench's sound and hands it to the real ring buffer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.devices.microphone import BUFFER_S, channel_count
from rig.devices.ring_buffer import LossMeter, SampleRing
from rig.model.clip import Clip
from rig.model.errors import MicrophoneError
from rig.model.rig_settings import MicrophoneSettings
from rig.model.units import FloatArray
from rig.virtual.bench import Bench
from rig.virtual.clock import VirtualClock

BLOCK = 480
LATENCY_S = 0.004  # from the last sample of a block until the computer has it
OVERFLOW_BLOCKS = 6
LOOP = 2**20  # background noise repeats after this many samples (22 s)
FULL_SCALE = 2**23
PATIENCE_S = 2.0
_TAPS = np.arange(-24.0, 24.0)  # fractional delay filter


@dataclass(frozen=True)
class Surroundings:
    """What else is heard, and how sound becomes numbers. Levels are rms."""

    room_pa: float = 0.0012  # about 36 dB re 20 µPa
    hum_pa: float = 0.0004
    hum_hz: float = 50.0
    motion_pa: float = 0.01  # gantry at 150 mm/s
    pickup_noise_n: float = 0.003
    mic_full_scale_pa: float = 20.0
    pickup_full_scale_n: float = 200.0


ClackMaker = Callable[[float], FloatArray]  # pulse length in µs → (n,) Pa from the pulse's start


def no_clack(_pulse_us: float) -> FloatArray:
    """A solenoid that cannot be heard."""
    return np.zeros(0)


class VirtualMicrophone:
    """The Microphone role on a bench. Rig time decides how many samples there are."""

    def __init__(
        self,
        clock: VirtualClock,
        bench: Bench,
        settings: MicrophoneSettings,
        rng: np.random.Generator,
        *,
        surroundings: Surroundings | None = None,
        clack: ClackMaker = no_clack,
    ) -> None:
        self._clock = clock
        self._bench = bench
        self._settings = settings
        self._around = surroundings or Surroundings()
        self._clack = clack
        self._rate = settings.rate_hz
        self._channels = channel_count(settings)
        self._ring = SampleRing(self._channels, int(BUFFER_S * self._rate))
        self._meter = LossMeter(self._rate)
        self._rendered = 0  # samples that have existed, lost or not
        self._overflow_pending = False
        self._start_s: float | None = None
        self._stalled = False
        self._mic_loop = _coloured_noise(rng, LOOP, self._rate) * self._around.room_pa
        self._motion_loop = _coloured_noise(rng, LOOP, self._rate, low_hz=150.0)
        self._pickup_loop = rng.standard_normal(LOOP).astype(np.float32)
        self._hum_phases = rng.uniform(0.0, 2.0 * np.pi, 4)
        self._hum_loop = self._render_hum_loop()

    def open(self) -> None:
        """Start the stream."""
        self._start_s = self._clock.now_s()

    def position_samples(self) -> int:
        """Samples so far, lost ones included."""
        with self._clock.lock:
            self._render_until_now()
            return self._ring.newest

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
        for start in self._kept_blocks(first, count):
            captured_s = (first + start) / self._rate
            lost = self._meter.lost(self._ring.newest, captured_s, overflow=self._overflow_pending)
            if lost or self._overflow_pending:
                self._ring.mark_gap(lost)
            self._overflow_pending = False
            self._ring.append(block[start : start + BLOCK])
        self._bench.forget_before(self._start_s + first / self._rate - 0.5)

    def _kept_blocks(self, first: int, count: int) -> list[int]:
        """Starts of the blocks that are not lost to an overflow."""
        kept = []
        for start in range(0, count, BLOCK):
            begin_s = (self._start_s or 0.0) + (first + start) / self._rate
            lost = any(
                moment <= begin_s < moment + OVERFLOW_BLOCKS * BLOCK / self._rate
                for moment in self._bench.overflows
            )
            if lost:
                self._overflow_pending = True
            else:
                kept.append(start)
        return kept

    def _render(self, first: int, count: int) -> tuple[FloatArray, FloatArray]:
        """Sound of samples [first, first + count): Pa at the microphone, N at the pickup."""
        places = np.arange(first, first + count)
        mic = self._mic_loop[places % LOOP].astype(np.float64)
        mic += self._hum_loop[places % len(self._hum_loop)]
        pickup = self._around.pickup_noise_n * self._pickup_loop[places % LOOP].astype(np.float64)
        start_s = self._start_s or 0.0
        self._add_motions(first, places / self._rate + start_s, mic, pickup)
        for moment_s, pulse_us in self._bench.clacks:
            sound = self._clack(float(pulse_us))
            _add(mic, sound, (moment_s - start_s) * self._rate - first)
        for blow in self._bench.blows:
            offset = (blow.start_s - start_s) * self._rate - first
            _add(mic, blow.mic, offset)
            _add(pickup, blow.pickup, offset)
        return mic, pickup

    def _add_motions(
        self, first: int, moments_s: FloatArray, mic: FloatArray, pickup: FloatArray
    ) -> None:
        """Motors are heard in proportion to their speed."""
        for motion in self._bench.motions:
            a, b = np.searchsorted(moments_s, (motion.start_s, motion.end_s))
            if a >= b:
                continue
            t = moments_s[a:b] - motion.start_s
            speed = np.minimum(
                np.minimum(motion.way.peak_mm_s, motion.way.acceleration_mm_s2 * t),
                motion.way.acceleration_mm_s2 * np.maximum(motion.way.duration_s - t, 0.0),
            )
            noise = self._motion_loop[(first + np.arange(a, b)) % LOOP] * (speed / 150.0)
            mic[a:b] += self._around.motion_pa * noise
            pickup[a:b] += 0.05 * noise

    def _quantised(self, mic: FloatArray, pickup: FloatArray) -> np.ndarray:
        """24-bit integers of all channels, clipped where the converter clips; (n, channels)."""
        around = self._around
        out = np.zeros((len(mic), self._channels), dtype=np.int32)
        out[:, self._settings.mic_channel] = _to_integers(mic / around.mic_full_scale_pa)
        if self._settings.pickup_channel is not None:
            force = _to_integers(pickup / around.pickup_full_scale_n)
            out[:, self._settings.pickup_channel] = force
        return out

    def _render_hum_loop(self) -> FloatArray:
        """Ten periods of mains hum with its first harmonics."""
        around = self._around
        t = np.arange(round(10 * self._rate / around.hum_hz)) / self._rate
        shares = (0.5, 1.0, 0.35, 0.2)
        hum = sum(
            share * np.sin(2.0 * np.pi * around.hum_hz * (k + 1) * t + phase)
            for k, (share, phase) in enumerate(zip(shares, self._hum_phases, strict=True))
        )
        return np.asarray(np.sqrt(2.0) * around.hum_pa * hum, dtype=np.float64)


def _to_integers(signal: FloatArray) -> np.ndarray:
    return np.clip(np.round(signal * FULL_SCALE), -FULL_SCALE, FULL_SCALE - 1).astype(np.int32)


def _add(channel: FloatArray, sound: FloatArray, offset: float) -> None:
    """Add a sound that begins at a fractional sample of the channel, band-limited.

    A Kaiser-windowed sinc moves it by the fraction of a sample, as a converter's sampling of the
    same sound at another instant would.
    """
    if len(sound) == 0 or offset >= len(channel) + 32 or offset + len(sound) < -32:
        return
    whole = int(np.floor(offset))
    fraction = offset - whole
    x = np.asarray(_TAPS - fraction, dtype=np.float64)
    kernel = np.sinc(x) * _kaiser(x)
    first = whole + int(_TAPS[0])  # where the filtered sound begins
    a, b = max(0, first), min(len(channel), first + len(sound) + len(kernel) - 1)
    if a >= b:
        return
    source_a = max(0, a - first - len(kernel) + 1)
    source_b = min(len(sound), b - first)
    part = np.convolve(sound[source_a:source_b], kernel)
    start = first + source_a
    lo, hi = max(a, start), min(b, start + len(part))
    channel[lo:hi] += part[lo - start : hi - start]


def _kaiser(x: FloatArray) -> FloatArray:
    inside = np.clip(1.0 - (x / 25.0) ** 2, 0.0, None)
    return np.asarray(np.i0(8.0 * np.sqrt(inside)) / np.i0(8.0), dtype=np.float64)


def _coloured_noise(
    rng: np.random.Generator, count: int, rate_hz: int, low_hz: float = 30.0
) -> np.ndarray:
    """Noise of unit rms that falls by 3 dB an octave above `low_hz`, periodic over `count`."""
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hz = np.fft.rfftfreq(count, 1.0 / rate_hz)
    spectrum *= np.sqrt(low_hz / np.maximum(hz, low_hz)) * np.minimum(hz / low_hz, 1.0) ** 2
    noise = np.fft.irfft(spectrum, count)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)), dtype=np.float32)
