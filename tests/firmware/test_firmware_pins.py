"""What the pins of the reference firmware do, by the cycle."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from boards import SimulatedBoard, Talk, line

from rig.devices.motion import Trapezoid
from rig.devices.states import State

HALT = line(0, "HALT")
BYTE_S = 50e-6  # on the line, at most
FAST = "F15000.0"  # as fast as it goes


@pytest.fixture
def talk(pinned: SimulatedBoard) -> Talk:
    """A homed board with pins."""
    talk = Talk(pinned)
    talk.greet()
    talk.home()
    return talk


@pytest.fixture
def chip(built: Path) -> Iterator[Talk]:
    """A homed simulated ATmega328P."""
    board = SimulatedBoard("328p", built)
    talk = Talk(board)
    talk.greet()
    talk.home()
    yield talk
    board.close()


def pins_of(talk: Talk) -> SimulatedBoard:
    """The board behind a talk."""
    board = talk.board
    assert isinstance(board, SimulatedBoard)
    return board


def last_step_s(board: SimulatedBoard) -> float:
    """When the latest step was made."""
    return board.counts()[8] / 16e6


def test_solenoid_and_motors_are_off_until_asked_for(pinned: SimulatedBoard) -> None:
    pinned.run(0.5)
    assert pinned.pins.pulses == []
    assert pinned.pins.hammer_on is None
    assert pinned.pins.motors == []
    talk = Talk(pinned)
    talk.greet()
    assert pinned.pins.motors == []
    talk.home()
    assert [on for _, on in pinned.pins.motors] == [True]
    pinned.reset()
    pinned.run(0.2)
    assert [on for _, on in pinned.pins.motors] == [True, False]
    assert pinned.pins.pulses == []


def test_pulses_are_as_long_as_asked_and_told_when_they_began(talk: Talk) -> None:
    board = pins_of(talk)
    offsets_us = []
    for pulse_us in (100, 237, 1000, 3000, 6001, 12_000):
        answer = talk.ask("STRIKE", f"U{pulse_us}")
        assert answer[0] == "OK"
        board.run(0.13)
        start_s, end_s = board.pins.pulses[-1]
        assert 1e6 * (end_s - start_s) == pytest.approx(pulse_us, abs=10.0)
        offsets_us.append(1e6 * start_s - float(answer[1][1:]))
    assert len(board.pins.pulses) == 6
    assert np.ptp(offsets_us) < 4.0


def test_longest_pulse_per_duty_on_the_pin(talk: Talk) -> None:
    board = pins_of(talk)
    for pulse_us in (12_000, 5000, 300, 12_000, 100):
        while talk.ask("STRIKE", f"U{pulse_us}")[0] == "NO":
            board.run(0.001)
        board.run(0.013)
    pulses = np.array(board.pins.pulses)
    assert len(pulses) == 5
    length_s, apart_s = pulses[:-1, 1] - pulses[:-1, 0], np.diff(pulses[:, 0])
    assert (apart_s >= 9.999 * length_s).all()
    assert (apart_s < 10.0 * length_s + 0.025).all()  # and not refused for longer than it takes


@pytest.mark.parametrize("ahead", [0, 3])
def test_halt_line_ends_pulse_and_motion(talk: Talk, ahead: int) -> None:
    board = pins_of(talk)
    strike = talk.codec.command("STRIKE", "U12000")[1]
    waiting = b"".join(talk.codec.command("STATUS")[1] for _ in range(ahead))
    for number in talk.codec.outstanding:
        talk.codec.forget(number)
    board.send(strike)
    board.run(0.003)
    assert board.pins.hammer_on is not None
    began_s = board.now_s()
    board.send(waiting + HALT)
    board.run(0.02)
    heard_s = began_s + len(waiting + HALT) * BYTE_S
    assert board.pins.pulses[-1][1] < heard_s + 0.002
    assert talk.state() is State.HALTED


def test_halt_line_is_heard_even_by_a_program_that_hangs(talk: Talk) -> None:
    """The receiving interrupt knows the line; nothing has to be read from the buffer."""
    board = pins_of(talk)
    talk.send("STRIKE", "U12000")
    board.run(0.003)
    board.order("hang 0")
    began_s = board.now_s()
    board.send(HALT)
    board.run(0.02)
    assert board.pins.pulses[-1][1] < began_s + len(HALT) * BYTE_S + 0.001


def test_halt_line_ends_a_motion(talk: Talk) -> None:
    board = pins_of(talk)
    assert talk.ask("MOVE", "X300.0", "Y200.0", FAST)[0] == "OK"
    board.run(0.15)
    began_s = board.now_s()
    board.send(HALT)
    board.run(0.1)
    assert last_step_s(board) < began_s + len(HALT) * BYTE_S + 0.002
    assert board.pins.motors[-1][1] is False


@pytest.mark.parametrize("order", ["halt 1", "driver 1", "limit 1 1"])
def test_inputs_end_a_pulse_within_two_ms(talk: Talk, order: str) -> None:
    board = pins_of(talk)
    assert talk.ask("STRIKE", "U11000")[0] == "OK"
    board.run(0.0)
    assert board.pins.hammer_on is not None or talk.state() is State.IDLE
    talk.board.run(0.12)
    talk.send("STRIKE", "U12000")
    board.run(0.003)
    began_s = board.now_s()
    board.order(order)
    board.run(0.02)
    assert began_s < board.pins.pulses[-1][1] < began_s + 0.002


@pytest.mark.parametrize("order", ["halt 1", "driver 1", "limit 0 1"])
def test_inputs_end_a_motion_within_two_ms(talk: Talk, order: str) -> None:
    board = pins_of(talk)
    assert talk.ask("MOVE", "X300.0", "Y200.0", FAST)[0] == "OK"
    board.run(0.15)
    began_s = board.now_s()
    board.order(order)
    board.run(0.1)
    assert last_step_s(board) < began_s + 0.002
    assert board.pins.motors[-1][1] is False


def test_short_glitches_of_inputs_are_let_pass(talk: Talk) -> None:
    board = pins_of(talk)
    for _ in range(20):
        board.order("halt 1")
        board.run(0.0001)
        board.order("halt 0")
        board.run(0.00137)
    assert talk.state() is State.IDLE


@pytest.mark.parametrize("heartbeat_ms", [200, 500])
def test_silence_ends_a_motion(talk: Talk, heartbeat_ms: int) -> None:
    board = pins_of(talk)
    assert talk.ask("SET", f"H{heartbeat_ms}") == ("OK",)
    data = talk.send("MOVE", "X400.0", "Y300.0", "F6000.0")
    began_s = board.now_s()
    board.run(0.8)
    silent_s = last_step_s(board) - began_s - len(data) * 40e-6
    assert heartbeat_ms / 1000.0 - 0.01 < silent_s <= heartbeat_ms / 1000.0
    assert board.pins.motors[-1][1] is False


@pytest.mark.parametrize("interrupts_off", [0, 1])
def test_a_program_that_hangs_leaves_nothing_on(talk: Talk, interrupts_off: int) -> None:
    board = pins_of(talk)
    talk.send("STRIKE", "U12000")
    board.run(0.003)
    board.order(f"hang {interrupts_off}")
    board.run(0.2)
    start_s, end_s = board.pins.pulses[-1]
    assert 1e6 * (end_s - start_s) == pytest.approx(12_000, abs=10.0)  # the timer ended it
    assert board.pins.hammer_on is None
    assert len(board.pins.pulses) == 1
    assert len(board.pins.restarts) == 2
    assert board.pins.restarts[-1] < start_s + 0.15
    assert [x.words for x in talk.lines() if x.kind == "E"][-2:] == [
        ("READY", "P1", "platerig-reference-1"),
        ("HALTED", "C7"),
    ]
    again = Talk(board)
    again.greet(2)
    assert again.ask("STRIKE", "U3000") == ("NO", "8")
    again.home()


@pytest.mark.parametrize("interrupts_off", [0, 1])
def test_a_program_that_hangs_stops_moving(talk: Talk, interrupts_off: int) -> None:
    board = pins_of(talk)
    assert talk.ask("MOVE", "X400.0", "Y300.0", FAST)[0] == "OK"
    board.run(0.15)
    began_s = board.now_s()
    board.order(f"hang {interrupts_off}")
    board.run(0.3)
    assert last_step_s(board) < began_s + 0.15
    assert board.pins.motors[-1][1] is False
    assert talk.event("HALTED").words == ("HALTED", "C7")


def test_reset_in_a_pulse_and_in_a_motion(talk: Talk) -> None:
    board = pins_of(talk)
    talk.send("STRIKE", "U12000")
    board.run(0.003)
    began_s = board.now_s()
    board.reset()
    board.run(0.3)
    assert board.pins.pulses[-1][1] == pytest.approx(began_s, abs=1e-4)
    again = Talk(board)
    again.greet(2)
    again.home()
    assert again.ask("MOVE", "X400.0", "Y300.0", FAST)[0] == "OK"
    board.run(0.1)
    began_s = board.now_s()
    board.reset()
    board.run(0.3)
    assert last_step_s(board) <= began_s


def steps_of_a_move(talk: Talk, x: float, y: float, feed: float) -> np.ndarray:
    """Times, axes and directions of all steps of a move from the corner."""
    board = pins_of(talk)
    board.order("steps 1")
    board.pins.steps.clear()
    talk.move(x, y, feed)
    board.order("steps 0")
    return np.array(board.pins.steps)


@pytest.mark.parametrize(
    ("x", "y", "feed", "acceleration"),
    [
        (50.0, 0.0, 15_000.0, 4000.0),  # 20 kHz on one axis
        (60.0, 60.0, 15_000.0, 4000.0),  # 14 kHz on each of two
        (0.5, 0.2, 15_000.0, 4000.0),  # too short for its speed
        (3.0, 40.0, 3000.0, 500.0),
        (2.0, 1.0, 120.0, 10.0),  # slow: intervals longer than the timer
    ],
)
def test_steps_come_when_the_closed_form_says(
    talk: Talk, x: float, y: float, feed: float, acceleration: float
) -> None:
    assert talk.ask("SET", f"A{acceleration:.0f}", "H500") == ("OK",)
    steps = steps_of_a_move(talk, x, y, feed)
    length = float(np.hypot(x, y))
    way = Trapezoid(length, feed / 60.0, acceleration)
    longest = steps[steps[:, 1] == (0 if x >= y else 1)][:, 0]
    assert len(longest) == round(80.0 * max(x, y))
    assert len(steps) == round(80.0 * x) + round(80.0 * y)
    place = np.arange(1, len(longest) + 1) / len(longest) * length
    ramp_s = way.peak_mm_s / acceleration
    ramp_mm = 0.5 * acceleration * ramp_s**2
    left = np.maximum(0.0, length - place)
    ideal = np.where(
        place < ramp_mm,
        np.sqrt(2.0 * place / acceleration),
        np.where(
            left < ramp_mm,
            way.duration_s - np.sqrt(2.0 * left / acceleration),
            ramp_s + (place - ramp_mm) / way.peak_mm_s,
        ),
    )
    off = longest - ideal
    off -= off[0]
    slowest_s = float(np.max(np.diff(ideal, prepend=0.0)))
    assert np.abs(off).max() < 0.1 * slowest_s + 50e-6  # steps of a group are evenly spread
    assert off[-1] == pytest.approx(0.0, abs=0.0002 * way.duration_s + 50e-6)
    made = [np.cumsum(steps[:, 1] == axis) for axis in (0, 1)]
    beside = made[0] * y - made[1] * x  # twice the area beside the line, in steps · mm
    assert np.abs(beside).max() / length <= 1.0


def test_steps_keep_their_rate_while_the_computer_talks(chip: Talk) -> None:
    """20 kHz with the serial line full both ways: nothing lost, nothing late."""
    board = pins_of(chip)
    assert chip.ask("SET", "A4000", "H500") == ("OK",)
    board.order("steps 1")
    board.pins.steps.clear()
    chip.send("MOVE", "X200.0", "Y0.0", FAST)
    number = chip.number
    board.run(0.01)
    told = chip.lines()
    answered = began = 1
    while not any(x.words[0] == "STILL" for x in told):
        board.send(b"".join(line(number + began + k, "STATUS") for k in range(4)))
        began += 4
        while answered < began:
            board.run(0.0005)
            new = chip.lines()
            answered += sum(x.kind == "A" for x in new)
            told += new
    assert not any(x.kind == "R" for x in told)
    assert answered / (16_000 / 20_000) > 200.0  # lines a second meanwhile
    times = np.array([t for t, _, _ in board.pins.steps])
    assert len(times) == 16_000
    way = Trapezoid(200.0, 250.0, 4000.0)
    first_s = float(np.sqrt(2.0 * (1.0 / 80.0) / 4000.0))
    assert times[-1] - times[0] + first_s == pytest.approx(way.duration_s, abs=1e-4)
    cruise = np.diff(times)[2000:-2000]
    assert np.abs(cruise - 50e-6).max() < 20e-6
    assert board.counts()[-1] <= 120  # bytes that ever waited
    assert board.counts()[-2] >= 1.9 * 16  # shortest step pulse in cycles


def test_answers_and_the_end_of_a_motion_are_told_in_time(talk: Talk) -> None:
    """Answers within 20 ms, also at full speed; STILL within 5 ms of the last step."""
    board = pins_of(talk)
    assert talk.ask("SET", "A4000", "H500") == ("OK",)
    commands = (
        ("MOVE", "X150.0125", "Y149.9875", FAST),
        ("STATUS",),
        ("GATE", "N1"),
        ("MOVE", "X1.0", "Y1.0", FAST),
        ("SET", "A1234.5678", "H499.9999", "U11999.9999"),
        ("HELLO", "S1", "P1"),
    )
    for words in commands:
        talk.lines()
        data = talk.send(*words)
        began_s = board.now_s() + len(data) * 40e-6
        board.run(0.04)
        assert board.answers[0][0] < began_s + 0.02, words
    board.run(0.4)
    talk.ask("STATUS")
    talk.lines()
    board.run(0.45)
    told_s = next(t for t, data in board.answers if b"STILL" in data)
    assert 0.0 <= told_s - last_step_s(board) < 0.005 + 50 * BYTE_S


def test_homing_goes_slowly_and_ends_where_it_should(talk: Talk) -> None:
    board = pins_of(talk)
    counts = board.counts()
    assert counts[1:3] == pytest.approx([0.0, 0.0], abs=0.03)
    if board.has_z:
        assert counts[3] == pytest.approx(0.0, abs=0.03)
    for start in ("-2.5 -2.2 2.1", "-2.0 4.0 0.0", "0.5 -1.9 1.9"):  # on the switches, or nearly
        assert talk.ask("HALT") == ("OK",)
        board.order(f"place {start}")
        talk.home()
        assert board.counts()[1:3] == pytest.approx([0.0, 0.0], abs=0.03)


def test_homing_that_finds_no_switch_halts(built: Path) -> None:
    board = SimulatedBoard("host", built, place_mm=(900.0, 10.0, 0.0))
    talk = Talk(board)
    talk.greet()
    assert talk.ask("HOME") == ("OK",)
    assert talk.wait(lambda state: state is not State.HOMING) is State.HALTED
    assert talk.ask("STATUS")[-1] == "C6"
    assert board.counts()[1] == pytest.approx(900.0 - 510.0, abs=0.1)
    board.order("place 5 5 0")
    board.order("limit 0 1")  # a broken wire: touched for ever
    assert talk.ask("CLEAR") == ("OK",)
    assert talk.ask("HOME") == ("OK",)
    assert talk.wait(lambda state: state is not State.HOMING) is State.HALTED
    assert talk.ask("STATUS")[-1] == "C6"
    board.close()


def test_position_is_honest_after_a_halt(talk: Talk) -> None:
    board = pins_of(talk)
    for target in ((111.0, 57.0), (20.0, 80.0)):
        assert talk.ask("MOVE", "X150.0", "Y100.0", FAST)[0] == "OK"
        board.run(0.21)
        assert talk.ask("HALT") == ("OK",)
        talk.home()
        talk.move(*target)
        assert board.place_mm() == pytest.approx(target, abs=0.03)


@pytest.mark.parametrize(
    ("edges_us", "expected"),
    [
        ("5000 14982 30000 50000", ("V0.5009", "R0.2500")),
        ("5000 5100 14982 30000", ("V0.5009",)),  # one edge seen twice, the last is missing
        ("5000 0 0 0", ()),
        ("0 0 0 0", ()),
        ("2000 3000 9000 61000", ("V5.0000",)),  # back too late
    ],
)
def test_gate_times_two_edges_in_and_two_out(
    talk: Talk, edges_us: str, expected: tuple[str, ...]
) -> None:
    board = pins_of(talk)
    board.order(f"gate {edges_us}")
    assert talk.ask("STRIKE", "U3000")[0] == "OK"
    strike = talk.number
    board.run(0.1)
    answer = talk.ask("GATE", f"N{strike}")
    assert answer[0] == "OK"
    assert [word[0] for word in answer[1:]] == [word[0] for word in expected]
    for told, wanted in zip(answer[1:], expected, strict=True):
        assert float(told[1:]) == pytest.approx(float(wanted[1:]), rel=0.001)


def test_gate_edge_at_the_turn_of_the_timer(built: Path) -> None:
    """The 16-bit timer turns over every 32.768 ms; an edge there is counted on the right side.

    The simulation is the same every time, so a first run tells when the turn will come.
    """
    first_us = 3000

    def strike(second_us: int) -> tuple[int, tuple[str, ...]]:
        board = SimulatedBoard("328p", built)
        talk = Talk(board)
        talk.greet()
        talk.home()
        board.order(f"gate {first_us} {second_us} 0 0")
        told = talk.ask("STRIKE", "U3000")
        number = talk.number
        board.run(0.1)
        speeds = talk.ask("GATE", f"N{number}")
        board.close()
        return int(told[1][1:]), speeds

    turn_us = 2 * 32_768 - strike(9000)[0] % 32_768
    turn_us -= 32_768 if turn_us > 58_000 else 0
    assert first_us + 1000 < turn_us < 59_000
    for offset_us in range(-3, 6):
        _, speeds = strike(turn_us + offset_us)
        expected = 5000.0 / (turn_us + offset_us - first_us)
        assert float(speeds[1][1:]) == pytest.approx(expected, abs=2e-4), offset_us
