"""Least time, remaining time, and the way from clocks to samples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.devices.motion import move_time_s
from rig.model.rig_settings import RigSettings
from rig.scan.pace import Pace, floor_of, leg_s
from rig.scan.timing import PulseClock, SampleClock

SETTINGS = RigSettings()


def test_floor_is_move_and_settle_and_record() -> None:
    places = [(90.0, 120.0), (99.0, 120.0), (99.0, 120.0)]
    floors = floor_of((0.0, 0.0), places, SETTINGS)
    record = SETTINGS.microphone.record_s
    settle = SETTINGS.controller.settle_s
    assert floors[0] == pytest.approx(move_time_s(150.0, 150.0, 1500.0) + settle + record)
    assert floors[1] == pytest.approx(2 * math.sqrt(9.0 / 1500.0) + settle + record)
    assert floors[2] == pytest.approx(record)  # a repeat needs no way
    assert leg_s((1.0, 1.0), (1.0, 1.0), SETTINGS) == 0.0


def test_remaining_time_follows_the_recent_pace_and_the_way_that_is_left() -> None:
    floors = [0.5] * 100 + [1.5] * 50  # the last rows are far apart
    pace = Pace(floors)
    assert pace.remaining_s() is None
    for number in range(100):
        slow = number < 60  # a virus scan, long over
        pace.strike_done(5.0 if slow else 0.55)
    remaining = pace.remaining_s()
    assert remaining == pytest.approx(50 * 1.5 * 1.1, rel=1e-6)
    plain_average = (60 * 5.0 + 40 * 0.55) / 100 * 50
    assert abs(plain_average - 82.5) > 50  # what a plain average would have said
    assert pace.remaining_s(retakes_due=4) == pytest.approx(82.5 + 4 * 0.55)


def test_sample_clock_takes_the_least_delayed_count() -> None:
    rng = np.random.default_rng(3)
    clock = SampleClock(48_000)
    for number in range(60):
        now_s = 100.0 + 0.6 * number
        delay_s = 0.004 + rng.uniform(0.0, 0.02)  # blocks, bursts
        clock.observe(now_s, int(48_000 * (now_s - 90.0 - delay_s)))
    late = 48_000 * (140.0 - 90.0) - clock.sample_at(140.0)
    assert 0.0035 * 48_000 < late < 0.0065 * 48_000


def test_sample_clock_follows_a_drift() -> None:
    clock = SampleClock(48_000)
    for number in range(2000):  # 20 minutes at 100 ppm
        now_s = 0.6 * number
        clock.observe(now_s, int(48_000 * now_s * (1 + 1e-4)))
    assert abs(clock.sample_at(1200.0) - 48_000 * 1200.0 * (1 + 1e-4)) < 100


def test_pulse_clock_takes_the_quickest_answer() -> None:
    rng = np.random.default_rng(4)
    clock = PulseClock()
    errors = []
    for number in range(40):
        pulse_s = 50.0 + 0.6 * number
        t_us = round(1e6 * (pulse_s - 20.0))
        delay_s = 0.001 + (0.1 if number % 5 == 3 else 0.0) + rng.uniform(0.0, 0.002)
        errors.append(clock.moment_s(t_us, pulse_s + delay_s) - pulse_s)
    assert max(errors[1:]) < 0.0035  # also right after an answer that had to be repeated
    assert min(errors) > 0.0005
