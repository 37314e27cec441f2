"""A plain board that acknowledges RS-274 lines, with the quirks such boards have.

It shares nothing with the computer's side but the words of RS-274/NGC. Straight moves wait in a
planner and are acknowledged when taken; a dwell, a coolant word and homing wait until all motion
before them has ended, and are acknowledged when done. What does not fit the small receive buffer
is lost, as on a real board.
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from rig.devices.motion import Trapezoid
from rig.virtual.bench import Bench
from rig.virtual.clock import VirtualClock

_WORD = re.compile(r"([A-Z])\s*([-+]?\d*\.?\d+)")
_HAMMER_ON = {"M3", "M4", "M7", "M8"}
_HAMMER_OFF = {"M5", "M9"}
_MODES = {"G20", "G21", "G90", "G94", "G17", "G64"}
HOMING_SPEED_MM_S = 60.0


@dataclass(frozen=True)
class PeerQuirks:
    """How this board differs from a well-mannered one.

    Lines are counted from 1 since the start. lost_answers: lines whose acknowledgement never
    comes; refused: lines that it refuses, whatever they say. report_every_s: positions told
    unasked. acknowledge_at_end: moves are acknowledged when done, not when taken.
    """

    banner: tuple[str, ...] = ("bench board 1.0 ready",)
    banner_s: float = 0.4
    restarts_on_halt: bool = True
    halt: str = "\x18"
    query: str = "M114"
    report: str = "X:{x:.2f} Y:{y:.2f} Z:0.00"
    acknowledgement: str = "ok"
    refusal: str = "error: {text}"
    echo: bool = False
    blank_lines: bool = False
    answer_delay_s: float = 0.002
    acknowledge_at_end: bool = False
    report_every_s: float | None = None
    lost_answers: frozenset[int] = frozenset()
    refused: frozenset[int] = frozenset()
    buffer_bytes: int = 128
    planned_moves: int = 8
    line_end: str = "\r\n"


@dataclass
class _Motion:
    start_s: float
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    way: Trapezoid

    @property
    def end_s(self) -> float:
        return self.start_s + self.way.duration_s

    def place(self, now_s: float) -> tuple[float, float]:
        length = self.way.distance_mm
        share = self.way.travelled_mm(now_s - self.start_s) / length if length > 0.0 else 1.0
        (x0, y0), (x1, y1) = self.start_mm, self.end_mm
        return x0 + share * (x1 - x0), y0 + share * (y1 - y0)


@dataclass
class PeerRecord:
    """What truly happened, for tests."""

    lines: list[str] = field(default_factory=list)
    pulses: list[tuple[float, float]] = field(default_factory=list)  # on and off, rig time
    places: list[tuple[float, float]] = field(default_factory=list)  # of the pulses
    targets: list[tuple[float, float]] = field(default_factory=list)
    homings: int = 0
    halts: int = 0
    bytes_lost: int = 0
    most_in_buffer: int = 0


class Rs274Peer:
    """The board. `send` is given by the transport; bytes come in through `receive`."""

    def __init__(
        self,
        clock: VirtualClock,
        bench: Bench | None = None,
        quirks: PeerQuirks | None = None,
        *,
        acceleration_mm_s2: float = 1500.0,
    ) -> None:
        self._clock = clock
        self._bench = bench
        self.quirks = quirks or PeerQuirks()
        self._acceleration = acceleration_mm_s2
        self.send: Callable[[bytes], None] = lambda _data: None
        self.record = PeerRecord()
        self._place = (180.0, 140.0)
        self._hammer_on_s: float | None = None
        self._run = 0  # what is left over from before a restart is recognised by it
        self._reset()

    def _reset(self) -> None:
        self._run += 1
        self._received = bytearray()
        self._motions: deque[_Motion] = deque()
        self._feed_mm_s = 10.0
        self._busy = False
        self._lines = 0

    @property
    def place_mm(self) -> tuple[float, float]:
        """Where the gantry truly is."""
        now = self._clock.now_s()
        for motion in self._motions:
            if now < motion.end_s:
                return motion.place(max(now, motion.start_s))
        return self._motions[-1].end_mm if self._motions else self._place

    @property
    def hammer_on(self) -> bool:
        """Whether the coil has current."""
        return self._hammer_on_s is not None

    # -- from outside ------------------------------------------------------------------------

    def power_up(self) -> None:
        """Start, as on opening the port, and greet."""
        self._stop()
        self._reset()
        quirks, run = self.quirks, self._run
        self._clock.at(self._clock.now_s() + quirks.banner_s, lambda: self._greet(run))
        if quirks.report_every_s is not None:
            self._report_later(run, quirks.report_every_s)

    def _greet(self, run: int) -> None:
        if run == self._run:
            for line in self.quirks.banner:
                self._say(line)

    def say(self, text: str) -> None:
        """Let the board say something unasked."""
        with self._clock.lock:
            self._say(text)

    def receive(self, data: bytes) -> None:
        """Bytes arrive from the computer."""
        for byte in data:
            if chr(byte) == self.quirks.halt:
                self._halt()
            elif len(self._received) >= self.quirks.buffer_bytes:
                self.record.bytes_lost += 1
            else:
                self._received.append(byte)
                most = max(self.record.most_in_buffer, len(self._received))
                self.record.most_in_buffer = most
        self._pump()

    def _halt(self) -> None:
        self.record.halts += 1
        self._stop()
        self._reset()
        if self.quirks.restarts_on_halt:
            self.power_up()

    def _stop(self) -> None:
        """Hammer off, motion killed where it is."""
        self._hammer_off(cut=True)
        self._place = self.place_mm
        self._motions.clear()
        if self._bench is not None:
            self._bench.motion_cut(self._clock.now_s())

    # -- lines -------------------------------------------------------------------------------

    def _pump(self) -> None:
        """Take the next line from the buffer, if nothing holds the board up."""
        while not self._busy:
            end = self._received.find(b"\n")
            if end < 0:
                return
            line = self._received[:end].decode("ascii", errors="replace").strip()
            del self._received[: end + 1]
            if not line:
                continue
            self._lines += 1
            self.record.lines.append(line)
            if self.quirks.echo:
                self._say(line)
            self._execute(line, self._lines)

    def _execute(self, line: str, number: int) -> None:
        words = _WORD.findall(line.upper())
        if number in self.quirks.refused:
            self._answer(number, self.quirks.refusal.format(text="line refused"))
            return
        if line.upper() == self.quirks.query:
            self._say(self._report_text())
            self._answer(number)
            return
        values = {letter: float(value) for letter, value in words if letter not in "GM"}
        names = {f"{letter}{float(value):g}" for letter, value in words if letter in "GM"}
        if not names or not names <= _KNOWN:
            self._answer(number, self.quirks.refusal.format(text=f"unsupported {line}"))
        elif names & {"G0", "G1"}:
            self._plan(values, number)
        elif names & _ORDERLY:
            self._after_motion(lambda: self._orderly(names, values, number))
        else:
            self._answer(number)

    def _plan(self, values: dict[str, float], number: int) -> None:
        """A straight move: into the planner, or wait until it has room."""
        self._feed_mm_s = values.get("F", 60.0 * self._feed_mm_s) / 60.0
        now = self._clock.now_s()
        self._settle_motions(now)
        if len(self._motions) >= self.quirks.planned_moves:
            self._hold_until(self._motions[0].end_s, lambda: self._plan(values, number))
            return
        start_s = max(now, self._motions[-1].end_s) if self._motions else now
        start = self._motions[-1].end_mm if self._motions else self._place
        end = (values.get("X", start[0]), values.get("Y", start[1]))
        self.record.targets.append(end)
        way = Trapezoid(math.dist(start, end), self._feed_mm_s, self._acceleration)
        motion = _Motion(start_s, start, end, way)
        self._motions.append(motion)
        if self._bench is not None and start_s <= now:
            self._bench.motion_started(start_s, way)
        if self.quirks.acknowledge_at_end:
            self._hold_until(motion.end_s, lambda: self._answer(number))
        else:
            self._answer(number)

    def _after_motion(self, act: Callable[[], None]) -> None:
        now = self._clock.now_s()
        end = self._motions[-1].end_s if self._motions else now
        self._hold_until(max(now, end), act)

    def _orderly(self, names: set[str], values: dict[str, float], number: int) -> None:
        """What waits for the end of all motion before it."""
        now = self._clock.now_s()
        self._settle_motions(now)
        if "G28" in names:
            self.record.homings += 1
            way = Trapezoid(math.dist(self._place, (0, 0)), HOMING_SPEED_MM_S, self._acceleration)
            motion = _Motion(now, self._place, (0.0, 0.0), way)
            self._motions.append(motion)
            if self._bench is not None:
                self._bench.motion_started(now, way)
            self._hold_until(motion.end_s, lambda: self._answer(number))
        elif "G4" in names:
            self._hold_until(now + values.get("P", 0.0), lambda: self._answer(number))
        else:
            if names & _HAMMER_ON:
                self._hammer_on_s = now
            elif names & _HAMMER_OFF:
                self._hammer_off()
            self._answer(number)

    def _settle_motions(self, now_s: float) -> None:
        while self._motions and self._motions[0].end_s <= now_s + 1e-9:
            self._place = self._motions.popleft().end_mm

    def _hammer_off(self, *, cut: bool = False) -> None:
        on_s, self._hammer_on_s = self._hammer_on_s, None
        if on_s is None:
            return
        now = self._clock.now_s()
        self.record.pulses.append((on_s, now))
        self.record.places.append(self.place_mm)
        if self._bench is not None and not cut:
            self._bench.strike(on_s, self.place_mm, round(1e6 * (now - on_s)))

    def _hold_until(self, moment_s: float, act: Callable[[], None]) -> None:
        """Read no further line until then."""
        self._busy = True
        run = self._run

        def go_on() -> None:
            if run == self._run:
                self._busy = False
                act()
                self._pump()

        self._clock.at(moment_s, go_on)

    # -- saying things -----------------------------------------------------------------------

    def _answer(self, number: int, text: str | None = None) -> None:
        if number in self.quirks.lost_answers:
            return
        run = self._run
        x, y = self.place_mm
        words = self.quirks.acknowledgement.format(x=x, y=y) if text is None else text
        moment = self._clock.now_s() + self.quirks.answer_delay_s

        def say() -> None:
            if run == self._run:
                self._say(words)

        self._clock.at(moment, say)

    def _say(self, text: str) -> None:
        end = self.quirks.line_end
        blank = end if self.quirks.blank_lines else ""
        self.send(f"{blank}{text}{end}{blank}".encode("ascii"))

    def _report_text(self) -> str:
        x, y = self.place_mm
        return self.quirks.report.format(x=x, y=y)

    def _report_later(self, run: int, every_s: float) -> None:
        def report() -> None:
            if run == self._run:
                self._say(self._report_text())
                self._report_later(run, every_s)

        self._clock.at(self._clock.now_s() + every_s, report)


_ORDERLY = {"G4", "G28", *_HAMMER_ON, *_HAMMER_OFF}
_KNOWN = {"G0", "G1", *_MODES, "G92", *_ORDERLY}
