"""The product's own link to every board over a bad cable: nothing twice, nothing left out."""

from __future__ import annotations

import numpy as np
import pytest
from boards import Board, SimulatedBoard, line
from cable import BoardClock, Cable

from rig.devices.codec import Answer, HostCodec, RepeatWanted
from rig.devices.link import LineController
from rig.model.rig_settings import RigSettings
from rig.virtual.faults import FaultSpec, FaultyLine

BAD = FaultSpec(0.02, 0.02, 0.02, 0.02, delay_s=0.1)
GOOD = FaultSpec()


def cable_to(board: Board, faults: FaultSpec, seed: int) -> Cable:
    ways = [FaultyLine(faults, np.random.default_rng((seed, way))) for way in range(2)]
    return Cable(board, *ways)


@pytest.mark.parametrize("seed", [1, 2])
def test_link_over_a_bad_cable(board: Board, seed: int) -> None:
    """Moves and strikes counted on the pins agree with what was acknowledged."""
    cable = cable_to(board, BAD, seed)
    controller = LineController(cable, BoardClock(cable), RigSettings(), session=seed)
    assert controller.open().protocol == 1
    controller.home()
    rng = np.random.default_rng(seed)
    begun = steps_of(board)
    asked_steps = np.zeros(2)
    at = np.zeros(2)
    for k in range(30):
        there = np.round(80.0 * rng.uniform(0.0, 12.0, 2)) / 80.0
        controller.start_move(*(float(v) for v in there))
        controller.wait_until_still()
        asked_steps += np.round(80.0 * np.abs(there - at))
        at = there
        assert board.place_mm() == pytest.approx(tuple(there), abs=0.05)
        report = controller.strike(1000)
        assert report.pulse_time_us > 0
        assert board.strikes() == k + 1
    assert cable.sent > 100
    if begun is not None:
        after = steps_of(board)
        assert after is not None
        assert after - begun == pytest.approx(asked_steps)


def steps_of(board: Board) -> np.ndarray | None:
    """Steps made by X and Y, where there are pins to count them on."""
    if not isinstance(board, SimulatedBoard):
        return None
    return np.array(board.counts()[4:6])


def test_a_window_of_lines_over_a_bad_cable(board: Board) -> None:
    """Four commands unanswered at a time: every one executed once, in order, and answered."""
    cable = cable_to(board, BAD, 3)
    board.run(0.4)
    board.answers.clear()
    board.send(line(0, "HELLO", "S7", "P1"))
    board.run(0.03)
    board.answers.clear()
    codec = HostCodec()
    codec.restart(credit_lines=4, credit_bytes=96)
    answers: dict[int, tuple[str, ...]] = {}
    sent = 0
    waited_s = 0.0
    while len(answers) < 300:
        while sent < 300 and codec.has_credit(24):
            sent += 1
            cable.write(codec.command(*(["STATUS"] if sent % 3 else ["SET", "A3000"]))[1])
        before = len(answers)
        again = waited_s > 0.03
        for item in codec.receive(cable.read(0.004)):
            if isinstance(item, Answer):
                assert item.number not in answers
                answers[item.number] = item.words
            again = again or isinstance(item, RepeatWanted)
        waited_s = 0.0 if len(answers) > before or again else waited_s + 0.004
        if again:
            cable.write(codec.repeat())
    assert sorted(answers) == list(range(1, 301))
    assert all(words[0] == "OK" for words in answers.values())
    times = [int(w[-2][1:]) for _, w in sorted(answers.items()) if len(w) > 2]
    assert times == sorted(times)  # executed in order, not anew for a repeat


def test_a_small_buffer_never_overflows_on_a_good_cable(built: object, board: Board) -> None:
    """Within the credit no line is ever asked for again, and 120 bytes are room enough."""
    cable = cable_to(board, GOOD, 1)
    board.run(0.4)
    board.answers.clear()
    board.send(line(0, "HELLO", "S7", "P1"))
    board.run(0.03)
    board.answers.clear()
    codec = HostCodec()
    codec.restart(credit_lines=4, credit_bytes=96)
    wide = ("SET", "A3000.0000", "H500.0000", "U12000.0000")  # 46 bytes with number and checksum
    answered = 0
    for k in range(150):
        words = wide if k % 2 else ("GATE", "N12345")
        while not codec.has_credit(48):
            found = codec.receive(cable.read(0.002))
            assert not any(isinstance(item, RepeatWanted) for item in found)
            answered += sum(isinstance(item, Answer) for item in found)
        cable.write(codec.command(*words)[1])
    board.send(line(0, "HALT"))
    assert answered > 140
    if isinstance(board, SimulatedBoard):
        board.run(0.05)
        assert board.counts()[-1] <= 120
        assert board.counts()[-1] > 0
