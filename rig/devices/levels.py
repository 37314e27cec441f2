"""Levels of the sound channels, and which way to turn the gain. Pure arithmetic.

Levels are in dB against full scale. A light strike should peak between −26 and −8 dB: a firm one
comes about 8 dB louder, and the best 24-bit interfaces have their noise near −100 dB.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.model.clip import Clip
from rig.model.units import FloatArray

GOAL_DB = -16.0
LOUDEST_DB = -8.0
SOFTEST_DB = -26.0
LEAST_ABOVE_NOISE_DB = 30.0
HEARD_ABOVE_NOISE_DB = 20.0  # noise alone peaks 13 dB above its rms, a hammer's click more
CLIPPED = 0.999
SILENT_DB = -138.0
LARGE_OFFSET = 0.05
SAME = 0.9995


@dataclass(frozen=True)
class ChannelLevel:
    """One channel: loudest strike's peak, noise rms, samples clipped, constant offset (0…1)."""

    role: str
    channel: int
    peak_db: float
    noise_db: float
    clipped: int
    offset: float

    @property
    def above_noise_db(self) -> float:
        """Peak of the strikes over the rms of the noise."""
        return self.peak_db - self.noise_db


@dataclass(frozen=True)
class Advice:
    """Whether a channel will do, what was found, and what to do about it."""

    good: bool
    found: str
    remedy: str = ""


def decibels(amplitude: float) -> float:
    """Level of an amplitude, full scale = 1; never below −140 dB."""
    return 20.0 * math.log10(max(amplitude, 1e-7))


def channel_level(
    role: str, channel: int, quiet: FloatArray, strikes: Sequence[FloatArray]
) -> ChannelLevel:
    """Measure one channel. quiet: (n,) with nothing going on; strikes: one (n,) each, or none."""
    offset = float(np.mean(quiet)) if len(quiet) else 0.0
    noise = float(np.std(quiet)) if len(quiet) else 0.0
    peaks = [float(np.max(np.abs(strike - offset))) for strike in strikes if len(strike)]
    return ChannelLevel(
        role=role,
        channel=channel,
        peak_db=decibels(max(peaks, default=0.0)),
        noise_db=decibels(noise),
        clipped=sum(int(np.sum(np.abs(strike) >= CLIPPED)) for strike in strikes),
        offset=offset,
    )


def advice(level: ChannelLevel) -> Advice:
    """What to do about a channel after a few light strikes."""
    name = f"{level.role} (channel {level.channel})"
    found = f"{name}: strikes peak at {level.peak_db:.0f} dB, noise {level.noise_db:.0f} dB"
    if level.peak_db <= SILENT_DB and level.noise_db <= SILENT_DB:
        return Advice(
            False,
            f"{name}: nothing at all comes from it",
            f"Plug the {level.role} in, switch its supply on, or correct its channel in "
            "[microphone].",
        )
    if level.clipped:
        return Advice(
            False,
            f"{name}: {level.clipped} samples are clipped",
            "Turn its gain down by at least 12 dB and check again.",
        )
    if level.above_noise_db < HEARD_ABOVE_NOISE_DB:
        return Advice(
            False,
            f"{found}: the strikes are not heard",
            "See that the hammer reaches the plate, that the channel is the right one, and turn "
            "its gain up.",
        )
    if level.peak_db > LOUDEST_DB:
        down = math.ceil(level.peak_db - GOAL_DB)
        return Advice(
            False,
            f"{found}: too loud, a firm strike would clip",
            f"Turn its gain down by {down} dB.",
        )
    up = math.floor(GOAL_DB - level.peak_db)
    if level.above_noise_db < LEAST_ABOVE_NOISE_DB:
        more = f"turn its gain up by {up} dB, " if level.peak_db < SOFTEST_DB else ""
        return Advice(
            False,
            f"{found}: too near the noise",
            f"To get clear of the noise {more}look for fans, hum and loose plugs, or bring it "
            "nearer.",
        )
    if abs(level.offset) > LARGE_OFFSET:
        return Advice(
            False,
            f"{found}, and stands off zero by {100 * level.offset:.0f} % of full scale",
            "Look for a faulty preamplifier, or one that needs a coupling capacitor.",
        )
    if level.peak_db < SOFTEST_DB:
        return Advice(True, f"{found}: rather soft", f"Turn its gain up by {up} dB if you can.")
    return Advice(True, found)


def channels_confused(clip: Clip) -> Advice | None:
    """Signs that the two channels carry the same signal, or each other's; None: they do not."""
    pickup = clip.pickup
    if pickup is None:
        return None
    mic = clip.mic - np.mean(clip.mic)
    pickup = pickup - np.mean(pickup)
    power = math.sqrt(float(np.sum(mic**2) * np.sum(pickup**2)))
    if power > 0.0 and abs(float(np.sum(mic * pickup))) > SAME * power:
        return Advice(
            False,
            "both channels carry the same signal",
            "The interface mixes to mono, or microphone and pickup share one input.",
        )
    if _ring_share(pickup, clip.sample_rate_hz) > 4.0 * _ring_share(mic, clip.sample_rate_hz):
        return Advice(
            False,
            "microphone and pickup look swapped: the pickup's channel rings longer",
            "Swap mic_channel and pickup_channel in [microphone], or the plugs.",
        )
    return None


def _ring_share(signal: FloatArray, sample_rate_hz: int) -> float:
    """Energy 5 to 40 ms after the peak against that of the 2 ms round it."""
    peak = int(np.argmax(np.abs(signal)))
    ms = sample_rate_hz // 1000
    blow = signal[max(0, peak - ms) : peak + ms]
    later = signal[peak + 5 * ms : peak + 40 * ms]
    return float(np.sum(later**2)) / max(float(np.sum(blow**2)), 1e-30)
