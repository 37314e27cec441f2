"""The Controller role over the platerig line protocol: codec + transport + clock."""

from __future__ import annotations

import contextlib
import threading

from rig.devices.bounds import gantry_place
from rig.devices.codec import Answer, Event, HostCodec, RepeatWanted
from rig.devices.lines import MAX_LINE_BYTES, LineError, word_value
from rig.devices.roles import Clock, ControllerInfo, StrikeReport
from rig.devices.states import CAUSE_TEXT, PROTOCOL_VERSION, REFUSAL_TEXT, Cause, Refusal, State
from rig.devices.transport import Transport
from rig.model.errors import (
    ControllerRefusedError,
    HaltedError,
    LinkError,
    PlaterigError,
    RemoteProtocolError,
)
from rig.model.rig_settings import RigSettings

ANSWER_S = 0.02  # the board's own time; two longest lines on the wire come on top
BRISK_S = 0.4  # so long repeats keep the first pace: a motion must not lose its heartbeat
LAST_WAIT_S = 0.25
PATIENCE_S = 2.0
BANNER_S = 3.0
HOMING_LIMIT_S = 120.0
GATE_LIMIT_S = 0.5
_T_WRAP = 2**32


class LineController:
    """One owner thread calls everything; only `halt` may come from another thread."""

    def __init__(
        self, transport: Transport, clock: Clock, settings: RigSettings, *, session: int = 1
    ) -> None:
        self._transport = transport
        self._clock = clock
        self._settings = settings
        self._session = session % 65_536
        self._codec = HostCodec()
        self._lock = threading.RLock()
        self._halt_wanted = threading.Event()
        self._info: ControllerInfo | None = None
        self._has_gate = False
        self._position: tuple[float, float] | None = None
        self._moving: int | None = None  # number of the command whose motion is under way
        self._still = False
        self._last_t = 0
        self._pulse_end_s = 0.0
        bytes_s = 2 * MAX_LINE_BYTES * 10.0 / settings.controller.baud
        self._first_wait_s = max(0.03, ANSWER_S + bytes_s)
        self._poll_s = min(0.03, settings.controller.heartbeat_s / 5.0)

    def open(self) -> ControllerInfo:
        """Open the line, wait for the banner, greet, and set speeds and limits."""
        self._transport.open()
        self._wait_for_banner()
        words = self._ask("HELLO", f"S{self._session}", f"P{PROTOCOL_VERSION}").words
        self._codec.restart(
            credit_lines=int(self._number(words, "W")), credit_bytes=int(self._number(words, "B"))
        )
        version = int(self._number(words, "P"))
        if version != PROTOCOL_VERSION:
            raise RemoteProtocolError(
                f"The controller speaks version {version} of the line protocol, "
                f"platerig version {PROTOCOL_VERSION}.",
                where=self._transport.name,
                remedy="Load the firmware that came with this platerig.",
            )
        self._has_gate = self._number(words, "G") > 0
        self._info = ControllerInfo(
            firmware=words[-1],
            protocol=version,
            max_pulse_us=int(self._number(words, "U")),
            max_duty=self._number(words, "D") / 100.0,
        )
        controller = self._settings.controller
        self._ask(
            "SET",
            f"A{controller.acceleration_mm_s2:.0f}",
            f"H{1000 * controller.heartbeat_s:.0f}",
            f"U{self._settings.tapper.max_pulse_us}",
        )
        return self._info

    def home(self) -> None:
        """Clear a halt if there is one, find the corner, and wait until it is found."""
        self._halt_wanted.clear()
        if self._status() is State.HALTED:
            self._ask("CLEAR")
        self._start("HOME")
        self._wait(HOMING_LIMIT_S)

    def start_move(self, x_mm: float, y_mm: float) -> None:
        """Begin a straight move of the hammer to a place of the bed frame."""
        x, y = gantry_place(x_mm, y_mm, self._settings)
        speed = self._settings.controller.speed_mm_s
        self._start("MOVE", f"X{x:.3f}", f"Y{y:.3f}", f"F{60.0 * speed:.1f}")

    def wait_until_still(self) -> None:
        """Return when the motion has ended; asking for the state keeps the heartbeat going."""
        self._wait(HOMING_LIMIT_S)

    def strike(self, pulse_us: int) -> StrikeReport:
        """One pulse; waits out the solenoid's cooling time if the controller asks for it."""
        self._let_pulse_end()
        try:
            answer = self._ask("STRIKE", f"U{pulse_us}")
        except _DutyCycleError as refusal:
            self._clock.sleep_s(refusal.wait_s)
            answer = self._ask("STRIKE", f"U{pulse_us}")
        answered_s = self._clock.now_s()
        self._pulse_end_s = answered_s + 1e-6 * pulse_us
        t_us = self._unwrapped(int(self._number(answer.words, "T")))
        if not self._has_gate:
            return StrikeReport(t_us, answered_s)
        return StrikeReport(t_us, answered_s, *self._gate_result(answer.number))

    def position(self) -> tuple[float, float] | None:
        """Where the hammer was when the controller last said so."""
        if self._position is None:
            return None
        dx, dy = self._settings.tapper.offset_mm
        return self._position[0] + dx, self._position[1] + dy

    def halt(self) -> None:
        """Send HALT at once, from any thread, then see that it was heard. Never raises."""
        self._halt_wanted.set()
        self._position = None
        with contextlib.suppress(PlaterigError):
            self._transport.write(HostCodec().command("HALT")[1])
        if self._lock.acquire(timeout=1.0):
            try:
                with contextlib.suppress(PlaterigError):
                    self._ask("HALT")
            finally:
                self._lock.release()

    def close(self) -> None:
        """Let go of the line."""
        self._transport.close()

    # -- conversation ------------------------------------------------------------------------

    def _wait_for_banner(self) -> None:
        """Boards that reset on opening say READY; those that do not are greeted after a while."""
        deadline = self._clock.now_s() + BANNER_S
        while (left := deadline - self._clock.now_s()) > 0.0:
            for item in self._codec.receive(self._transport.read(left)):
                if isinstance(item, Event) and item.words[:1] == ("READY",):
                    return

    def _ask(self, *words: str) -> Answer:
        """Send one command and return its OK answer, repeating as often as the line needs."""
        with self._lock:
            number, data = self._codec.command(*words)
            try:
                answer = self._converse(number, data, words[0])
            finally:
                self._codec.forget(number)
        if answer.accepted:
            return answer
        raise self._refusal(answer, words)

    def _converse(self, number: int, data: bytes, word: str) -> Answer:
        wait_s = self._first_wait_s
        began_s = self._clock.now_s()
        while (spent_s := self._clock.now_s() - began_s) < PATIENCE_S:
            if self._halt_wanted.is_set() and word not in ("HALT", "STATUS", "HELLO"):
                raise HaltedError("The rig was halted.", remedy="Home it before going on.")
            self._transport.write(data)
            deadline = self._clock.now_s() + wait_s
            again = False
            while not again and (left := deadline - self._clock.now_s()) > 0.0:
                for item in self._codec.receive(self._transport.read(left)):
                    if isinstance(item, Answer) and item.number == number:
                        return item
                    if isinstance(item, Event):
                        self._note(item)
                    elif isinstance(item, RepeatWanted):
                        again = True
            if spent_s > BRISK_S:
                wait_s = max(wait_s, min(LAST_WAIT_S, 1.5 * wait_s))
        raise LinkError(
            f"The controller does not answer ({word}).",
            where=self._transport.name,
            remedy="Check port, cable and supply of the controller, home it, then resume.",
        )

    def _note(self, event: Event) -> None:
        """Act on an unsolicited line. READY needs no action: a controller that restarted by
        itself refuses whatever it is asked next, and a late copy of the banner means nothing.
        """
        name = event.words[0] if event.words else ""
        if name == "STILL":
            if self._moving is not None and self._value(event.words, "N") == self._moving:
                self._still = True
                self._take_position(event.words)
        elif name == "HALTED":
            self._position = None
            self._moving = None
            if not self._halt_wanted.is_set():
                self._halt_wanted.set()
                raise self._halted(event.words)

    def _start(self, *words: str) -> None:
        """Begin a motion; its number tells its STILL from that of an earlier motion."""
        self._let_pulse_end()
        self._still = False
        self._moving = None
        self._moving = self._ask(*words).number

    def _let_pulse_end(self) -> None:
        """The controller takes neither motion nor strike while the solenoid is on."""
        left = self._pulse_end_s - self._clock.now_s()
        if left > 0.0:
            self._clock.sleep_s(left)

    def _wait(self, limit_s: float) -> None:
        """Wait for the end of the motion under way."""
        deadline = self._clock.now_s() + limit_s
        while self._moving is not None and not self._still:
            with self._lock:
                for item in self._codec.receive(self._transport.read(self._poll_s)):
                    if isinstance(item, Event):
                        self._note(item)
            if self._halt_wanted.is_set():
                raise HaltedError("The rig was halted.", remedy="Home it before going on.")
            if not self._still:
                state = self._status()
                if state is State.HALTED:
                    raise HaltedError("The rig was halted.", remedy="Home it before going on.")
                self._still = self._still or state is State.IDLE
            if self._clock.now_s() > deadline:
                raise LinkError("The motion does not end.", where=self._transport.name)
        self._moving = None

    def _status(self) -> State:
        words = self._ask("STATUS").words
        try:
            state = State(words[1])
        except (IndexError, ValueError) as error:
            raise self._nonsense(words) from error
        if state is State.HALTED:
            self._position = None
            if not self._halt_wanted.is_set() and self._moving is not None:
                self._halt_wanted.set()
                raise self._halted(words)
        else:
            self._take_position(words)
        return state

    def _gate_result(self, strike: int) -> tuple[float | None, float | None]:
        deadline = self._clock.now_s() + GATE_LIMIT_S
        while self._clock.now_s() < deadline:
            self._clock.sleep_s(0.02)
            with contextlib.suppress(_NotReadyError):
                words = self._ask("GATE", f"N{strike}").words
                return self._value(words, "V"), self._value(words, "R")
        return None, None

    # -- reading words -----------------------------------------------------------------------

    def _value(self, words: tuple[str, ...], letter: str) -> float | None:
        try:
            return word_value(words, letter)
        except LineError as error:
            raise self._nonsense(words) from error

    def _number(self, words: tuple[str, ...], letter: str) -> float:
        value = self._value(words, letter)
        if value is None:
            raise self._nonsense(words)
        return value

    def _take_position(self, words: tuple[str, ...]) -> None:
        x, y = self._value(words, "X"), self._value(words, "Y")
        self._position = (x, y) if x is not None and y is not None else None

    def _unwrapped(self, t_us: int) -> int:
        """The controller counts microseconds in 32 bits; carry on past its turns."""
        self._last_t += (t_us - self._last_t) % _T_WRAP
        return self._last_t

    def _nonsense(self, words: tuple[str, ...]) -> RemoteProtocolError:
        return RemoteProtocolError(
            f"The controller answered something the protocol does not know: {' '.join(words)!r}.",
            where=self._transport.name,
            remedy="Load the firmware that came with this platerig.",
        )

    def _halted(self, words: tuple[str, ...]) -> HaltedError:
        try:
            cause = Cause(int(self._value(words, "C") or 0))
        except ValueError:
            cause = Cause.NONE
        return HaltedError(
            f"The rig halted itself: {CAUSE_TEXT[cause]}.",
            where=self._transport.name,
            remedy="Make sure hands are clear, then home it and resume the scan.",
        )

    def _refusal(self, answer: Answer, asked: tuple[str, ...]) -> PlaterigError:
        try:
            code = Refusal(int(answer.words[1]))
        except (IndexError, ValueError):
            return self._nonsense(answer.words)
        if code in (Refusal.HALTED, Refusal.HALT_INPUT):
            self._position = None
            return HaltedError(
                f"The controller {REFUSAL_TEXT[code]}.",
                where=" ".join(asked),
                remedy="Release the halt button, make sure hands are clear, and home the rig.",
            )
        if code is Refusal.NO_SESSION:
            self._position = None
            return LinkError(
                "The controller restarted by itself.",
                where=self._transport.name,
                remedy="Check its supply, home it, then resume the scan.",
            )
        text = f"The controller {REFUSAL_TEXT[code]}."
        if code is Refusal.DUTY_CYCLE:
            return _DutyCycleError(text, (self._value(answer.words, "W") or 100.0) / 1000.0)
        if code is Refusal.NOT_READY:
            return _NotReadyError(text)
        return ControllerRefusedError(text, where=" ".join(asked))


class _DutyCycleError(ControllerRefusedError):
    def __init__(self, text: str, wait_s: float) -> None:
        super().__init__(text)
        self.wait_s = wait_s


class _NotReadyError(ControllerRefusedError):
    pass
