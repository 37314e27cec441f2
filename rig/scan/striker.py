"""One strike on the devices: go there, stand still, strike, record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from rig.devices.roles import Clock, Controller, Microphone, StrikeReport
from rig.devices.sample_clock import PulseClock, StrikeClock
from rig.model.clip import Clip
from rig.model.errors import (
    ControllerRefusedError,
    DeviceError,
    HaltedError,
    MicrophoneError,
    MicrophoneGoneError,
)
from rig.model.rig_settings import RigSettings
from rig.scan.control import ScanControl
from rig.scan.pace import Place
from rig.scan.sighting import contact_sample

LONGEST_LATENCY_S = 0.5  # of a sound server, beyond the record itself
LOST_S = 0.2  # of sound that went uncounted, so that strikes lie earlier than thought
UNSEEN = 2  # strikes in a row that were not where they should be
ASTRAY_S = 0.002  # so far off its place a clip is cut anew
CHECK_S = 0.1  # longest rig time between looks at the halt flag


@dataclass(frozen=True)
class Devices:
    """What the runner drives; all open."""

    controller: Controller
    microphone: Microphone
    clock: Clock


@dataclass(frozen=True)
class Recorded:
    """A blow as the devices tell it."""

    clip: Clip
    pulse_time_us: int


class Striker:
    """Knows where the hammer is on the plan, and the clocks. Raises the devices' errors.

    places: bed frame, by tap number.
    """

    def __init__(
        self,
        devices: Devices,
        settings: RigSettings,
        places: Sequence[Place],
        pulse_us: int,
        control: ScanControl,
    ) -> None:
        self._controller = devices.controller
        self._microphone = devices.microphone
        self._clock = devices.clock
        self._settings = settings
        self._places = places
        self.pulse_us = pulse_us
        self._control = control
        self._pulses = PulseClock()
        self._strikes = StrikeClock(settings.microphone.rate_hz)
        self._moving_to: int | None = None
        self._at: int | None = None
        self._arrived_s = 0.0
        self._unseen = 0
        self._deaf_at: int | None = None  # where the stream stood when sound was missed last
        self._trouble: DeviceError | None = None  # met while a strike was being saved

    def prepare(self) -> None:
        """Home if needed."""
        self.check_halt()
        if self._controller.position() is None:
            self._controller.home()

    def start_move(self, tap: int) -> None:
        """Begin to move; nothing happens when the hammer is there or under way."""
        if tap in (self._moving_to, self._at):
            return
        if self._moving_to is not None:
            self._arrive()
        self._controller.start_move(*self._places[tap])
        self._moving_to, self._at = tap, None

    def stand_over(self, tap: int) -> None:
        """Be there, and settled."""
        self.start_move(tap)
        if self._at != tap:
            self._arrive()
        settled_s = self._arrived_s + self._settings.controller.settle_s
        self.rest(settled_s - self._clock.now_s())

    def strike(self, after_record: Callable[[], None]) -> Recorded:
        """Strike and record; `after_record` is called the moment the quiet time is over.

        Raises MicrophoneError when the sound of this strike was lost. What goes wrong with the
        controller once the sound is there is raised by the next call: the strike is saved first.
        """
        asked_s = self._clock.now_s()
        report = self._controller.strike(self.pulse_us)
        pulse_s = self._pulses.moment_s(report.pulse_time_us, report.answered_s, asked_s)
        self.rest(pulse_s + self._settings.microphone.record_s - self._clock.now_s())
        try:
            after_record()
        except DeviceError as error:
            self._trouble = error
        try:
            clip = self._record(report, self._microphone.sample_at(pulse_s))
        except MicrophoneError as error:
            raise self._trouble or self._deaf(error) from error
        return Recorded(
            replace(
                clip,
                strike_speed_m_s=report.strike_speed_m_s,
                rebound_ratio=_rebound_ratio(report),
            ),
            report.pulse_time_us,
        )

    def park(self, place: Place) -> None:
        """Leave the plate; for the end of a scan."""
        if self._moving_to is not None:
            self._arrive()
        self._at = None
        self._controller.start_move(*place)
        self._controller.wait_until_still()

    def rest(self, duration_s: float) -> None:
        """Let rig time pass, with an eye on the halt flag."""
        end = self._clock.now_s() + duration_s
        self.check_halt()
        while (left := end - self._clock.now_s()) > 1e-9:
            self._clock.sleep_s(min(left, CHECK_S))
            self.check_halt()

    def check_halt(self) -> None:
        """Raise HaltedError once the rig has been halted, or the trouble that was put off."""
        if self._control.halted:
            raise HaltedError("The rig was halted.", remedy="Home it, then resume the scan.")
        if self._trouble is not None:
            raise self._trouble

    def _arrive(self) -> None:
        try:
            self._controller.wait_until_still()
        except ControllerRefusedError:
            self._moving_to = None  # a board that refuses late
            raise
        self._at, self._moving_to = self._moving_to, None
        self._arrived_s = self._clock.now_s()

    # -- the sound of one strike -------------------------------------------------------------

    def _record(self, report: StrikeReport, guess: float) -> Clip:
        """The clip of a strike whose pulse is thought to lie at sample `guess`.

        Every strike that is seen tells better where the next one lies. The first may come much
        later than guessed, behind a sound server, and is looked for; so is one after several
        that were not seen.
        """
        strikes, t_us = self._strikes, report.pulse_time_us
        pulse = round(strikes.pulse(t_us, guess))
        first, clip = self._take(pulse)
        seen = contact_sample(clip)
        if seen is None and (strikes.count == 0 or self._unseen >= UNSEEN):
            first, seen = self._search(round(guess))
        if seen is None:
            self._unseen += 1
            return clip
        contact = first + seen
        if strikes.saw(t_us, contact, guess, report.strike_speed_m_s):
            self._unseen = 0
        if abs(contact - strikes.lag - pulse) > ASTRAY_S * self._settings.microphone.rate_hz:
            _, clip = self._take(round(contact - strikes.lag))
        return clip

    def _search(self, guess: int) -> tuple[int, float | None]:
        """Look for a strike later than it was thought to be, then earlier."""
        first, clip = self._take(guess, LONGEST_LATENCY_S)
        seen = contact_sample(clip)
        if seen is None and self._strikes.count:
            sooner = guess - round(LOST_S * self._settings.microphone.rate_hz)
            first, clip = self._take(sooner, LOST_S)
            seen = contact_sample(clip)
        return first, seen

    def _deaf(self, error: MicrophoneError) -> MicrophoneError:
        """The error itself, or the news that no sound at all has come since the last one."""
        position = self._microphone.position_samples()
        before, self._deaf_at = self._deaf_at, position
        if position != before:
            return error
        return MicrophoneGoneError(
            "No sound comes any more.",
            where=f"sample {position} of the stream",
            remedy="Check the sound interface and its cable, then resume the scan.",
        )

    def _take(self, pulse: int, more_s: float = 0.0) -> tuple[int, Clip]:
        """The record round a pulse, and its first sample in the stream."""
        microphone = self._settings.microphone
        rate = microphone.rate_hz
        first = max(0, pulse - round(microphone.before_s * rate))
        count = round((microphone.before_s + microphone.record_s + more_s) * rate)
        if self._moving_to is not None and self._microphone.position_samples() < first + count:
            try:
                self._arrive()  # rather than leave a motion alone, without its heartbeat
            except ControllerRefusedError:
                pass  # told again when the move is tried again
            except DeviceError as error:
                self._trouble = self._trouble or error
        clip = self._microphone.take(first, count)
        return first, replace(clip, strike_sample=pulse - first)


def _rebound_ratio(report: StrikeReport) -> float | None:
    """Outgoing over incoming speed, where the gate saw both."""
    if not report.strike_speed_m_s or report.rebound_speed_m_s is None:
        return None
    return report.rebound_speed_m_s / report.strike_speed_m_s
