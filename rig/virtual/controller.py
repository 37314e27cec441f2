"""The virtual firmware: reads real command lines, moves, strikes, refuses and halts.

It lives behind a Transport and shares nothing with the computer's side but the line rules and
the state table.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from rig.devices.codec import UNSEQUENCED, Command, PeerCodec
from rig.devices.lines import LAST_NUMBER, LineError, read_words
from rig.devices.motion import Trapezoid
from rig.devices.states import (
    COMMANDS,
    PROTOCOL_VERSION,
    Cause,
    Refusal,
    State,
    Stimulus,
    next_state,
)
from rig.virtual.bench import Bench, GateResult
from rig.virtual.clock import VirtualClock

FIRMWARE = "platerig-virtual-1"
CREDIT_LINES, CREDIT_BYTES = 4, 96
LATENCY_S = 0.0005
LEAST_PULSE_US = 100
HOMING_SPEED_MM_S = 60.0
BACK_OFF_MM = 5.0
SLOW_MM_S = 5.0
PUSHED_S = 0.0015
GATE_WINDOW_S = 0.06  # from the pulse until the hammer has come back through the gate


@dataclass(frozen=True)
class FirmwareSettings:
    """What is compiled into the board."""

    limits_mm: tuple[float, float, float, float] = (0.0, 0.0, 500.0, 600.0)
    max_speed_mm_s: float = 400.0
    max_acceleration_mm_s2: float = 4000.0
    max_pulse_us: int = 12_000
    max_duty: float = 0.1
    has_gate: bool = False


@dataclass
class _Motion:
    """One motion under way: from where, along which way, on whose order."""

    number: int
    start_s: float
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    way: Trapezoid

    def place(self, now_s: float) -> tuple[float, float]:
        length = self.way.distance_mm
        share = self.way.travelled_mm(now_s - self.start_s) / length if length > 0.0 else 1.0
        x0, y0 = self.start_mm
        x1, y1 = self.end_mm
        return x0 + share * (x1 - x0), y0 + share * (y1 - y0)


class VirtualController:
    """The board. `send` is given by the transport; bytes come in through `receive`."""

    def __init__(
        self,
        clock: VirtualClock,
        bench: Bench,
        firmware: FirmwareSettings,
        rng: np.random.Generator,
    ) -> None:
        self._clock = clock
        self._bench = bench
        self._firmware = firmware
        self._rng = rng
        self._drift = float(rng.uniform(-30e-6, 30e-6))
        self._boot_us = int(rng.integers(1_000_000, 3_000_000_000))
        self.send: Callable[[bytes], None] = lambda _data: None
        self.counts = {"moves": 0, "strikes": 0, "homings": 0, "heartbeats_lost": 0}
        self._halt_pressed = False
        x0, y0, x1, y1 = firmware.limits_mm
        self._place = (float(rng.uniform(x0, x1)), float(rng.uniform(y0, y1)))
        self._reset()

    def _reset(self) -> None:
        self._codec = PeerCodec()
        self._state = State.HALTED if self._halt_pressed else State.UNHOMED
        self._cause = Cause.HALT_INPUT if self._halt_pressed else Cause.NONE
        self._motion: _Motion | None = None
        self._acceleration = self._firmware.max_acceleration_mm_s2
        self._heartbeat_s = 0.2
        self._max_pulse_us = self._firmware.max_pulse_us
        self._cool_at_s = 0.0
        self._pulse: tuple[int, float, int] | None = None  # number, start, length in µs
        self._gate: tuple[int, float, GateResult] | None = None  # number, ready at, result
        self._heard_s = self._clock.now_s()

    # -- what happens to the board from outside ----------------------------------------------

    def power_up(self) -> None:
        """Start (opening the port resets the board) and say so."""
        self._stop_motion()
        self._reset()
        banner = self._codec.event("READY", f"P{PROTOCOL_VERSION}", FIRMWARE)
        self._clock.at(self._clock.now_s() + 0.3, lambda: self.send(banner))
        if self._halt_pressed:
            self._clock.at(self._clock.now_s() + 0.3, lambda: self._halt(Cause.HALT_INPUT))

    def press_halt(self, pressed: bool) -> None:
        """Press or release the halt button."""
        with self._clock.lock:
            self._halt_pressed = pressed
            if pressed:
                self._halt(Cause.HALT_INPUT)

    def touch_limit(self) -> None:
        """Close a limit switch outside homing; before homing it may well be closed."""
        with self._clock.lock:
            if self._place_known:
                self._halt(Cause.LIMIT_INPUT)

    def driver_fault(self) -> None:
        """A motor driver raises its fault line."""
        with self._clock.lock:
            self._halt(Cause.DRIVER)

    def receive(self, data: bytes) -> None:
        """Bytes arrive from the computer."""
        items = self._codec.receive(data)
        if self._codec.heard_valid:
            self._heard_s = self._clock.now_s()
        for item in items:
            answer = self._execute(item) if isinstance(item, Command) else item
            self._clock.at(self._clock.now_s() + LATENCY_S, partial(self._send_now, answer))

    def _send_now(self, data: bytes) -> None:
        self.send(data)

    @property
    def state(self) -> State:
        """Present state, for tests."""
        return self._state

    @property
    def _place_known(self) -> bool:
        return self._state in (State.IDLE, State.MOVING, State.STRIKING)

    @property
    def place_mm(self) -> tuple[float, float]:
        """Where the gantry truly is."""
        return self._motion.place(self._clock.now_s()) if self._motion else self._place

    # -- commands ----------------------------------------------------------------------------

    def _execute(self, command: Command) -> bytes:
        try:
            words = self._answer(command)
        except LineError:
            words = _no(Refusal.BAD_WORD)
        return self._codec.answer(command.number, *words)

    def _answer(self, command: Command) -> tuple[str, ...]:
        name, words = command.words[0], command.words
        if name not in COMMANDS | UNSEQUENCED or (command.number == 0) != (name in UNSEQUENCED):
            return _no(Refusal.UNKNOWN_COMMAND)
        if name == "HELLO":
            return self._greet(words)
        stimulus = Stimulus(name)
        if stimulus is Stimulus.HALT:
            self._halt(Cause.HALT_COMMAND)
            return ("OK",)
        following = next_state(self._state, stimulus)
        if isinstance(following, Refusal):
            return _no(following)
        work = {
            Stimulus.SET: self._set,
            Stimulus.HOME: self._home,
            Stimulus.MOVE: self._move,
            Stimulus.STRIKE: self._strike,
            Stimulus.GATE: self._tell_gate,
            Stimulus.STATUS: self._tell_status,
            Stimulus.CLEAR: self._clear,
        }[stimulus]
        answer = work(command.number, words)
        if answer[0] == "OK":
            self._state = following
        return answer

    def _greet(self, words: tuple[str, ...]) -> tuple[str, ...]:
        session = int(read_words(words[1:], "SP", others=True).get("S", -1.0))
        if not 0 <= session <= LAST_NUMBER:
            return _no(Refusal.BAD_WORD)
        self._codec.greet(str(session))
        firmware = self._firmware
        return (
            "OK",
            f"S{session}",
            f"P{PROTOCOL_VERSION}",
            f"U{firmware.max_pulse_us}",
            f"D{100 * firmware.max_duty:.1f}",
            f"W{CREDIT_LINES}",
            f"B{CREDIT_BYTES}",
            f"G{int(firmware.has_gate)}",
            "Z0",
            FIRMWARE,
        )

    def _set(self, _number: int, words: tuple[str, ...]) -> tuple[str, ...]:
        given = read_words(words[1:], "AHU")
        if given.get("A", 10.0) < 10.0 or given.get("U", LEAST_PULSE_US) < LEAST_PULSE_US:
            return _no(Refusal.BAD_WORD)
        if not 50.0 <= given.get("H", 50.0) <= 500.0:
            return _no(Refusal.BAD_WORD)
        if "A" in given:
            self._acceleration = min(int(given["A"]), self._firmware.max_acceleration_mm_s2)
        if "H" in given:
            self._heartbeat_s = int(given["H"]) / 1000.0
        if "U" in given:
            self._max_pulse_us = min(int(given["U"]), self._firmware.max_pulse_us)
        return ("OK",)

    def _home(self, number: int, words: tuple[str, ...]) -> tuple[str, ...]:
        read_words(words[1:], "")
        self.counts["homings"] += 1
        x0, y0, _, _ = self._firmware.limits_mm
        distance = math.dist(self._place, (x0, y0)) + 2.0 * BACK_OFF_MM
        self._begin(number, (x0, y0), Trapezoid(distance, HOMING_SPEED_MM_S, self._acceleration))
        seek_s = 2.0 * BACK_OFF_MM / SLOW_MM_S  # away from the switches, and slowly back
        self._end_later(Stimulus.HOMED, seek_s)
        return ("OK",)

    def _move(self, number: int, words: tuple[str, ...]) -> tuple[str, ...]:
        given = read_words(words[1:], "XYZF")
        x, y, feed = (given.get(letter) for letter in "XYF")
        if x is None or y is None or feed is None or feed < 1.0:
            return _no(Refusal.BAD_WORD)
        if "Z" in given:
            return _no(Refusal.NO_AXIS)
        x0, y0, x1, y1 = self._firmware.limits_mm
        if not (x0 <= x <= x1 and y0 <= y <= y1):
            return _no(Refusal.OUTSIDE_LIMITS)
        self.counts["moves"] += 1
        speed = min(feed / 60.0, self._firmware.max_speed_mm_s)
        way = Trapezoid(math.dist(self._place, (x, y)), speed, self._acceleration)
        self._begin(number, (x, y), way)
        self._end_later(Stimulus.ARRIVED)
        return "OK", f"D{1000 * way.duration_s:.0f}"

    def _strike(self, number: int, words: tuple[str, ...]) -> tuple[str, ...]:
        pulse_us = int(read_words(words[1:], "U").get("U", 0.0))
        if pulse_us < LEAST_PULSE_US:
            return _no(Refusal.BAD_WORD)
        if pulse_us > self._max_pulse_us:
            return _no(Refusal.PULSE_TOO_LONG)
        now = self._clock.now_s()
        if now < self._cool_at_s:
            return (*_no(Refusal.DUTY_CYCLE), f"W{math.ceil(1000 * (self._cool_at_s - now))}")
        self.counts["strikes"] += 1
        length_s = 1e-6 * pulse_us
        self._cool_at_s = now + length_s / self._firmware.max_duty
        self._pulse = (number, now, pulse_us)
        self._clock.at(now + min(length_s, PUSHED_S), lambda: self._pushed(number))
        self._clock.at(now + length_s, lambda: self._pulse_over(number))
        return "OK", f"T{self._t_us(now)}"

    def _tell_gate(self, _number: int, words: tuple[str, ...]) -> tuple[str, ...]:
        if not self._firmware.has_gate:
            return _no(Refusal.NO_GATE)
        wanted = int(read_words(words[1:], "N").get("N", -1.0))
        if not 0 <= wanted <= LAST_NUMBER:
            return _no(Refusal.BAD_WORD)
        if self._gate is None or wanted != self._gate[0] or self._clock.now_s() < self._gate[1]:
            return _no(Refusal.NOT_READY)
        result = self._gate[2]
        answer = ["OK"]
        if result.strike_speed_m_s is not None:
            answer.append(f"V{result.strike_speed_m_s:.4f}")
        if result.rebound_speed_m_s is not None:
            answer.append(f"R{result.rebound_speed_m_s:.4f}")
        return tuple(answer)

    def _tell_status(self, _number: int, words: tuple[str, ...]) -> tuple[str, ...]:
        read_words(words[1:], "")
        told = ["OK", self._state.value]
        if self._place_known:
            x, y = self.place_mm
            told += [f"X{x:.3f}", f"Y{y:.3f}"]
        return (*told, f"T{self._t_us(self._clock.now_s())}", f"C{self._cause.value}")

    def _clear(self, _number: int, words: tuple[str, ...]) -> tuple[str, ...]:
        read_words(words[1:], "")
        if self._halt_pressed:
            return _no(Refusal.HALT_INPUT)
        self._cause = Cause.NONE
        return ("OK",)

    # -- motion, pulse, halt -----------------------------------------------------------------

    def _begin(self, number: int, end_mm: tuple[float, float], way: Trapezoid) -> None:
        now = self._clock.now_s()
        self._motion = _Motion(number, now, self._place, end_mm, way)
        self._bench.motion_started(now, way)
        self._watch_heartbeat(self._motion)

    def _end_later(self, stimulus: Stimulus, extra_s: float = 0.0) -> None:
        motion = self._motion
        if motion is None:
            return
        least_s = 2.0 * LATENCY_S  # the answer to the command comes first
        moment = motion.start_s + max(motion.way.duration_s + extra_s, least_s)
        self._clock.at(moment, lambda: self._motion_over(motion, stimulus))

    def _motion_over(self, motion: _Motion, stimulus: Stimulus) -> None:
        if self._motion is not motion:
            return  # halted meanwhile
        self._motion = None
        self._place = motion.end_mm
        following = next_state(self._state, stimulus)
        if isinstance(following, State):
            self._state = following
        x, y = self._place
        self.send(self._codec.event("STILL", f"N{motion.number}", f"X{x:.3f}", f"Y{y:.3f}"))

    def _watch_heartbeat(self, motion: _Motion) -> None:
        if self._motion is not motion:
            return
        silent_until = self._heard_s + self._heartbeat_s
        if self._clock.now_s() >= silent_until:
            self.counts["heartbeats_lost"] += 1
            self._halt(Cause.HEARTBEAT)
        else:
            self._clock.at(silent_until, lambda: self._watch_heartbeat(motion))

    def _pushed(self, number: int) -> None:
        """The hammer is on its way; a halt before this moment keeps it back."""
        if self._pulse is None or self._pulse[0] != number:
            return
        _, start_s, pulse_us = self._pulse
        result = self._bench.strike(start_s, self._place, pulse_us)
        self._gate = (number, start_s + GATE_WINDOW_S, result)

    def _pulse_over(self, number: int) -> None:
        if self._pulse is None or self._pulse[0] != number:
            return  # cut short by a halt
        self._pulse = None
        if self._state is State.STRIKING:
            self._state = State.IDLE

    def _halt(self, cause: Cause) -> None:
        """Solenoid first, then the motors; the position is no longer to be trusted."""
        self._pulse = None
        self._stop_motion()
        if self._state is not State.HALTED or cause is Cause.HALT_INPUT:
            self._cause = cause
            self._state = State.HALTED
            self.send(self._codec.event("HALTED", f"C{cause.value}"))

    def _stop_motion(self) -> None:
        if self._motion is not None:
            now = self._clock.now_s()
            self._place = self._motion.place(now)
            self._motion = None
            self._bench.motion_cut(now)

    def _t_us(self, moment_s: float) -> int:
        return (self._boot_us + round(1e6 * moment_s * (1.0 + self._drift))) % 2**32


def _no(code: Refusal) -> tuple[str, ...]:
    return "NO", str(code.value)
