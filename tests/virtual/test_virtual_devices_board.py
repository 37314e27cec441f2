"""The Controller role on the virtual board: limits, stops, bad cables. No plate is needed."""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from rig.devices.link import LineController
from rig.devices.motion import move_time_s
from rig.devices.states import State
from rig.devices.transport import SerialTransport
from rig.model.errors import ControllerRefusedError, HaltedError, LinkError
from rig.model.frames import Pose
from rig.model.rig_settings import RigSettings, TapperSettings
from rig.virtual.bench import Bench
from rig.virtual.clock import VirtualClock
from rig.virtual.controller import FirmwareSettings, VirtualController
from rig.virtual.faults import HEALTHY, FaultSpec, FaultyLine
from rig.virtual.noise import NoiseSpec
from rig.virtual.tapping import Hammer
from rig.virtual.transport import VirtualTransport

SETTINGS = RigSettings()


class Rig:
    """Board, cable and controller on one clock."""

    def __init__(
        self,
        faults: FaultSpec = HEALTHY,
        *,
        settings: RigSettings = SETTINGS,
        gate: bool = True,
        seed: int = 1,
        speed: float = 0.0,
    ) -> None:
        self.settings = settings
        self.clock = VirtualClock(speed)
        rng = np.random.default_rng(seed)
        hammer = Hammer(speed_scatter=0.0, place_scatter_mm=0.0)
        self.bench = Bench(
            None, Pose(250, 120, 0, "outer"), hammer, NoiseSpec(), HEALTHY, rng,
            hammer_offset_mm=settings.tapper.offset_mm,
        )  # fmt: skip
        self.board = VirtualController(
            self.clock, self.bench, FirmwareSettings(has_gate=gate), np.random.default_rng(seed)
        )
        self.out = FaultyLine(faults, np.random.default_rng((seed, 1)))
        self.home = FaultyLine(faults, np.random.default_rng((seed, 2)))
        self.transport = VirtualTransport(self.clock, self.board, self.out, self.home)
        self.controller = LineController(self.transport, self.clock, settings)

    def ready(self) -> Rig:
        self.controller.open()
        self.controller.home()
        return self

    def go(self, x_mm: float, y_mm: float) -> None:
        self.controller.start_move(x_mm, y_mm)
        self.controller.wait_until_still()


def test_opening_tells_who_answers_and_homing_finds_the_corner() -> None:
    rig = Rig()
    info = rig.controller.open()
    assert (info.protocol, info.max_pulse_us, info.max_duty) == (1, 12_000, 0.1)
    assert rig.controller.position() is None
    rig.controller.home()
    assert rig.controller.position() == (0.0, 0.0)
    assert rig.board.state is State.IDLE


def test_moves_take_their_closed_form_time_and_end_where_told() -> None:
    rig = Rig().ready()
    speeds = rig.settings.controller
    here = (0.0, 0.0)
    for there in ((9.0, 0.0), (120.0, 340.0), (118.0, 341.5)):
        began = rig.clock.now_s()
        rig.go(*there)
        least = move_time_s(math.dist(here, there), speeds.speed_mm_s, speeds.acceleration_mm_s2)
        assert least <= rig.clock.now_s() - began < least + 0.01
        assert rig.controller.position() == there
        assert math.dist(rig.board.place_mm, there) < 1e-3
        here = there


def test_hammer_offset_is_between_plate_and_gantry() -> None:
    settings = replace(SETTINGS, tapper=TapperSettings(offset_mm=(12.0, -7.0)))
    rig = Rig(settings=settings).ready()
    rig.go(100.0, 100.0)
    assert rig.board.place_mm == pytest.approx((88.0, 107.0))
    assert rig.controller.position() == pytest.approx((100.0, 100.0))
    rig.controller.strike(3000)
    truth = rig.bench.truths[-1]
    assert rig.bench.pose.to_plate(np.array([[100.0, 100.0]]))[0] == pytest.approx(
        (truth.x_mm, truth.y_mm)
    )


@pytest.mark.parametrize("place", [(-0.5, 10.0), (10.0, 600.5), (900.0, 900.0)])
def test_nothing_moves_outside_the_limits(place: tuple[float, float]) -> None:
    rig = Rig().ready()
    with pytest.raises(ControllerRefusedError, match="limits"):
        rig.controller.start_move(*place)
    assert rig.board.place_mm == (0.0, 0.0)


