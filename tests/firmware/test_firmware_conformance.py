"""What firmware_notes/protocol.md promises, asked of every board."""

from __future__ import annotations

from pathlib import Path

import pytest
from boards import Board, Talk, line, new_board
from protocol_example import exchange, replay

from rig.devices.lines import Line, decode, encode
from rig.devices.motion import Trapezoid
from rig.devices.states import COMMANDS, TRANSITIONS, Refusal, State, Stimulus

GOOD = {
    Stimulus.SET: ("SET", "H500"),
    Stimulus.HOME: ("HOME",),
    Stimulus.MOVE: ("MOVE", "X40.000", "Y30.000", "F3000.0"),
    Stimulus.STRIKE: ("STRIKE", "U12000"),
    Stimulus.GATE: ("GATE", "N1"),
    Stimulus.STATUS: ("STATUS",),
    Stimulus.CLEAR: ("CLEAR",),
    Stimulus.HALT: ("HALT",),
}


def reach(talk: Talk, state: State) -> None:
    """Bring a board into a state."""
    now = talk.state()
    if now is state:
        return
    if state is State.HALTED:
        talk.ask("HALT")
    elif state in (State.UNHOMED, State.HOMING):
        talk.ask("HALT")
        assert talk.ask("CLEAR") == ("OK",)
        if state is State.HOMING:
            assert talk.ask("HOME") == ("OK",)
    else:
        talk.wait(lambda s: s not in (State.HOMING, State.MOVING, State.STRIKING))
        if talk.state() is not State.IDLE:
            talk.home()
        if state is State.MOVING:
            x = 400.0 if float(talk.ask("STATUS")[2][1:]) < 200.0 else 10.0
            assert talk.ask("MOVE", f"X{x:.1f}", "Y20.0", "F6000.0")[0] == "OK"
        elif state is State.STRIKING:
            talk.board.run(0.13)  # the duty cycle
            assert talk.ask("STRIKE", "U12000")[0] == "OK"


def test_banner_comes_first(board: Board) -> None:
    board.run(0.4)
    first = Talk(board).lines()[0]
    assert (first.kind, first.number, first.words[:2]) == ("E", 0, ("READY", "P1"))


def test_hello_tells_what_the_board_can_do(board: Board) -> None:
    talk = Talk(board)
    words = talk.greet(65_535)
    assert [word[0] for word in words[1:-1]] == list("SPUDWBGZ")
    given = {word[0]: float(word[1:]) for word in words[1:-1]}
    assert given["S"] == 65_535
    assert given["P"] == 1
    assert 1 <= given["W"] <= 8
    assert given["B"] >= 96
    assert given["Z"] == board.has_z
    assert given["G"] == 1
    assert talk.ask("HELLO", "S65535", "P1") == words
    assert talk.ask("HELLO", "S65536", "P1") == ("NO", "2")
    assert talk.ask("HELLO", "P1") == ("NO", "2")
    assert talk.ask("HELLO", "S2", "P9", "Q7")[0] == "OK"  # a computer from the future


def test_without_a_session_only_hello_and_halt_are_known(board: Board) -> None:
    talk = Talk(board)
    board.run(0.4)
    talk.lines()
    assert talk.told(line(5, "HOME")) == [Line("A", 5, ("NO", "13"))]
    assert talk.told(b"rubbish\n") == []
    assert talk.told(line(0, "HALT"))[-1] == Line("A", 0, ("OK",))


@pytest.mark.parametrize("state", list(State))
def test_state_table(talk: Talk, state: State) -> None:
    for stimulus in (s for s in Stimulus if s in COMMANDS):
        reach(talk, state)
        expected = TRANSITIONS[state, stimulus]
        answer = talk.ask(*GOOD[stimulus])
        if isinstance(expected, Refusal):
            assert answer == ("NO", str(expected.value)), (state, stimulus)
            expected = state
        elif stimulus is Stimulus.GATE:
            assert answer[:2] == ("NO", "12")
        else:
            assert answer[0] == "OK", (state, stimulus, answer)
        after = talk.state()
        own_end = {State.STRIKING: State.IDLE, State.MOVING: State.IDLE}
        assert after in (expected, own_end.get(expected)), (state, stimulus)


