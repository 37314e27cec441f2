"""One strike on the devices: go there, stand still, strike, record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from rig.devices.roles import Clock, Controller, Microphone, StrikeReport
from rig.model.clip import Clip
from rig.model.errors import HaltedError
from rig.model.rig_settings import RigSettings
from rig.scan.control import ScanControl
from rig.scan.pace import Place
from rig.scan.timing import PulseClock, SampleClock

LOOKS = 8  # at the sound stream before the first strike, to map the clock to samples
LOOK_GAP_S = 0.0073  # no multiple of a usual block, so that the looks fall differently
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
        self._samples = SampleClock(settings.microphone.rate_hz)
        self._pulses = PulseClock()
        self._moving_to: int | None = None
        self._at: int | None = None

    def prepare(self) -> None:
        """Home if needed, and learn which moment which sample belongs to."""
        self.check_halt()
        if self._controller.position() is None:
            self._controller.home()
        for _ in range(LOOKS):
            self._look()
            self.rest(LOOK_GAP_S)

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
            self.rest(self._settings.controller.settle_s)

    def strike(self, after_record: Callable[[], None]) -> Recorded:
        """Strike and record; `after_record` is called the moment the quiet time is over.

        Raises MicrophoneError when the sound of this strike was lost.
        """
        microphone = self._settings.microphone
        self._look()
        report = self._controller.strike(self.pulse_us)
        pulse_s = self._pulses.moment_s(report.pulse_time_us, report.answered_s)
        self.rest(pulse_s + microphone.record_s - self._clock.now_s())
        after_record()
        rate = microphone.rate_hz
        strike_sample = self._samples.sample_at(pulse_s)
        first = max(0, strike_sample - round(microphone.before_s * rate))
        count = round((microphone.before_s + microphone.record_s) * rate)
        clip = self._microphone.take(first, count)
        return Recorded(
            replace(
                clip,
                strike_sample=strike_sample - first,
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
        """Raise HaltedError once the rig has been halted."""
        if self._control.halted:
            raise HaltedError("The rig was halted.", remedy="Home it, then resume the scan.")

    def _arrive(self) -> None:
        self._controller.wait_until_still()
        self._at, self._moving_to = self._moving_to, None

    def _look(self) -> None:
        position = self._microphone.position_samples()
        self._samples.observe(self._clock.now_s(), position)


def _rebound_ratio(report: StrikeReport) -> float | None:
    """Outgoing over incoming speed, where the gate saw both."""
    if not report.strike_speed_m_s or report.rebound_speed_m_s is None:
        return None
    return report.rebound_speed_m_s / report.strike_speed_m_s
