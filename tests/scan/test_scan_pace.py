"""Least time and remaining time of a scan."""

from __future__ import annotations

import math

import pytest

from rig.devices.motion import move_time_s
from rig.model.rig_settings import RigSettings
from rig.scan.pace import Pace, floor_of, leg_s

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