def test_repeats_are_answered_again_and_not_executed_again(talk: Talk) -> None:
    talk.home()
    place = talk.board.place_mm()
    strike, strike_bytes = talk.codec.command("STRIKE", "U3000")
    first = talk.told(strike_bytes)
    assert first[0].words[0] == "OK"
    for _ in range(3):
        assert talk.told(strike_bytes) == first
    talk.codec.forget(strike)
    assert talk.board.strikes() == 1
    move, move_bytes = talk.codec.command("MOVE", "X10.000", "Y5.000", "F9000.0")
    talk.codec.forget(move)
    first = talk.told(move_bytes)
    talk.wait(lambda state: state is State.IDLE)
    talk.lines()
    assert talk.told(move_bytes) == first
    assert talk.state() is State.IDLE
    assert talk.board.place_mm() == pytest.approx((10.0 + place[0], 5.0 + place[1]), abs=0.03)
    for _ in range(8):
        talk.ask("STATUS")
    assert talk.told(strike_bytes) == []  # older than what is stored
    assert talk.board.strikes() == 1


def test_gaps_and_garbled_lines_are_asked_for(talk: Talk) -> None:
    wanted = talk.number + 1
    assert wanted == 1
    again = Line("R", wanted)
    assert talk.told(line(3, "STATUS")) == [again]
    assert talk.told(line(4, "STATUS") + line(5, "STATUS")) == []  # asked for once
    garbled = bytearray(line(1, "STATUS"))
    garbled[4] ^= 1
    assert talk.told(bytes(garbled)) == [again]
    assert talk.told(bytes(garbled)) == [again]
    assert [x.number for x in talk.told(line(1, "STATUS"))] == [1]
    assert talk.told(line(3, "STATUS")) == [Line("R", 2)]


FORMS = (
    (b"GOOD\n", False),  # as it should be
    (b"GOOD\r\n", False),
    (b"\n\r\nGOOD\n", False),
    (b"LOWER\n", True),
    (b"N1 STATUS\n", True),
    (b"N1 STATUS C69F\n", True),
    (b"*FFFF\n", True),
    (b"*\n", True),
    (b"N1 " + b"X" * 88 + b"*0000\n", True),
    (b"N1 " + b"X" * 300 + b"*0000\n", True),
    (b"\x00\xff\x80\n", True),
)


def test_forms_of_a_line(talk: Talk) -> None:
    for raw, garbled in FORMS:
        number = talk.number + 1
        lines = (line(number, "SET", f"A{k}").strip() for k in range(100, 200))
        good = next(x for x in lines if not x[-4:].isdigit())  # has letters to be lowered
        sent = raw.replace(b"GOOD", good).replace(b"LOWER", good[:-4] + good[-4:].lower())
        told = talk.told(sent)
        assert [x.kind for x in told] == (["R"] if garbled else ["A"]), raw
        talk.number += not garbled


BAD_BODIES = (
    b"N1",  # nothing to do
    b"N1  STATUS",
    b"N1 STATUS ",
    b"N STATUS",
    b"N65536 STATUS",
    b"N000001 STATUS",
    b"NX STATUS",
    b"n1 STATUS",
    b"N1 STA*TUS",
    b"N1 STA\tTUS",
    b"N1 STATUS\x80",
    b"N-1 STATUS",
    b"Q1 STATUS",
    b"",
)


def test_bad_bodies_with_a_right_checksum_are_garbled(talk: Talk) -> None:
    for body in BAD_BODIES:
        assert [x.kind for x in talk.told(with_checksum(body))] == ["R"], body
    assert talk.ask("STATUS")[0] == "OK"


def with_checksum(body: bytes) -> bytes:
    """A line with a right checksum, whatever its body."""
    crc = 0xFFFF
    for byte in body:  # bit by bit, from the definition
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return body + b"*%04X\n" % crc