def test_neither_move_nor_strike_before_homing() -> None:
    rig = Rig()
    rig.controller.open()
    with pytest.raises(ControllerRefusedError, match="homed"):
        rig.controller.start_move(10.0, 10.0)
    with pytest.raises(ControllerRefusedError, match="homed"):
        rig.controller.strike(3000)


def test_no_strike_on_the_way() -> None:
    rig = Rig().ready()
    rig.controller.start_move(300.0, 300.0)
    with pytest.raises(ControllerRefusedError, match="moving"):
        rig.controller.strike(3000)


def test_strike_returns_time_and_speed() -> None:
    rig = Rig().ready()
    rig.go(250.0, 60.0)  # beside the plate: nothing rebounds
    first, second = rig.controller.strike(3000), rig.controller.strike(6000)
    assert second.pulse_time_us > first.pulse_time_us
    assert first.strike_speed_m_s == pytest.approx(0.5, rel=0.02)
    assert second.strike_speed_m_s == pytest.approx(0.5 * 2**1.26, rel=0.02)
    assert first.rebound_speed_m_s is None
    assert Rig(gate=False).ready().controller.strike(3000).strike_speed_m_s is None


def test_pulse_too_long_is_refused_and_duty_cycle_is_waited_for() -> None:
    rig = Rig(gate=False).ready()
    with pytest.raises(ControllerRefusedError, match="long"):
        rig.controller.strike(12_001)
    began = rig.clock.now_s()
    for _ in range(5):
        rig.controller.strike(10_000)
    assert rig.clock.now_s() - began >= 4 * 0.1  # 10 ms at 10 %
    assert rig.board.counts["strikes"] == 5


def test_silence_during_a_motion_halts() -> None:
    rig = Rig().ready()
    rig.controller.start_move(400.0, 500.0)
    rig.clock.sleep_s(1.0)  # the computer hangs
    assert rig.board.state is State.HALTED
    assert rig.board.counts["heartbeats_lost"] == 1
    moved = math.dist(rig.board.place_mm, (0.0, 0.0))
    assert moved < 150.0 * 0.25
    with pytest.raises(HaltedError, match="silent"):
        rig.controller.wait_until_still()
    assert rig.controller.position() is None
    rig.controller.home()
    rig.go(10.0, 10.0)


def test_silence_at_rest_is_no_fault() -> None:
    rig = Rig().ready()
    rig.clock.sleep_s(300.0)
    rig.go(20.0, 20.0)


def test_halt_button_stops_the_motion_and_must_be_released() -> None:
    rig = Rig().ready()
    rig.controller.start_move(400.0, 500.0)
    rig.clock.at(rig.clock.now_s() + 0.8, lambda: rig.board.press_halt(True))
    with pytest.raises(HaltedError, match="button"):
        rig.controller.wait_until_still()
    place = rig.board.place_mm
    with pytest.raises(HaltedError, match="button"):
        rig.controller.home()
    rig.clock.sleep_s(0.5)
    assert rig.board.place_mm == place
    rig.board.press_halt(False)
    rig.controller.home()
    assert rig.controller.position() == (0.0, 0.0)


def test_limit_switch_on_the_way_halts() -> None:
    rig = Rig().ready()
    rig.controller.start_move(400.0, 500.0)
    rig.clock.at(rig.clock.now_s() + 0.3, rig.board.touch_limit)
    with pytest.raises(HaltedError, match="limit switch"):
        rig.controller.wait_until_still()


def test_halt_from_another_thread_ends_a_motion_at_once() -> None:
    rig = Rig(speed=1.0)
    rig.controller.open()
    rig.board._place = (5.0, 5.0)  # a short way home
    rig.controller.home()
    rig.controller.start_move(400.0, 500.0)
    timer = threading.Timer(0.3, rig.controller.halt)
    timer.start()
    with pytest.raises(HaltedError):
        rig.controller.wait_until_still()
    timer.join()
    assert rig.board.state is State.HALTED
    assert math.dist(rig.board.place_mm, (0.0, 0.0)) < 150.0
    with pytest.raises(HaltedError):
        rig.controller.strike(3000)


