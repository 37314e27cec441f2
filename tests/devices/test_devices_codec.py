"""Sequence numbers, repeats and credit, both ends."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.devices.codec import Answer, Command, Event, HostCodec, PeerCodec, RepeatWanted
from rig.devices.lines import Line, LineError, checksum, encode, read_words
from rig.model.errors import LocalProtocolError


def greeted() -> tuple[HostCodec, PeerCodec]:
    host, peer = HostCodec(), PeerCodec()
    peer.greet("1")
    host.restart(credit_lines=4, credit_bytes=240)
    return host, peer


def test_repeated_number_is_answered_again_and_not_executed_again() -> None:
    host, peer = greeted()
    number, data = host.command("STRIKE", "U3000")
    assert peer.receive(data) == [Command(number, ("STRIKE", "U3000"))]
    answer = peer.answer(number, "OK", "T17")
    assert peer.receive(data) == [answer]
    assert peer.receive(data) == [answer]
    assert host.receive(answer) == [Answer(number, ("OK", "T17"))]
    assert host.receive(answer) == []  # nobody waits for it any more


def test_gap_and_garbled_line_ask_for_the_expected_number() -> None:
    host, peer = greeted()
    _, first = host.command("STATUS")
    _, second = host.command("GATE", "N1")
    assert peer.receive(second) == [encode(Line("R", 1))]
    assert peer.receive(first[:3] + b"~" + first[4:]) == [encode(Line("R", 1))]
    wanted = host.receive(encode(Line("R", 1)))
    assert [type(item) for item in wanted] == [RepeatWanted]
    assert host.repeat() == first + second
    executed = peer.receive(host.repeat())
    assert [c.words[0] for c in executed if isinstance(c, Command)] == ["STATUS", "GATE"]


def test_one_lost_line_is_asked_for_once() -> None:
    host, peer = greeted()
    lines = [host.command("STATUS")[1] for _ in range(4)]
    again = encode(Line("R", 1))
    assert peer.receive(lines[1] + lines[2] + lines[3]) == [again]
    assert peer.receive(b"garbled*0000\n") == [again]  # but every garbled one
    assert peer.receive(lines[2]) == []
    assert peer.receive(lines[0]) == [Command(1, ("STATUS",))]
    assert peer.receive(lines[2]) == [encode(Line("R", 2))]  # a new gap


def test_echoes_are_ignored_by_both_ends() -> None:
    host, peer = greeted()
    _, data = host.command("STATUS")
    assert host.receive(data) == []
    for echo in (Line("A", 1, ("OK",)), Line("R", 1), Line("E", 2, ("STILL",))):
        assert peer.receive(encode(echo)) == []
        assert not peer.heard_valid


def test_words_as_a_controller_reads_them() -> None:
    assert read_words(("X1", "Y-2.5000", "F9000.0"), "XYZF") == {"X": 1.0, "Y": -2.5, "F": 9000.0}
    assert read_words(("S7", "P1", "Q2", "what"), "SP", others=True) == {"S": 7.0, "P": 1.0}
    for bad in (
        ("X1", "X1"),
        ("X",),
        ("X1e3",),
        ("Q1",),
        ("X1.",),
        ("X1.00000",),
        ("X" + 13 * "1",),
    ):
        with pytest.raises(LineError):
            read_words(bad, "XYZF")


def test_longest_line_is_96_bytes_with_its_end() -> None:
    _, peer = greeted()
    room = 96 - len(encode(Line("N", 1, ("Q",))))
    longest = encode(Line("N", 1, ("Q" + room * "Q",)))
    assert len(longest) == 96
    assert isinstance(peer.receive(longest)[0], Command)
    body = longest[:-6] + b"Q"
    overlong = body + b"*%04X\n" % checksum(body)
    assert peer.receive(overlong) == [encode(Line("R", 2))]


def test_numbers_turn_over() -> None:
    host, peer = greeted()
    for _ in range(65_535 + 3):
        number, data = host.command("STATUS")
        assert peer.receive(data) == [Command(number, ("STATUS",))]
        host.receive(peer.answer(number, "OK"))
    assert number == 3
    stale = encode(Line("N", 65_000, ("STRIKE", "U3000")))  # hundreds behind: no answer stored
    assert peer.receive(stale) == []


def test_before_hello_only_hello_and_halt_are_executed() -> None:
    peer = PeerCodec()
    assert peer.receive(encode(Line("N", 5, ("HOME",)))) == [encode(Line("A", 5, ("NO", "13")))]
    assert peer.receive(encode(Line("N", 0, ("HALT",)))) == [Command(0, ("HALT",))]
    assert peer.receive(b"rubbish\n") == []


def test_hello_again_does_not_start_over() -> None:
    host, peer = greeted()
    number, data = host.command("HOME")
    peer.receive(data)
    peer.answer(number, "OK")
    assert not peer.greet("1")
    assert isinstance(peer.receive(data)[0], bytes)
    assert peer.greet("2")
    assert peer.receive(data) == [Command(1, ("HOME",))]


def test_credit_is_kept_to() -> None:
    host = HostCodec(credit_lines=2, credit_bytes=60)
    host.command("STATUS")
    host.command("STATUS")
    with pytest.raises(LocalProtocolError):
        host.command("STATUS")
    host.command("HALT")  # always
    small = HostCodec(credit_lines=9, credit_bytes=20)
    small.command("STATUS")
    with pytest.raises(LocalProtocolError):
        small.command("STATUS")


def test_late_copies_of_events_are_dropped() -> None:
    host, peer = HostCodec(), PeerCodec()
    ready, still, halted = peer.event("READY"), peer.event("STILL", "N1"), peer.event("HALTED")
    news = host.receive(ready + still + halted + still + halted)
    assert [n.words[0] for n in news if isinstance(n, Event)] == ["READY", "STILL", "HALTED"]
    restarted = PeerCodec()
    restarted.event("READY")
    assert host.receive(ready + restarted.event("STILL", "N9")) == [
        Event(0, ("READY",)),
        Event(1, ("STILL", "N9")),
    ]


def test_words_that_break_the_line_rules_are_our_own_fault() -> None:
    with pytest.raises(LocalProtocolError):
        HostCodec().command("MOVE", "X1 Y2")


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32))
def test_every_command_is_executed_once_and_in_order_on_a_terrible_line(seed: int) -> None:
    """30 % of the lines lost, garbled, or held back to come later, both ways."""
    rng = random.Random(seed)
    host, peer = greeted()
    executed: list[int] = []
    to_peer: list[bytes] = []
    to_host: list[bytes] = []

    def carry(lines: bytes, into: list[bytes]) -> None:
        for line in lines.splitlines(keepends=True):
            fate = rng.random()
            if fate < 0.1:
                continue
            if fate < 0.2:
                line = line[:2] + b"#" + line[3:]
            into.append(line)
            if fate < 0.3:
                into.append(line)

    def arrive(from_list: list[bytes], take: Callable[[bytes], None]) -> None:
        held = [line for line in from_list if rng.random() < 0.1]
        arriving = [line for line in from_list if line not in held]
        from_list[:] = held
        for line in arriving:
            take(line)

    def at_peer(line: bytes) -> None:
        for item in peer.receive(line):
            if isinstance(item, Command):
                executed.append(int(item.words[1][1:]))
                item = peer.answer(item.number, "OK")
            carry(item, to_host)

    heard: list[object] = []
    sent = 0
    for _ in range(5000):
        while sent < 40 and host.has_credit(40):
            carry(host.command("STRIKE", f"U{sent + 100}")[1], to_peer)
            sent += 1
        if rng.random() < 0.3:
            carry(host.repeat(), to_peer)
        arrive(to_peer, at_peer)
        arrive(to_host, lambda line: heard.extend(host.receive(line)))
        if sum(isinstance(item, Answer) for item in heard) == 40:
            break
    assert sum(isinstance(item, Answer) for item in heard) == 40
    assert executed == list(range(100, 140))