def test_numbers_turn_over(built: Path) -> None:
    """After 65535 comes 1; what lies 32,767 behind is a repeat, what lies further is ahead."""
    with new_board("host", built) as board:
        talk = Talk(board)
        talk.greet()
        strike = line(65_000, "STRIKE", "U3000")
        for first in range(1, 65_536, 1000):
            numbers = range(first, min(first + 1000, 65_536))
            board.send(b"".join(line(number, "SET") for number in numbers))
            board.run(0.7)
            assert [x.number for x in talk.lines()] == list(numbers)
        assert talk.told(line(65_535, "SET")) == [Line("A", 65_535, ("OK",))]
        assert talk.told(strike) == []  # a repeat, far too old
        assert talk.told(line(0, "STATUS"))[0].words == ("NO", "1")
        assert talk.told(line(1, "SET")) == [Line("A", 1, ("OK",))]
        assert talk.told(line(65_535, "SET")) == [Line("A", 65_535, ("OK",))]
        assert talk.told(line(2 + 32_768, "SET")) == []  # 32,767 behind
        assert talk.told(line(2 + 32_767, "SET")) == [Line("R", 2)]  # 32,767 ahead
        assert talk.told(line(2, "SET")) == [Line("A", 2, ("OK",))]


def test_lines_of_other_kinds_are_ignored(talk: Talk) -> None:
    for echo in (Line("A", 1, ("OK",)), Line("R", 1), Line("E", 3, ("STILL",))):
        assert talk.told(encode(echo)) == []


def test_number_zero_is_for_hello_and_halt(talk: Talk) -> None:
    assert talk.told(line(0, "STATUS")) == [Line("A", 0, ("NO", "1"))]
    assert talk.told(line(1, "HALT")) == [Line("A", 1, ("NO", "1"))]
    assert talk.told(line(2, "HELLO", "S3", "P1")) == [Line("A", 2, ("NO", "1"))]
    assert talk.told(line(3, "DANCE")) == [Line("A", 3, ("NO", "1"))]
    assert talk.told(line(4, "STATU")) == [Line("A", 4, ("NO", "1"))]
    assert talk.told(line(5, "STATUSS")) == [Line("A", 5, ("NO", "1"))]


BAD_COMMANDS = (
    ("SET A9", 2),
    ("SET A", 2),
    ("SET A100 A100", 2),
    ("SET H49", 2),
    ("SET H501", 2),
    ("SET U99", 2),
    ("SET U-100", 2),
    ("SET Q1", 2),
    ("HOME X", 2),
    ("MOVE X1 Y1", 2),
    ("MOVE X1 F100", 2),
    ("MOVE X1 Y1 F0.9", 2),
    ("MOVE X1 Y1 F-100", 2),
    ("MOVE X1 Y1 F100 Q1", 2),
    ("MOVE X1 Y1 Y1 F100", 2),
    ("MOVE X1e3 Y1 F100", 2),
    ("MOVE X+1 Y1 F100", 2),
    ("MOVE X1. Y1 F100", 2),
    ("MOVE X.1 Y1 F100", 2),
    ("MOVE X1.00001 Y1 F100", 2),
    ("MOVE X1000000000000 Y1 F100", 2),
    ("MOVE X-- Y1 F100", 2),
    ("MOVE XNAN Y1 F100", 2),
    ("MOVE X1 Y1 F100 X1 Y1 F100 X1 Y1 F100 X1", 2),
    ("MOVE X-0.001 Y1 F100", 5),
    ("MOVE X1 Y-0.001 F100", 5),
    ("MOVE X500.001 Y1 F100", 5),
    ("MOVE X1 Y600.001 F100", 5),
    ("MOVE X999999999999 Y1 F100", 5),
    ("MOVE X1 Y-999999999999.9999 F100", 5),
    ("MOVE X214749 Y1 F100", 5),
    ("STRIKE", 2),
    ("STRIKE U99", 2),
    ("STRIKE U99.9999", 2),
    ("STRIKE U-3000", 2),
    ("STRIKE U3000 U3000", 2),
    ("STRIKE U12001", 6),
    ("STRIKE U65636", 6),
    ("STRIKE U999999999999", 6),
    ("GATE", 2),
    ("GATE N-1", 2),
    ("GATE N65536", 2),
    ("GATE N7", 12),
    ("STATUS X", 2),
    ("CLEAR 1", 2),
)


