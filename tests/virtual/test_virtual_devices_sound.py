"""The virtual microphone: one continuous stream, whatever the pieces it is asked in."""

from __future__ import annotations

import numpy as np
import pytest

from rig.devices.motion import Trapezoid
from rig.model.errors import MicrophoneError
from rig.model.frames import Pose
from rig.model.rig_settings import MicrophoneSettings
from rig.virtual.bench import Bench
from rig.virtual.clock import VirtualClock
from rig.virtual.faults import FaultSpec
from rig.virtual.microphone import VirtualMicrophone
from rig.virtual.noise import NoiseSpec
from rig.virtual.tapping import Hammer

BESIDE = (250.0, 60.0)


def make(
    faults: FaultSpec | None = None, noise: NoiseSpec | None = None
) -> tuple[VirtualClock, Bench, VirtualMicrophone]:
    clock = VirtualClock(0)
    noise = noise or NoiseSpec()
    bench = Bench(
        None, Pose(250, 120, 0, "outer"), Hammer(), noise, faults or FaultSpec(),
        np.random.default_rng(1),
    )  # fmt: skip
    microphone = VirtualMicrophone(clock, bench, MicrophoneSettings(), noise, 7)
    return clock, bench, microphone


def test_samples_are_24_bit_integers_in_step_with_rig_time() -> None:
    clock, _, microphone = make()
    clock.sleep_s(1.234)
    microphone.open()
    clip = microphone.take(0, 4800)
    assert clip.samples.shape == (4800, 2)
    assert clip.samples.dtype == np.int32
    assert clip.full_scale == 2**23
    assert np.abs(clip.samples).max() < 2**23
    assert 0.1 < clock.now_s() - 1.234 < 0.12
    clock.sleep_s(0.5)
    assert 0.0 <= 48_000 * (clock.now_s() - 1.234) - microphone.position_samples() < 480 + 200


def test_the_stream_is_the_same_in_any_pieces() -> None:
    streams = []
    for pieces in ([24_000], [777] * 30 + [690]):
        _, bench, microphone = make()
        microphone.open()
        bench.motion_started(0.05, Trapezoid(9.0, 150.0, 1500.0))
        bench.strike(0.31, BESIDE, 3000)
        first, got = 0, []
        for count in pieces:
            got.append(microphone.take(first, count).samples)
            first += count
        streams.append(np.concatenate(got))
    assert np.abs(streams[0].astype(int) - streams[1]).max() <= 1  # rounding of sums


def test_motors_and_hammer_are_heard_when_they_act() -> None:
    _, bench, microphone = make(noise=NoiseSpec(room_pa=0.0005, hum_pa=0.0))
    microphone.open()
    bench.motion_started(0.2, Trapezoid(15.0, 150.0, 1500.0))  # until 0.4 s
    bench.strike(0.6, BESIDE, 3000)
    mic = microphone.take(0, 48_000).mic

    def loud(begin_s: float, end_s: float) -> float:
        return float(np.std(mic[int(48_000 * begin_s) : int(48_000 * end_s)]))

    quiet = loud(0.0, 0.19)
    assert loud(0.28, 0.32) > 5 * quiet
    assert loud(0.42, 0.59) < 2 * quiet
    assert loud(0.605, 0.62) > 5 * quiet


def test_overflow_loses_samples_but_keeps_the_count() -> None:
    clock, bench, microphone = make(FaultSpec(sound_overflow=1.0))
    microphone.open()
    clock.sleep_s(0.5)
    bench.strike(0.5, BESIDE, 3000)
    with pytest.raises(MicrophoneError, match="lost"):
        microphone.take(int(0.48 * 48_000), 15_360)
    later = microphone.take(int(1.5 * 48_000), 4800)
    assert len(later.samples) == 4800
    clock.sleep_s(1.0)
    assert 0 <= 48_000 * clock.now_s() - microphone.position_samples() < 480 + 200


def test_too_old_and_never_coming() -> None:
    clock, _, microphone = make()
    with pytest.raises(MicrophoneError, match="not open"):
        microphone.take(0, 100)
    microphone.open()
    clock.sleep_s(60.0)
    with pytest.raises(MicrophoneError, match="no longer"):
        microphone.take(48_000, 4800)
    microphone.stall()
    with pytest.raises(MicrophoneError, match="did not come"):
        microphone.take(61 * 48_000, 4800)
