"""Plain boards that acknowledge RS-274 lines: the link, its window, and a peer with quirks."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.devices.rs274_lines import (
    Acknowledged,
    Alarm,
    Greeting,
    Other,
    Place,
    PlainCodec,
    Refused,
    filled,
    place_pattern,
)
from rig.devices.rs274_link import Rs274Controller
from rig.model.errors import (
    ControllerRefusedError,
    HaltedError,
    LinkError,
    PlaterigError,
    RigFileError,
)
from rig.model.frames import Pose
from rig.model.rig_settings import (
    ControllerSettings,
    RigSettings,
    Rs274Settings,
    TapperSettings,
)
from rig.virtual.bench import Bench
from rig.virtual.clock import VirtualClock
from rig.virtual.faults import HEALTHY, FaultyLine
from rig.virtual.noise import NoiseSpec
from rig.virtual.rs274_peer import PeerQuirks, Rs274Peer
from rig.virtual.tapping import Hammer
from rig.virtual.transport import VirtualTransport

WORDS = Rs274Settings(halt=("\x18",), banner="ready", position="M114", position_reply="X:{x} Y:{y}")


class Plain:
    """A plain board, its cable and the controller on one clock."""

    def __init__(
        self,
        quirks: PeerQuirks | None = None,
        *,
        words: Rs274Settings = WORDS,
        tapper: TapperSettings | None = None,
        speed: float = 0.0,
    ) -> None:
        self.clock = VirtualClock(speed)
        hammer = Hammer(speed_scatter=0.0, place_scatter_mm=0.0)
        rng = np.random.default_rng(1)
        pose = Pose(250, 120, 0, "outer")
        self.bench = Bench(None, pose, hammer, NoiseSpec(), HEALTHY, rng)
        self.peer = Rs274Peer(self.clock, self.bench, quirks)
        healthy = [FaultyLine(HEALTHY, rng) for _ in range(2)]
        self.transport = VirtualTransport(self.clock, self.peer, *healthy, baud=115_200)
        controller = ControllerSettings(link="rs274", baud=115_200, rs274=words)
        self.settings = RigSettings(controller=controller, tapper=tapper or TapperSettings())
        self.controller = Rs274Controller(self.transport, self.clock, self.settings)

    def ready(self) -> Plain:
        self.controller.open()
        self.controller.home()
        return self

    def go(self, x_mm: float, y_mm: float) -> None:
        self.controller.start_move(x_mm, y_mm)
        self.controller.wait_until_still()

    def lines(self, start: str) -> list[str]:
        return [line for line in self.peer.record.lines if line.startswith(start)]


QUIRKS = {
    "plain": PeerQuirks(),
    "echo": PeerQuirks(echo=True),
    "blank lines": PeerQuirks(blank_lines=True, line_end="\n"),
    "upper case": PeerQuirks(acknowledgement="OK"),
    "acknowledgement with more": PeerQuirks(acknowledgement="Ok P15 B3"),
    "acknowledgement with a place": PeerQuirks(acknowledgement="ok X:{x:.1f} Y:{y:.1f}"),
    "late": PeerQuirks(answer_delay_s=0.7),
    "at the end of the motion": PeerQuirks(acknowledge_at_end=True, echo=True),
    "reports between": PeerQuirks(report_every_s=0.05, blank_lines=True),
    "long banner": PeerQuirks(banner=("starting", "echo: stored settings", "ready", "SD fail")),
    "small buffer": PeerQuirks(buffer_bytes=66, planned_moves=1),
    "all at once": PeerQuirks(
        echo=True, blank_lines=True, acknowledgement="OK", answer_delay_s=0.3, report_every_s=0.04
    ),
}


@pytest.mark.parametrize("lines_in_flight", [1, 4], ids=["line by line", "window"])
@pytest.mark.parametrize("quirk", QUIRKS)
def test_whatever_the_manners_every_move_and_pulse_happens_once(
    quirk: str, lines_in_flight: int
) -> None:
    words = replace(WORDS, lines_in_flight=lines_in_flight)
    rig = Plain(QUIRKS[quirk], words=words).ready()
    assert rig.controller.position() == (0.0, 0.0)
    rng = np.random.default_rng(3)
    asked = [tuple(float(v) for v in np.round(rng.uniform(0, 80, 2), 3)) for _ in range(8)]
    for place in asked:
        rig.go(*place)
        assert math.dist(rig.peer.place_mm, place) < 1e-3
        assert rig.controller.position() == pytest.approx(place)
        rig.controller.strike(3000)
    record = rig.peer.record
    assert record.targets == asked
    assert record.places == asked
    assert len(record.pulses) == 8
    assert [1e6 * (off - on) for on, off in record.pulses] == pytest.approx([3000.0] * 8, abs=1.0)
    assert record.bytes_lost == 0
    assert record.homings == 1


def test_the_window_never_overflows_a_small_buffer_and_is_faster_than_line_by_line() -> None:
    """120 lines against a board of 64 bytes that answers late."""
    took = {}
    for lines, room in ((1, 64), (8, 60)):
        words = replace(WORDS, lines_in_flight=lines, bytes_in_flight=room)
        quirks = PeerQuirks(buffer_bytes=64, answer_delay_s=0.02)
        rig = Plain(quirks, words=words)
        rig.controller.open()
        began = rig.clock.now_s()
        rig.controller._ask(["G90 G94"] * 120, 60.0)
        took[lines] = rig.clock.now_s() - began
        assert rig.peer.record.bytes_lost == 0
        assert len(rig.lines("G90 G94")) == 120
    assert took[8] < 0.3 * took[1]


def test_codec_counts_characters_and_lines_in_flight() -> None:
    codec = PlainCodec(replace(WORDS, lines_in_flight=3, bytes_in_flight=20))
    codec.put(["G1 X1 Y1", "G1 X2 Y2", "G4 P0", "G4 P1"])
    assert codec.due() == b"G1 X1 Y1\nG1 X2 Y2\n"  # 18 bytes; the third would make 24
    assert codec.due() == b""
    assert codec.receive(b"ok\n") == [Acknowledged("G1 X1 Y1")]
    assert codec.due() == b"G4 P0\n"
    assert codec.receive(b"error: 20\nok\n") == [Refused("G1 X2 Y2", "error: 20"),
                                                Acknowledged("G4 P0")]  # fmt: skip
    assert codec.due() == b"G4 P1\n"
    assert not codec.idle
    codec.receive(b"ok\nok\n")
    assert codec.idle
    assert codec.stray == 1


def test_codec_tells_echo_report_alarm_and_chatter_apart() -> None:
    codec = PlainCodec(WORDS)
    codec.put(["G1 X10 Y20 F900"])
    codec.due()
    heard = codec.receive(
        b"g1x10 y20 f900\r\n\r\n[busy]\nX:1.50 Y:-2.00 Z:0\nokay then\nALARM:1\nbench ready 2\nok\n"
        b"G1 X10 Y20 F900\nok\n"
    )
    assert heard == [
        Other("[busy]"),
        Place(1.5, -2.0),
        Other("okay then"),
        Alarm("ALARM:1"),
        Greeting("bench ready 2"),
        Acknowledged("G1 X10 Y20 F900"),
        Other("G1 X10 Y20 F900"),  # an echo behind its answer is no position report
    ]


@pytest.mark.parametrize(
    ("template", "text"),
    [
        ("X{x} Y{y}", "X10.500 Y-3.25"),
        ("X{x} Y{y}", "x:10.5,  y: -3.25 z:0"),
        ("X:{x} Y:{y}", "ok X:10.50 Y:-3.25 Z:0.00 E:0.00"),
        ("pos:{x},{y}", "<idle|Pos:10.500,-3.250,0.000|f:0>"),
    ],
)
def test_position_templates(template: str, text: str) -> None:
    match = place_pattern(template).search(text)
    assert match is not None
    assert (float(match["x"]), float(match["y"])) == (10.5, -3.25)


def test_numbers_are_plain_decimals() -> None:
    line = filled("G1 X{x} Y{y} F{feed}", x=-1e-9, y=120.0, feed=8999.9999999)
    assert line == "G1 X0 Y120 F9000"
    assert filled("G4 P{seconds}", seconds=0.003) == "G4 P0.003"


def test_dwell_in_milliseconds_for_boards_that_count_so() -> None:
    words = replace(WORDS, dwell="G4 P{milliseconds}", pulse_on="M3 S1000", pulse_off="M5")
    rig = Plain(words=words).ready()
    # to this board, which counts seconds, 12 s ahead of a pulse of 2.5 s
    rig.clock.at(rig.clock.now_s() + 13.0, rig.controller.halt)
    with pytest.raises(LinkError, match="not known"):
        rig.controller.strike(2500)
    assert rig.lines("G4 P")[-1].startswith("G4 P1")


# -- pulses, limits, doubt -------------------------------------------------------------------


@pytest.mark.parametrize("which", [0, 1, 2, 3], ids=["ahead", "on", "dwell", "off"])
def test_a_pulse_whose_acknowledgement_is_lost_is_doubtful_and_never_repeated(which: int) -> None:
    rig = Plain().ready()
    rig.go(20.0, 30.0)
    number = rig.peer._lines + 1 + which
    rig.peer.quirks = replace(rig.peer.quirks, lost_answers=frozenset({number}))
    with pytest.raises(LinkError, match="not known, and it was not asked twice"):
        rig.controller.strike(3000)
    assert len(rig.lines("M8")) == 1
    assert len(rig.peer.record.pulses) == 1
    assert not rig.peer.hammer_on
    assert rig.controller.position() is None
    with pytest.raises(LinkError, match="opened anew"):
        rig.controller.strike(3000)
    with pytest.raises(LinkError, match="opened anew"):
        rig.controller.home()
    rig.controller.close()
    rig.peer.quirks = PeerQuirks()
    rig.ready()
    rig.go(20.0, 30.0)
    rig.controller.strike(3000)
    assert len(rig.peer.record.pulses) == 2


def test_a_refused_on_word_is_no_strike_and_no_doubt() -> None:
    rig = Plain().ready()
    rig.peer.quirks = replace(rig.peer.quirks, refused=frozenset({rig.peer._lines + 2}))
    with pytest.raises(ControllerRefusedError, match="refused a line: error: line refused") as told:
        rig.controller.strike(3000)
    assert told.value.where == "M8"
    assert rig.peer.record.pulses == []
    rig.controller.strike(3000)  # the link goes on
    assert len(rig.peer.record.pulses) == 1


def test_a_refused_off_word_halts_at_once() -> None:
    rig = Plain().ready()
    rig.peer.quirks = replace(rig.peer.quirks, refused=frozenset({rig.peer._lines + 4}))
    with pytest.raises(LinkError, match="still on is not known"):
        rig.controller.strike(3000)
    rig.clock.sleep_s(0.1)
    assert rig.peer.record.halts == 1
    assert not rig.peer.hammer_on
    on, off = rig.peer.record.pulses[0]
    assert off - on < 0.05


def test_a_dwell_refused_leaves_doubt() -> None:
    rig = Plain().ready()
    rig.peer.quirks = replace(rig.peer.quirks, refused=frozenset({rig.peer._lines + 3}))
    with pytest.raises(LinkError, match="struck as it should is not known"):
        rig.controller.strike(3000)


def test_pulse_length_and_duty_cycle_are_kept_by_the_link() -> None:
    rig = Plain(tapper=TapperSettings(max_pulse_us=8000, max_duty=0.05)).ready()
    for wrong in (8001, 50, 0, -3000, 10**9):
        with pytest.raises(ControllerRefusedError, match="too short or too long"):
            rig.controller.strike(wrong)
    for _ in range(5):
        rig.controller.strike(6000)
    pulses = rig.peer.record.pulses
    gaps = np.diff([on for on, _ in pulses])
    assert gaps.min() >= 0.006 / 0.05 - 1e-3
    assert sum(off - on for on, off in pulses) <= 0.05 * (pulses[-1][1] - pulses[0][0]) + 0.006


@pytest.mark.parametrize(
    "place", [(-0.5, 10.0), (10.0, 600.5), (900.0, 900.0), (math.nan, 1.0), (1.0, math.inf)]
)
def test_nothing_outside_the_limits_is_ever_sent(place: tuple[float, float]) -> None:
    rig = Plain().ready()
    before = len(rig.peer.record.lines)
    with pytest.raises(ControllerRefusedError, match="limits"):
        rig.controller.start_move(*place)
    assert len(rig.peer.record.lines) == before


def test_hammer_offset_is_between_plate_and_gantry() -> None:
    rig = Plain(tapper=TapperSettings(offset_mm=(12.0, -7.0))).ready()
    rig.go(100.0, 100.0)
    assert rig.peer.place_mm == pytest.approx((88.0, 107.0))
    assert rig.controller.position() == pytest.approx((100.0, 100.0))


def test_neither_move_nor_strike_before_homing_nor_on_the_way() -> None:
    rig = Plain()
    rig.controller.open()
    for act in (lambda: rig.controller.start_move(1, 1), lambda: rig.controller.strike(3000)):
        with pytest.raises(ControllerRefusedError, match="homed"):
            act()
    rig.controller.home()
    rig.controller.start_move(300.0, 300.0)
    with pytest.raises(ControllerRefusedError, match="moving"):
        rig.controller.strike(3000)
    with pytest.raises(ControllerRefusedError, match="moving"):
        rig.controller.start_move(1.0, 1.0)
    rig.controller.wait_until_still()
    assert rig.peer.record.pulses == []


def test_pulse_time_is_the_computers_and_near_the_true_one() -> None:
    rig = Plain().ready()
    for k in range(3):
        rig.go(10.0 * k, 5.0)
        report = rig.controller.strike(3000)
        true_s = rig.peer.record.pulses[-1][0]
        assert abs(1e-6 * report.pulse_time_us - true_s) < 0.5e-3
        assert report.answered_s == pytest.approx(1e-6 * report.pulse_time_us, abs=1e-6)
        assert report.strike_speed_m_s is None


# -- errors of the board, halts, cables ------------------------------------------------------


@pytest.mark.parametrize("at_end", [False, True])
def test_a_refused_move_is_named_and_nothing_after_it_is_done(at_end: bool) -> None:
    rig = Plain(PeerQuirks(acknowledge_at_end=at_end)).ready()
    rig.go(10.0, 10.0)
    rig.peer.quirks = replace(rig.peer.quirks, refused=frozenset({rig.peer._lines + 1}))
    with pytest.raises(ControllerRefusedError, match="refused a line"):
        rig.go(50.0, 50.0)
    assert rig.peer.place_mm == (10.0, 10.0)
    assert rig.controller.position() == (10.0, 10.0)
    rig.go(20.0, 20.0)
    assert rig.peer.place_mm == (20.0, 20.0)


def test_error_in_the_middle_of_a_stream_keeps_the_rest_back() -> None:
    words = replace(WORDS, lines_in_flight=2)
    rig = Plain(words=words).ready()
    rig.peer.quirks = replace(rig.peer.quirks, refused=frozenset({rig.peer._lines + 3}))
    before = len(rig.peer.record.lines)
    with pytest.raises(ControllerRefusedError):
        rig.controller._ask(["G90"] * 20, 5.0)
    assert len(rig.peer.record.lines) - before <= 4  # the refused one and what was in flight
    rig.go(5.0, 5.0)


def test_halt_sends_its_character_at_once_and_drops_everything() -> None:
    rig = Plain().ready()
    rig.controller.start_move(400.0, 500.0)
    rig.clock.at(rig.clock.now_s() + 0.5, rig.controller.halt)
    with pytest.raises(HaltedError):
        rig.controller.wait_until_still()
    rig.clock.sleep_s(0.05)
    place = rig.peer.place_mm
    assert 0.0 < math.dist(place, (0.0, 0.0)) < 0.56 * 150.0
    rig.clock.sleep_s(2.0)
    assert rig.peer.place_mm == place
    assert rig.peer.record.halts == 1
    assert rig.controller.position() is None
    for act in (lambda: rig.controller.start_move(1, 1), lambda: rig.controller.strike(3000)):
        with pytest.raises(HaltedError):
            act()
    rig.controller.home()
    assert rig.controller.position() == (0.0, 0.0)
    assert rig.lines("G21")[-1] == "G21"
    assert len(rig.lines("G21")) == 2  # a board that restarts when halted has forgotten them
    rig.go(10.0, 10.0)


def test_halt_by_a_word_on_a_board_that_does_not_restart() -> None:
    words = replace(WORDS, halt=("!",), clear=("~",), banner=None)
    rig = Plain(PeerQuirks(halt="!", restarts_on_halt=False), words=words).ready()
    rig.go(10.0, 10.0)
    rig.controller.halt()
    rig.controller.home()
    rig.go(20.0, 20.0)
    assert rig.peer.record.halts == 1


def test_halt_from_another_thread_ends_a_motion_at_once() -> None:
    rig = Plain(speed=1.0)
    rig.peer._place = (4.0, 4.0)
    rig.ready()
    rig.controller.start_move(400.0, 500.0)
    timer = threading.Timer(0.3, rig.controller.halt)
    timer.start()
    with pytest.raises(HaltedError):
        rig.controller.wait_until_still()
    timer.join()
    rig.clock.sleep_s(0.02)
    assert rig.peer.record.halts == 1
    assert math.dist(rig.peer.place_mm, (0.0, 0.0)) < 150.0


def test_halt_within_a_pulse_switches_the_hammer_off() -> None:
    rig = Plain(tapper=TapperSettings(max_pulse_us=100_000)).ready()
    rig.clock.at(rig.clock.now_s() + 0.02, rig.controller.halt)
    with pytest.raises(HaltedError):
        rig.controller.strike(90_000)
    on, off = rig.peer.record.pulses[-1]
    assert off - on < 0.03


def test_alarm_of_the_board_is_a_halt() -> None:
    rig = Plain().ready()
    rig.controller.start_move(200.0, 200.0)
    rig.clock.at(rig.clock.now_s() + 0.2, lambda: rig.peer.say("ALARM: limit"))
    with pytest.raises(HaltedError, match="stopped by itself: ALARM: limit"):
        rig.controller.wait_until_still()
    assert rig.controller.position() is None
    rig.controller.home()


def test_a_board_that_restarts_by_itself_is_noticed() -> None:
    rig = Plain().ready()
    rig.controller.start_move(200.0, 200.0)
    rig.clock.at(rig.clock.now_s() + 0.2, rig.peer.power_up)
    with pytest.raises(LinkError, match="restarted"):
        rig.controller.wait_until_still()
    assert rig.controller.position() is None


def test_a_board_that_stands_elsewhere_than_sent_is_stopped() -> None:
    rig = Plain().ready()
    rig.controller.start_move(50.0, 50.0)
    rig.clock.sleep_s(1.0)
    rig.peer._settle_motions(rig.clock.now_s())
    rig.peer._place = (50.0, 47.0)
    with pytest.raises(HaltedError, match="x 50, y 47 mm by its own count, not at x 50, y 50"):
        rig.controller.wait_until_still()
    assert rig.controller.position() is None


def test_mute_board_and_mute_position_query() -> None:
    rig = Plain(PeerQuirks(banner=(), lost_answers=frozenset(range(1, 100))))
    with pytest.raises(LinkError, match="does not acknowledge"):
        rig.controller.open()
    rig = Plain(PeerQuirks(report="nothing"))
    rig.controller.open()
    with pytest.raises(LinkError, match="does not say where it is"):
        rig.controller.home()


def test_no_banner_is_waited_for_and_then_the_board_is_spoken_to() -> None:
    rig = Plain(PeerQuirks(banner=()))
    info = rig.controller.open()
    assert 3.0 <= rig.clock.now_s() < 3.5
    assert info.firmware == "a board that says nothing of itself"
    quick = Plain(PeerQuirks(banner_s=1.5))
    assert quick.controller.open().firmware == "bench board 1.0 ready"
    assert 1.5 <= quick.clock.now_s() < 2.2


@pytest.mark.parametrize(
    "act",
    [
        lambda rig: rig.controller.home(),
        lambda rig: rig.controller.start_move(1.0, 1.0),
        lambda rig: rig.controller.strike(3000),
    ],
    ids=["home", "move", "strike"],
)
def test_pulled_cable_is_a_link_error_and_close_never_fails(act: Callable[[Plain], None]) -> None:
    rig = Plain().ready()
    rig.transport.unplug()
    with pytest.raises(LinkError, match="broke off"):
        act(rig)
    rig.controller.halt()
    rig.controller.close()
    rig.controller.close()


CHATTER = st.one_of(
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=40),
    st.sampled_from(["ok", "error: 3", "ALARM: 9", "ready", "X:1.0 Y:2.0", "M8", "G1 X5 Y5 F900"]),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.floats(0.3, 6.0), CHATTER), max_size=8))
def test_whatever_a_board_says_a_pulse_is_never_repeated(said: list[tuple[float, str]]) -> None:
    rig = Plain()
    for moment_s, text in said:
        rig.clock.at(moment_s, lambda text=text: rig.peer.say(text))  # type: ignore[misc]
    asked = 0
    try:
        rig.ready()
        for k in range(4):
            rig.go(10.0 * k, 5.0)
            asked += 1
            rig.controller.strike(3000)
    except PlaterigError:
        rig.controller.halt()
    rig.clock.sleep_s(3.0)
    assert len(rig.lines("M8")) <= asked
    assert len(rig.peer.record.pulses) <= asked
    assert not rig.peer.hammer_on
    for x, y in rig.peer.record.targets:
        assert 0.0 <= x <= 30.0
        assert y == 5.0


def test_without_a_halt_word_there_is_no_link() -> None:
    with pytest.raises(RigFileError, match="“halt”"):
        Plain(words=Rs274Settings())