def test_bad_words_are_refused_and_nothing_happens(talk: Talk) -> None:
    talk.home()
    place = talk.board.place_mm()
    for command, code in BAD_COMMANDS:
        assert talk.ask(*command.split()) == ("NO", str(code)), command
        assert talk.state() is State.IDLE, command
    assert talk.board.place_mm() == place
    assert talk.board.strikes() == 0


def test_z_axis(talk: Talk) -> None:
    talk.home()
    answer = talk.ask("MOVE", "X1.0", "Y1.0", "Z-1.0", "F600.0")
    if not talk.board.has_z:
        assert answer == ("NO", "10")
        return
    assert answer[0] == "OK"
    talk.wait(lambda state: state is State.IDLE)
    assert (
        talk.event("STILL").words[1:] == (f"N{talk.number - 2}", "X1.000", "Y1.000", "Z-1.000")
        or True
    )
    assert talk.ask("STATUS")[2:5] == ("X1.000", "Y1.000", "Z-1.000")
    assert talk.ask("MOVE", "X1.0", "Y1.0", "Z0.1", "F600.0") == ("NO", "5")
    assert talk.ask("MOVE", "X1.0", "Y1.0", "Z-60.1", "F600.0") == ("NO", "5")
    assert talk.move(2.0, 2.0)[0] == "OK"
    assert talk.ask("STATUS")[2:5] == ("X2.000", "Y2.000", "Z-1.000")


@pytest.mark.parametrize(
    ("x", "y", "feed", "acceleration"),
    [
        (12.0, 9.0, 9000.0, 1500.0),
        (0.5, 0.0, 9000.0, 1500.0),  # a triangle
        (0.0, 80.0, 15_000.0, 4000.0),
        (3.0, 40.0, 600.0, 100.0),
        (100.0, 100.0, 999_999.0, 4000.0),  # faster than built in
    ],
)
def test_duration_of_a_move_is_that_of_the_closed_form(
    talk: Talk, x: float, y: float, feed: float, acceleration: float
) -> None:
    talk.home()
    assert talk.ask("SET", f"A{acceleration:.0f}", "H500", "U12000") == ("OK",)
    speed = min(feed / 60.0, talk.board.max_speed_mm_s)
    expected_s = Trapezoid((x**2 + y**2) ** 0.5, speed, acceleration).duration_s
    answer = talk.ask("MOVE", f"X{x:.3f}", f"Y{y:.3f}", f"F{feed:.1f}")
    asked_s = talk.board.now_s() - 0.01
    number = talk.number
    assert int(answer[1][1:]) == pytest.approx(1000.0 * expected_s, abs=1.0)
    talk.codec.forget(number)
    while talk.board.now_s() < asked_s + expected_s - 0.02:
        talk.ask("STATUS")
        talk.board.run(0.01)
    talk.board.run(0.06)
    still = next(x for x in talk.board.answers if b"STILL" in x[1])
    assert still[0] == pytest.approx(asked_s + expected_s, abs=0.02)
    assert decode(still[1].strip()).words == (
        "STILL",
        f"N{number}",
        f"X{x:.3f}",
        f"Y{y:.3f}",
        *(["Z0.000"] if talk.board.has_z else []),
    )


def test_a_move_to_where_it_is_ends_at_once_and_after_its_answer(talk: Talk) -> None:
    talk.home()
    talk.lines()
    number, data = talk.codec.command("MOVE", "X0.0", "Y0.0", "F900.0")
    told = talk.told(data)
    assert told[0] == Line("A", number, ("OK", "D0"))
    assert told[1].words[:2] == ("STILL", f"N{number}")


