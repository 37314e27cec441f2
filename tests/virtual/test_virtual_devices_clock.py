"""Rig time: passes only in waits, in order, at any speed."""

from __future__ import annotations

import threading
import time

import pytest

from rig.virtual.clock import VirtualClock


def test_happenings_come_in_order_and_at_their_moments() -> None:
    clock = VirtualClock(0)
    seen: list[tuple[str, float]] = []

    def note(name: str) -> None:
        seen.append((name, clock.now_s()))
        if name == "b":
            clock.at(clock.now_s() + 0.5, lambda: note("later"))

    for name, moment in (("c", 3.0), ("a", 1.0), ("b", 2.0)):
        clock.at(moment, lambda name=name: note(name))
    clock.sleep_s(10.0)
    assert seen == [("a", 1.0), ("b", 2.0), ("later", 2.5), ("c", 3.0)]
    assert clock.now_s() == 10.0


def test_wait_ends_as_soon_as_it_is_ready() -> None:
    clock = VirtualClock(0)
    box: list[int] = []
    clock.at(0.3, lambda: box.append(1))
    clock.at(0.4, lambda: box.append(2))
    assert clock.wait_for(lambda: bool(box), 5.0)
    assert clock.now_s() == 0.3
    assert box == [1]
    assert not clock.wait_for(lambda: len(box) > 2, 0.35)
    assert clock.now_s() == 0.35


@pytest.mark.parametrize("speed", [1.0, 20.0])
def test_rig_seconds_cost_real_time(speed: float) -> None:
    clock = VirtualClock(speed)
    began = time.monotonic()
    for _ in range(10):
        clock.sleep_s(0.02 * speed)
    assert time.monotonic() - began >= 0.18  # a little may be caught up


def test_slow_host_counts_as_rig_time_in_real_time_only_and_only_a_little() -> None:
    real, fast = VirtualClock(1.0), VirtualClock(20.0)
    for clock in (real, fast):
        clock.sleep_s(0.001)
    time.sleep(0.2)
    for clock in (real, fast):
        clock.sleep_s(0.001)
    assert 0.021 <= real.now_s() <= 0.0225
    assert fast.now_s() == pytest.approx(0.002)


def test_another_thread_can_put_something_on_the_agenda_of_a_sleeper() -> None:
    clock = VirtualClock(1.0)
    box: list[float] = []

    def other() -> None:
        time.sleep(0.05)
        clock.at(clock.now_s(), lambda: box.append(clock.now_s()))

    thread = threading.Thread(target=other)
    thread.start()
    began = time.monotonic()
    assert clock.wait_for(lambda: bool(box), 5.0)
    assert time.monotonic() - began < 3.0
    assert 0.02 < box[0] < 3.0
    thread.join()


def test_impossible_speeds_are_refused() -> None:
    for speed in (-1.0, float("nan")):
        with pytest.raises(ValueError, match="speed"):
            VirtualClock(speed)
