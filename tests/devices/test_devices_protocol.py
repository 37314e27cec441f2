"""The specification page against the code, and its example against a board."""

from __future__ import annotations

import re

import numpy as np
from protocol_example import exchange, replay, table

from rig.devices.codec import HostCodec, RepeatWanted
from rig.devices.lines import decode
from rig.devices.states import COMMANDS, TRANSITIONS, Cause, Refusal, State, Stimulus
from rig.model.frames import Pose
from rig.virtual.bench import Bench
from rig.virtual.clock import VirtualClock
from rig.virtual.controller import FirmwareSettings, VirtualController
from rig.virtual.faults import HEALTHY
from rig.virtual.noise import NoiseSpec
from rig.virtual.tapping import Hammer


def test_commands_of_the_page_are_those_of_the_code() -> None:
    assert {row[0] for row in table("## Commands")} == {c.value for c in COMMANDS} | {"HELLO"}


def test_codes_of_the_page_are_those_of_the_code() -> None:
    refusals = {int(row[0]): row[1] for row in table("## Refusals")}
    causes = {int(row[0]): row[1] for row in table("## Causes of a halt")}
    assert refusals == {code.value: code.name for code in Refusal}
    assert causes == {cause.value: cause.name for cause in Cause}


def test_state_table_of_the_page_is_that_of_the_code() -> None:
    columns = (Stimulus.SET, Stimulus.HOME, Stimulus.MOVE, Stimulus.STRIKE, Stimulus.CLEAR)
    seen = set()
    for name, *cells, by_itself in table("## States"):
        state = State(name)
        seen.add(state)
        for stimulus, cell in zip(columns, cells, strict=True):
            expected = Refusal(int(cell)) if cell.isdigit() else State(cell)
            assert TRANSITIONS[state, stimulus] == expected, (state, stimulus)
        own = (Stimulus.HOMED, Stimulus.ARRIVED, Stimulus.PULSE_OVER)
        listed = {x for x in own if (state, x) in TRANSITIONS}
        if match := re.fullmatch(r"(.+) → (\w+)", by_itself):
            assert listed == {Stimulus(match[1])}
            assert TRANSITIONS[state, Stimulus(match[1])] == State(match[2])
        else:
            assert not listed
        for always in (Stimulus.HALT, Stimulus.FAULT):
            assert TRANSITIONS[state, always] is State.HALTED
        for harmless in (Stimulus.GATE, Stimulus.STATUS):
            assert TRANSITIONS[state, harmless] is state
    assert seen == set(State)


def test_example_replays_on_a_board() -> None:
    clock = VirtualClock(0)
    rng = np.random.default_rng(1)
    bench = Bench(
        None, Pose(250, 120, 0, "outer"), Hammer(speed_scatter=0.0), NoiseSpec(), HEALTHY, rng
    )
    board = VirtualController(
        clock, bench, FirmwareSettings(has_gate=True), np.random.default_rng(1)
    )
    heard: list[bytes] = []
    board.send = heard.append
    board.power_up()
    compared = replay(board.receive, clock.sleep_s, heard)
    assert compared == sum(line.startswith("<") for line in exchange()) > 20
    assert board.counts["strikes"] == 1
    assert board.counts["moves"] == 2


def test_example_is_what_the_computer_would_understand() -> None:
    host = HostCodec(credit_lines=4, credit_bytes=240)
    wanted = 0
    for line in exchange():
        if line.startswith("<"):
            items = host.receive(line[1:].strip().encode("ascii") + b"\n")
            wanted += sum(isinstance(item, RepeatWanted) for item in items)
    assert wanted == 2
    readable = [decode(x[1:].strip().encode("ascii")) for x in exchange() if x.startswith("<")]
    assert {line.kind for line in readable} == {"A", "R", "E"}