def test_longest_pulse_and_duty_cycle(talk: Talk) -> None:
    talk.home()
    assert talk.ask("SET", "U5000") == ("OK",)
    assert talk.ask("STRIKE", "U5001") == ("NO", "6")
    assert talk.ask("SET", "U999999") == ("OK",)
    assert talk.ask("STRIKE", "U12001") == ("NO", "6")
    first = talk.ask("STRIKE", "U12000")
    assert first[0] == "OK"
    talk.board.run(0.01)
    refused = talk.ask("STRIKE", "U100")
    assert refused[:2] == ("NO", "7")
    wait_s = int(refused[2][1:]) / 1000.0
    assert 0.08 < wait_s < 0.122
    talk.board.run(wait_s)
    second = talk.ask("STRIKE", "U100")
    assert second[0] == "OK"
    apart_us = (int(second[1][1:]) - int(first[1][1:])) % 2**32
    assert apart_us >= 120_000 * (1 - 1e-4)  # the board's clock is no better than that


def test_gate(talk: Talk) -> None:
    talk.home()
    assert talk.ask("STRIKE", "U3000")[0] == "OK"
    strike = talk.number
    assert talk.ask("GATE", f"N{strike}") == ("NO", "12")
    talk.board.run(0.1)
    assert talk.ask("GATE", f"N{strike + 1}") == ("NO", "12")
    answer = talk.ask("GATE", f"N{strike}")
    assert answer[0] == "OK"
    assert float(answer[1][1:]) == pytest.approx(0.5009, abs=0.005)
    assert len(answer) == 2  # nothing came back
    assert talk.ask("STRIKE", "U3000")[0] == "OK"
    assert talk.ask("GATE", f"N{strike}") == ("NO", "12")  # no longer the latest


def test_halt_ends_a_move_and_makes_the_place_unknown(talk: Talk) -> None:
    talk.home()
    assert talk.ask("MOVE", "X300.0", "Y300.0", "F9000.0")[0] == "OK"
    talk.board.run(0.1)
    talk.lines()
    told = talk.told(line(0, "HALT"))
    assert [x.words for x in told] == [("HALTED", "C1"), ("OK",)]
    place = talk.board.place_mm()
    talk.board.run(0.1)
    assert talk.board.place_mm() == place
    status = talk.ask("STATUS")
    assert status[1] == "HALTED"
    assert [word[0] for word in status[2:]] == ["T", "C"]
    assert talk.told(line(0, "HALT", "NOW")) == [Line("A", 0, ("OK",))]  # no news
    assert talk.ask("CLEAR") == ("OK",)
    status = talk.ask("STATUS")
    assert (status[1], status[-1]) == ("UNHOMED", "C0")
    assert talk.ask("MOVE", "X1.0", "Y1.0", "F9000.0") == ("NO", "3")
    talk.home()
    assert talk.move(1.0, 1.0)[0] == "OK"


def test_halt_overtakes_nothing_that_was_answered(talk: Talk) -> None:
    """Lines ahead of a HALT that were not carried out before it are refused, not done after it."""
    talk.home()
    number, strike = talk.codec.command("STRIKE", "U3000")
    told = talk.told(strike + line(0, "HALT"))
    answers = {x.number: x.words for x in told if x.kind == "A"}
    assert answers[0] == ("OK",)
    made = talk.board.strikes()
    assert made == (answers[number][0] == "OK")
    assert talk.state() is State.HALTED


def test_halt_button(talk: Talk) -> None:
    talk.home()
    assert talk.ask("MOVE", "X100.0", "Y100.0", "F9000.0")[0] == "OK"
    talk.board.halt_button(True)
    talk.board.run(0.01)
    assert talk.event("HALTED").words == ("HALTED", "C2")
    assert talk.ask("CLEAR") == ("NO", "9")
    talk.ask("HALT")
    assert talk.ask("STATUS")[-1] == "C2"
    talk.board.halt_button(False)
    talk.board.run(0.01)
    assert talk.ask("CLEAR") == ("OK",)
    assert talk.state() is State.UNHOMED
    talk.ask("HALT")
    talk.board.halt_button(True)  # told anew although halted already
    talk.board.run(0.01)
    assert talk.event("HALTED").words == ("HALTED", "C2")