def test_halt_just_after_the_strike_command_keeps_the_hammer_back() -> None:
    rig = Rig(gate=False).ready()
    rig.clock.at(rig.clock.now_s() + 0.0018, lambda: rig.board.press_halt(True))
    rig.controller.strike(3000)
    with pytest.raises(HaltedError):
        rig.controller.start_move(1.0, 1.0)
    assert rig.board.counts["strikes"] == 1
    assert not rig.bench.truths


def test_pulled_cable_is_a_link_error_and_close_never_fails() -> None:
    rig = Rig().ready()
    rig.controller.start_move(400.0, 500.0)
    rig.clock.at(rig.clock.now_s() + 0.2, rig.transport.unplug)
    with pytest.raises(LinkError, match="broke off"):
        rig.controller.wait_until_still()
    rig.controller.halt()
    rig.controller.close()
    rig.controller.close()


def test_restarted_board_is_noticed() -> None:
    rig = Rig().ready()
    rig.board.power_up()
    with pytest.raises(LinkError, match="restarted"):
        rig.controller.start_move(10.0, 10.0)
    assert rig.controller.position() is None


def test_mute_board_is_a_link_error() -> None:
    rig = Rig(FaultSpec(line_lost=1.0))
    with pytest.raises(LinkError, match="does not answer"):
        rig.controller.open()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_bad_cable_never_makes_a_double_strike_or_move(seed: int) -> None:
    """2 % lost, 2 % garbled, 2 % doubled, 2 % delayed, each way."""
    faults = FaultSpec(
        line_lost=0.02, line_garbled=0.02, line_doubled=0.02, line_delayed=0.02, delay_s=0.3
    )
    rig = Rig(faults, gate=seed != 2, seed=seed).ready()
    rng = np.random.default_rng(seed)
    times = []
    here = (0.0, 0.0)
    for _ in range(250):
        here = tuple(float(v) for v in np.round(rng.uniform(0.0, 60.0, 2), 3))
        rig.go(*here)
        assert math.dist(rig.board.place_mm, here) < 1e-3
        times.append(rig.controller.strike(3000).pulse_time_us)
    assert rig.board.counts["moves"] == 250
    assert rig.board.counts["strikes"] == 250
    assert rig.board.counts["heartbeats_lost"] == 0
    assert len(rig.bench.truths) == 250
    assert all(b > a for a, b in pairwise(times))
    for line in (rig.out, rig.home):
        assert min(line.counts.values()) > 5  # the cable was bad indeed


@contextmanager
def board_on_a_terminal() -> Iterator[tuple[VirtualController, str]]:
    """A virtual board in real time behind a pseudo-terminal."""
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    clock = VirtualClock(1.0)
    bench = Bench(
        None, Pose(250, 120, 0, "outer"), Hammer(), NoiseSpec(), HEALTHY, np.random.default_rng(1)
    )
    board = VirtualController(clock, bench, FirmwareSettings(), np.random.default_rng(1))
    board._place = (1.0, 1.0)
    board.send = lambda data: os.write(master, data) and None
    os.set_blocking(master, False)
    done = threading.Event()

    def live() -> None:
        while not done.is_set():
            with suppress(BlockingIOError):
                board.receive(os.read(master, 256))
            clock.sleep_s(0.002)

    thread = threading.Thread(target=live)
    board.power_up()
    thread.start()
    try:
        yield board, os.ttyname(slave)
    finally:
        done.set()
        thread.join()
        os.close(master)
        os.close(slave)


def test_serial_port_through_pyserial() -> None:
    from rig.devices.clock import SystemClock

    with board_on_a_terminal() as (board, port):
        controller = LineController(SerialTransport(port, 250_000), SystemClock(), SETTINGS)
        assert controller.open().firmware == "platerig-virtual-1"
        controller.home()
        controller.start_move(20.0, 10.0)
        controller.wait_until_still()
        assert controller.position() == (20.0, 10.0)
        assert controller.strike(3000).pulse_time_us > 0
        controller.halt()
        assert board.state is State.HALTED
        controller.close()


def test_port_that_is_not_there_is_named() -> None:
    with pytest.raises(LinkError, match="cannot be opened") as caught:
        SerialTransport("/dev/no-such-port", 250_000).open()
    assert "/dev/no-such-port" in str(caught.value)
