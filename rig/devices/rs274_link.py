"""The Controller role on a plain board that acknowledges RS-274 lines.

Such a board has no numbers on its lines, no heartbeat and no limits of its own on the hammer:
limits, longest pulse and duty cycle are kept here. What was once sent is never sent again; a
pulse without its acknowledgement is a doubtful strike, and an error.
"""

from __future__ import annotations

import contextlib
import math
import threading
from collections.abc import Sequence

from rig.devices.bounds import gantry_place
from rig.devices.roles import Clock, ControllerInfo, StrikeReport
from rig.devices.rs274_lines import (
    Alarm,
    Greeting,
    Other,
    Place,
    PlainCodec,
    Refused,
    Said,
    fields_of,
    filled,
    is_single,
    on_the_wire,
)
from rig.devices.transport import Transport
from rig.model.errors import (
    ControllerRefusedError,
    HaltedError,
    LinkError,
    PlaterigError,
    RigFileError,
)
from rig.model.rig_settings import RigSettings

BANNER_S = 3.0
QUIET_S = 0.3  # a board that has said nothing for so long has finished its greeting
SLICE_S = 0.05  # longest wait without a look at the halt flag
SOON_S = 0.25  # a move is acknowledged when taken, as a rule; where not, at its end
ANSWER_S = 5.0
PULSE_ANSWER_S = 2.0
MOTION_S = 120.0
LEAD_S = 0.01  # for a computer that sends the bytes of one piece in two
LEAST_PULSE_US = 100
PLACE_TOLERANCE_MM = 0.1