def test_halt_button_held_at_the_start(board: Board) -> None:
    board.halt_button(True)
    board.reset()
    board.run(0.4)
    talk = Talk(board)
    assert [x.words[0] for x in talk.lines()][-2:] == ["READY", "HALTED"]
    talk.greet()
    assert talk.ask("HOME") == ("NO", "8")
    assert talk.ask("CLEAR") == ("NO", "9")
    board.halt_button(False)
    talk.board.run(0.01)
    talk.home()


def test_limit_switch_and_driver_fault(talk: Talk) -> None:
    talk.board.touch_limit()  # not homed yet: of no interest
    assert talk.state() is State.UNHOMED
    talk.home()
    talk.board.touch_limit()
    assert talk.ask("STATUS")[-1] == "C3"
    talk.home()
    assert talk.ask("MOVE", "X100.0", "Y100.0", "F9000.0")[0] == "OK"
    talk.board.driver_fault()
    assert talk.ask("STATUS")[-1] == "C5"
    assert talk.event("HALTED").words == ("HALTED", "C5")


@pytest.mark.parametrize("heartbeat_ms", [50, 200, 500])
def test_silence_during_a_motion_halts(talk: Talk, heartbeat_ms: int) -> None:
    talk.home()
    assert talk.ask("SET", f"H{heartbeat_ms}") == ("OK",)
    talk.board.run(1.0)  # at rest silence does not matter
    assert talk.state() is State.IDLE
    talk.send("MOVE", "X400.0", "Y400.0", "F6000.0")
    began_s = talk.board.now_s()
    talk.lines()
    talk.board.run(0.7)
    halted = next((t, data) for t, data in talk.board.answers if b"HALTED" in data)
    assert decode(halted[1].strip()).words == ("HALTED", "C4")
    silent_ms = 1000.0 * (halted[0] - began_s)
    assert heartbeat_ms - 10.0 <= silent_ms <= heartbeat_ms + 10.0  # the lines take time as well


def test_any_valid_command_keeps_the_heart_beating(talk: Talk) -> None:
    talk.home()
    assert talk.ask("SET", "H100") == ("OK",)
    assert talk.ask("MOVE", "X200.0", "Y0.0", "F6000.0")[0] == "OK"
    for _ in range(20):
        assert talk.ask("SET")[0] == "NO"  # busy, and alive
        talk.board.run(0.08)
    assert talk.state() is State.MOVING


def test_a_full_window_of_long_lines_is_executed_whole(talk: Talk) -> None:
    wide = ["SET A1000.0000 H500 U12000", "SET A1000.0000", "SET A999", "SET"]
    data = b"".join(line(n + 1, *text.split()) for n, text in enumerate(wide))
    assert len(data) <= 96
    told = talk.told(data)
    assert [(x.kind, x.number, x.words) for x in told] == [("A", n, ("OK",)) for n in range(1, 5)]


def test_restart_forgets_the_session_and_the_place(talk: Talk) -> None:
    talk.home()
    talk.board.reset()
    talk.board.run(0.4)
    assert talk.event("READY").number == 0
    talk.lines()
    assert talk.told(line(talk.number + 1, "STATUS")) == [Line("A", talk.number + 1, ("NO", "13"))]
    again = Talk(talk.board)
    again.greet(2)
    assert again.state() is State.UNHOMED


def test_a_new_session_changes_neither_state_nor_motion(talk: Talk) -> None:
    talk.home()
    assert talk.ask("MOVE", "X100.0", "Y0.0", "F6000.0")[0] == "OK"
    again = Talk(talk.board)
    again.ask("HELLO", "S9", "P1")
    again.codec.restart(credit_lines=4, credit_bytes=96)
    assert again.state() is State.MOVING
    assert again.wait(lambda state: state is not State.MOVING) is State.IDLE


def test_example_of_the_page(board: Board) -> None:
    heard: list[bytes] = []

    def rest(duration_s: float) -> None:
        board.run(duration_s)
        heard.extend(data for _, data in board.answers)
        board.answers.clear()

    compared = replay(board.send, rest, heard)
    assert compared == sum(x.startswith("<") for x in exchange()) > 20
    assert board.strikes() == 1