class Rs274Controller:
    """One owner thread calls everything; only `halt` may come from another thread."""

    def __init__(self, transport: Transport, clock: Clock, settings: RigSettings) -> None:
        words = settings.controller.rs274
        if words is None or not words.halt:
            raise RigFileError(
                "A plain board needs its words: “halt” in [controller.rs274] is missing.",
                remedy="Enter the character or word that stops the board at once.",
            )
        self._transport = transport
        self._clock = clock
        self._settings = settings
        self._words = words
        self._codec = PlainCodec(words)
        self._lock = threading.RLock()
        self._halt_wanted = threading.Event()
        self._alive = False
        self._homed = False
        self._at: tuple[float, float] | None = None  # gantry, mm
        self._going_to: tuple[float, float] | None = None
        self._places: list[Place] = []
        self._refusals: list[Refused] = []
        self._cool_at_s = -math.inf
        self._pulse_end_s = -math.inf

    def open(self) -> ControllerInfo:
        """Open the line, wait for the banner, and send the words of the start."""
        with self._lock:
            self._codec = PlainCodec(self._words)
            self._halt_wanted.clear()
            self._forget_place()
            self._transport.open()
            self._alive = True
            greeting = self._listen_until_quiet(BANNER_S)
            self._ask(self._words.start, ANSWER_S)
        tapper = self._settings.tapper
        return ControllerInfo(
            firmware=" ".join(greeting.split()) or "a board that says nothing of itself",
            protocol=0,
            max_pulse_us=tapper.max_pulse_us,
            max_duty=tapper.max_duty,
        )

    def home(self) -> None:
        """Lift a halt if there was one, find the corner, and wait until it is found."""
        with self._lock:
            self._require_alive()
            if self._halt_wanted.is_set():
                self._listen_until_quiet(BANNER_S)  # many boards restart when halted
                self._codec.drop()
                self._halt_wanted.clear()
                self._ask((*self._words.clear, *self._words.start), ANSWER_S)
            self._forget_place()
            self._ask((*self._words.home, self._words.arrived), MOTION_S)
            self._homed, self._at = True, (0.0, 0.0)
            self._see_place((0.0, 0.0), "Add G92 X0 Y0 to home in [controller.rs274].")

    def start_move(self, x_mm: float, y_mm: float) -> None:
        """Begin a straight move of the hammer to a place of the bed frame."""
        there = gantry_place(x_mm, y_mm, self._settings)
        with self._lock:
            self._require_homed()
            if self._going_to is not None:
                raise ControllerRefusedError("The controller is still moving.")
            self._rest_until(self._pulse_end_s)
            feed = 60.0 * self._settings.controller.speed_mm_s
            line = filled(self._words.move, x=there[0], y=there[1], feed=feed)
            self._codec.put((line,))
            self._going_to = there
            self._finish(SOON_S, late_is_fine=True)

    def wait_until_still(self) -> None:
        """Return when the motion has ended."""
        with self._lock:
            if self._going_to is None:
                self._check_halt()
                return
            self._ask((self._words.arrived,), MOTION_S)
            there, self._going_to = self._going_to, None
            self._at = there
            self._see_place(there, "Look for lost steps: belts, speed, motor current.")

    def strike(self, pulse_us: int) -> StrikeReport:
        """One pulse: on, dwell and off in one piece, after the solenoid's cooling time.

        The board has no clock to tell: the pulse is where the computer's clock puts it.
        """
        limit_us = self._settings.tapper.max_pulse_us
        if not LEAST_PULSE_US <= pulse_us <= limit_us:
            raise ControllerRefusedError(
                f"A pulse of {pulse_us} µs is too short or too long; "
                f"{LEAST_PULSE_US} to {limit_us} µs are allowed.",
                remedy="See [tapper] in the rig file.",
            )
        words = self._words
        with self._lock:
            self._require_homed()
            if self._going_to is not None:
                raise ControllerRefusedError("The controller is still moving.")
            self._rest_until(self._cool_at_s)
            pulse = (words.pulse_on, dwell_line(words.dwell, 1e-6 * pulse_us), words.pulse_off)
            byte_s = 10.0 / self._settings.controller.baud
            # a dwell ahead: the pulse's lines are all there before the first of them is executed
            ahead_s = round(LEAD_S + byte_s * sum(len(on_the_wire(line)) for line in pulse), 3)
            ahead = dwell_line(words.dwell, ahead_s)
            data = self._codec.together((ahead, *pulse))
            self._check_halt()
            self._transport.write(data)
            pulse_s = self._clock.now_s() + byte_s * len(on_the_wire(ahead)) + ahead_s
            self._cool_at_s = pulse_s + 1e-6 * pulse_us / self._settings.tapper.max_duty
            self._pulse_end_s = pulse_s + 1e-6 * pulse_us
            self._see_pulse(pulse_us)
        return StrikeReport(round(1e6 * pulse_s), pulse_s)

    def position(self) -> tuple[float, float] | None:
        """Where the hammer last stood still; None when unknown."""
        if not self._homed or self._at is None:
            return None
        dx, dy = self._settings.tapper.offset_mm
        return self._at[0] + dx, self._at[1] + dy

    def halt(self) -> None:
        """Send the halt at once, from any thread, then the hammer's off word. Never raises."""
        self._halt_wanted.set()
        self._forget_place()
        urgent = b"".join(on_the_wire(item) for item in self._words.halt)
        for data in (urgent, on_the_wire(self._words.pulse_off)):
            with contextlib.suppress(PlaterigError):
                self._transport.write(data)
        if self._lock.acquire(timeout=1.0):
            try:
                self._codec.drop()
            finally:
                self._lock.release()

    def close(self) -> None:
        """Let go of the line."""
        self._alive = False
        self._transport.close()

    # -- conversation ------------------------------------------------------------------------

    def _ask(self, lines: Sequence[str], limit_s: float) -> None:
        """Send lines and wait until each is acknowledged; single characters need no answer."""
        for line in lines:
            if is_single(line):
                self._finish(limit_s)
                self._transport.write(on_the_wire(line))
            else:
                self._codec.put((line,))
        self._finish(limit_s)

    def _finish(self, limit_s: float, *, late_is_fine: bool = False) -> None:
        """Send what is due until all is answered; the first refusal is raised at the end."""
        deadline = self._clock.now_s() + limit_s
        while not self._codec.idle:
            self._check_halt()
            data = self._codec.due()
            if data:
                self._transport.write(data)
            left = deadline - self._clock.now_s()
            if left <= 0.0:
                if late_is_fine and not self._refusals:
                    return
                raise self._silent()
            for said in self._codec.receive(self._transport.read(min(left, SLICE_S))):
                self._take(said)
        self._check_halt()
        if self._refusals:
            first = self._refusals[0]
            self._refusals.clear()
            self._going_to = None
            raise ControllerRefusedError(
                f"The board refused a line: {first.said}.",
                where=first.line,
                remedy="See the board's manual and its words in [controller.rs274].",
            )

    def _take(self, said: Said) -> None:
        """Act on what the board says."""
        if isinstance(said, Refused):
            self._refusals.append(said)
            self._codec.keep_back()
        elif isinstance(said, Place):
            self._places.append(said)
        elif isinstance(said, Alarm):
            self._halt_wanted.set()
            self._forget_place()
            self._codec.drop()
            raise HaltedError(
                f"The board stopped by itself: {said.said}.",
                where=self._transport.name,
                remedy="Make sure hands are clear, then home it and resume the scan.",
            )
        elif isinstance(said, Greeting):
            self._give_up()
            raise LinkError(
                "The board restarted by itself.",
                where=self._transport.name,
                remedy="Check its supply, home it, then resume the scan.",
            )

    def _see_pulse(self, pulse_us: int) -> None:
        """Wait until all three lines of a pulse are acknowledged; anything else is doubtful."""
        on, off = self._words.pulse_on, self._words.pulse_off
        try:
            self._finish(PULSE_ANSWER_S + 1e-6 * pulse_us)
        except ControllerRefusedError as refusal:
            if refusal.where == on:
                raise  # never on: dwell and off did no harm
            self.halt()
            doubt = "is still on" if refusal.where == off else "struck as it should"
            raise LinkError(
                f"Whether the hammer {doubt} is not known: {refusal.what}",
                where=refusal.where,
                remedy="The board has been halted. Check its words in [controller.rs274].",
            ) from refusal
        except LinkError as error:
            self.halt()
            raise LinkError(
                f"Whether the hammer struck is not known, and it was not asked twice. {error.what}",
                where=self._transport.name,
                remedy="Check cable and supply, home the rig, then resume the scan.",
            ) from error

    def _see_place(self, expected: tuple[float, float], remedy: str) -> None:
        """Compare with what the board says, where it can be asked."""
        query = self._words.position
        if query is None:
            return
        self._places.clear()
        self._ask((query,), ANSWER_S)
        deadline = self._clock.now_s() + ANSWER_S
        while not self._places:
            self._check_halt()
            left = deadline - self._clock.now_s()
            if left <= 0.0:
                self._give_up()
                raise LinkError(
                    "The board does not say where it is.",
                    where=query,
                    remedy="Check position and position_reply in [controller.rs274].",
                )
            for said in self._codec.receive(self._transport.read(min(left, SLICE_S))):
                self._take(said)
        place = self._places[-1]
        if math.dist((place.x_mm, place.y_mm), expected) > PLACE_TOLERANCE_MM:
            self._forget_place()
            raise HaltedError(
                f"The gantry is at x {place.x_mm:g}, y {place.y_mm:g} mm by its own count, not at "
                f"x {expected[0]:g}, y {expected[1]:g}.",
                where=self._transport.name,
                remedy=f"{remedy} Then home it again.",
            )

    def _listen_until_quiet(self, patience_s: float) -> str:
        """What the board says after a start; a board that says nothing is waited for in vain."""
        heard: list[str] = []
        begun = False  # whether it has said its banner, or anything where none is known
        deadline = self._clock.now_s() + patience_s
        while (left := deadline - self._clock.now_s()) > 0.0:
            data = self._transport.read(min(left, QUIET_S))
            if not data and begun:
                break
            for said in self._codec.receive(data):
                if isinstance(said, Greeting | Other | Alarm):
                    heard.append(said.said)
                begun = begun or isinstance(said, Greeting) or self._words.banner is None
        banner = self._words.banner
        if banner is not None:
            heard = [text for text in heard if banner.lower() in text.lower()]
        return heard[0] if heard else ""

    # -- state -------------------------------------------------------------------------------

    def _check_halt(self) -> None:
        if self._halt_wanted.is_set():
            self._codec.drop()
            raise HaltedError("The rig was halted.", remedy="Home it before going on.")

    def _require_alive(self) -> None:
        if not self._alive:
            raise LinkError(
                "The line to the board must be opened anew.",
                where=self._transport.name,
                remedy="Check cable and supply, home the rig, then resume the scan.",
            )

    def _require_homed(self) -> None:
        self._require_alive()
        self._check_halt()
        if not self._homed:
            raise ControllerRefusedError("The controller must be homed first.")

    def _forget_place(self) -> None:
        self._homed = False
        self._at = None
        self._going_to = None
        self._refusals.clear()

    def _give_up(self) -> None:
        """Nobody knows any more which answer belongs to which line."""
        self._alive = False
        self._forget_place()
        self._codec.drop()

    def _silent(self) -> LinkError:
        waiting = self._codec.in_flight
        self._give_up()
        return LinkError(
            f"The board does not acknowledge ({waiting[0] if waiting else 'anything'}).",
            where=self._transport.name,
            remedy="Check port, cable and supply of the board, home it, then resume.",
        )

    def _rest_until(self, moment_s: float) -> None:
        while (left := moment_s - self._clock.now_s()) > 0.0:
            self._check_halt()
            self._clock.sleep_s(min(left, SLICE_S))


def dwell_line(template: str, duration_s: float) -> str:
    """A dwell of this length in the unit that its template asks for."""
    values = {"seconds": duration_s, "milliseconds": 1e3 * duration_s}
    return filled(template, **{name: values[name] for name in fields_of(template)})
