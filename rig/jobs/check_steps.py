"""The steps of a walk through a rig. Each returns what it found, or raises what is wrong."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from rig.devices.levels import Advice, advice, channel_level, channels_confused
from rig.devices.motion import move_time_s
from rig.model.errors import DeviceError, PlaterigError

if TYPE_CHECKING:
    from rig.jobs.compose import Rig
    from rig.model.clip import Clip
    from rig.scan import ScanControl

NOT_CONFIRMED = "nobody has confirmed that hands are clear"
HOMING_QUESTION = "The gantry will home and drive round the bed. Are all hands clear?"
FIRING_QUESTION = (
    "The hammer will strike three times in the middle of the bed. Lay a plate or felt under it. "
    "Are all hands clear?"
)
INSET_MM = 10.0  # from the limits: a switch that sits early is not run into
STRIKES = 3
QUIET_S = 0.5
ARRIVED_MM = 0.1
SLOW = 1.2  # times the time that speed and acceleration of the rig file allow
SLOW_S = 0.2
DARK, BRIGHT = 12.0, 243.0  # mean grey of a picture
_GREY = np.array([0.114, 0.587, 0.299])  # ITU-R BT.601, of blue, green, red


class NotDoneError(PlaterigError):
    """A step that was left out."""


class StepFailedError(PlaterigError):
    """A step that found something wrong."""


class RigWalker:
    """Knows which steps rest on which, and what has been learned so far.

    confirm: asked before homing and before firing.
    """

    def __init__(self, rig: Rig, confirm: Callable[[str], bool], control: ScanControl) -> None:
        self._rig = rig
        self._confirm = confirm
        self._control = control
        self._linked = False
        self._homed = False
        self._driven = False
        self._confirmed: bool | None = None
        self._deaf: DeviceError | None = None
        self._clips: list[Clip] = []
        self._quiet: Clip | None = None
        self.steps: tuple[tuple[str, Callable[[], str]], ...] = (
            ("link", self.link),
            ("homing", self.homing),
            ("limits", self.limits),
            ("hammer", self.hammer),
            ("levels", self.levels),
            ("camera", self.camera),
        )

    def link(self) -> str:
        """Open the controller's line."""
        info = self._rig.controller.open()
        self._linked = True
        tapper = self._rig.settings.tapper
        if tapper.firm_pulse_us > info.max_pulse_us:
            raise StepFailedError(
                f"{info.firmware} answers, but gives no pulse longer than {info.max_pulse_us} µs; "
                f"the firm one is {tapper.firm_pulse_us} µs",
                remedy="Shorten firm_pulse_us in [tapper], or build the firmware with more.",
            )
        return (
            f"{info.firmware} answers; longest pulse {info.max_pulse_us} µs, "
            f"duty cycle {100 * info.max_duty:g} %"
        )

    def homing(self) -> str:
        """Find the corner."""
        self._need(self._linked, "the link failed")
        self._ask(HOMING_QUESTION)
        controller = self._rig.controller
        controller.home()
        place = controller.position()
        if place is None:
            raise StepFailedError("after homing the controller does not know where it is",
                             remedy="Check the limit switches and their wires.")  # fmt: skip
        self._homed = True
        return f"corner found; the hammer is at x {place[0]:.1f}, y {place[1]:.1f} mm"

    def limits(self) -> str:
        """Drive round inside the limits; never beyond them, nor beyond the bed."""
        settings = self._rig.settings
        bed = settings.bed
        x0, y0, x1, y1 = settings.controller.limits_mm
        if x0 < 0 or y0 < 0 or x1 > bed.width_mm or y1 > bed.depth_mm:
            raise StepFailedError(
                f"limits_mm (x {x0:g} to {x1:g}, y {y0:g} to {y1:g}) reach beyond the bed "
                f"({bed.width_mm:g} by {bed.depth_mm:g} mm); nothing was moved",
                remedy="Set limits_mm in [controller] within width_mm and depth_mm of [bed].",
            )
        self._need(self._homed, "the rig is not homed")
        inset = min(INSET_MM, 0.1 * (x1 - x0), 0.1 * (y1 - y0))
        dx, dy = settings.tapper.offset_mm
        corners = [
            (x + dx, y + dy)
            for x, y in (
                (x1 - inset, y0 + inset),
                (x1 - inset, y1 - inset),
                (x0 + inset, y1 - inset),
                (x0 + inset, y0 + inset),
            )
        ]
        late = [slow for corner in corners if (slow := self._go(*corner)) is not None]
        if late:
            raise StepFailedError(
                f"the gantry is slower than the rig file says: {late[0]}",
                remedy="Lower speed_mm_s and acceleration_mm_s2 in [controller] to what it does; "
                "look for limits of speed in the board's own settings.",
            )
        self._driven = True
        return f"drove round x {x0:g} to {x1:g}, y {y0:g} to {y1:g} mm without touching a switch"

    def hammer(self) -> str:
        """Three light strikes in the middle of the bed."""
        self._need(self._homed, "the rig is not homed")
        self._listen()
        self._ask(FIRING_QUESTION)
        from rig.scan.sighting import contact_sample
        from rig.scan.striker import Devices, Striker

        rig, settings = self._rig, self._rig.settings
        x0, y0, x1, y1 = settings.controller.limits_mm
        dx, dy = settings.tapper.offset_mm
        middle = (0.5 * (x0 + x1) + dx, 0.5 * (y0 + y1) + dy)
        pulse_us = settings.tapper.light_pulse_us
        reports = []
        if self._deaf is not None:
            self._go(*middle)
            reports = [rig.controller.strike(pulse_us) for _ in range(STRIKES)]
            return f"{len(reports)} light strikes given; nobody could listen to them"
        devices = Devices(rig.controller, rig.microphone, rig.clock)
        striker = Striker(devices, settings, [middle], pulse_us, self._control)
        striker.stand_over(0)
        for _ in range(STRIKES):
            self._clips.append(striker.strike(lambda: None).clip)
        seen = sum(contact_sample(clip) is not None for clip in self._clips)
        by = "pickup" if settings.microphone.pickup_channel is not None else "microphone"
        if seen < STRIKES:
            raise StepFailedError(
                f"{STRIKES} light strikes of {pulse_us} µs given, {seen} seen by the {by}",
                remedy="See that the hammer moves and reaches the plate (supply, wires, gap); "
                "then see the levels below. A longer light_pulse_us strikes harder.",
            )
        speeds = [clip.strike_speed_m_s for clip in self._clips]
        known = [speed for speed in speeds if speed is not None]
        gate = f", {sum(known) / len(known):.2f} m/s by the gate" if known else ""
        return f"{STRIKES} light strikes of {pulse_us} µs, all seen by the {by}{gate}"

    def levels(self) -> str:
        """Noise, peaks, clipping, and which way to turn the gain."""
        self._listen()
        if self._deaf is not None:
            raise self._deaf
        if self._quiet is None or not self._clips:
            self._need(False, "there were no strikes to listen to")
        assert self._quiet is not None
        microphone = self._rig.settings.microphone
        quiet, clips = self._quiet, self._clips
        found = [
            advice(channel_level("microphone", microphone.mic_channel, quiet.mic,
                                 [clip.mic for clip in clips]))
        ]  # fmt: skip
        if microphone.pickup_channel is not None and quiet.pickup is not None:
            strikes = [clip.pickup for clip in clips if clip.pickup is not None]
            level = channel_level("pickup", microphone.pickup_channel, quiet.pickup, strikes)
            found.append(advice(level))
            confused = channels_confused(clips[-1])
            if confused is not None:
                found.append(confused)
        return _summed_up(found)

    def camera(self) -> str:
        """One picture, its light, and the markers of the bed."""
        from rig.vision.bed import NoBed, find_bed

        camera, settings = self._rig.camera, self._rig.settings
        camera.open()
        pixels = camera.frame().pixels
        height, width = pixels.shape[:2]
        grey = np.asarray(np.clip(pixels @ _GREY, 0.0, 255.0), dtype=np.uint8)
        light = float(np.mean(grey))
        size = f"picture of {width} by {height}"
        if not DARK <= light <= BRIGHT:
            raise StepFailedError(
                f"{size}, but it is {'dark' if light < DARK else 'all white'}",
                remedy="Take the cap off, light the bed, or set exposure in [camera].",
            )
        bed = find_bed(grey, settings.bed, settings.camera.lens)
        if isinstance(bed, NoBed):
            raise StepFailedError(
                f"{size}, but the bed is not seen in it: {bed.reason.rstrip('.')}",
                remedy="Bring at least three markers of the rig file into view, lit evenly.",
            )
        used = sum(marker.used for marker in bed.markers)
        notes = "".join(f"; {note.rstrip('.')}" for note in bed.notes)
        return f"{size}, {used} markers agree within {bed.corner_rms_mm:.2f} mm{notes}"

    # -- what the steps share ----------------------------------------------------------------

    def _need(self, there: bool, why_not: str) -> None:
        if not there:
            raise NotDoneError(f"left out: {why_not}", remedy="Mend the step above first.")

    def _ask(self, question: str) -> None:
        """Hands clear, or nothing moves; who has said no once is not asked again."""
        if self._confirmed is not False:
            self._confirmed = self._confirm(question)
        if not self._confirmed:
            raise NotDoneError(
                NOT_CONFIRMED,
                remedy="Stand by the rig and confirm, or give --hands-clear.",
            )
        if self._control.halted:
            raise NotDoneError("left out: the rig was halted", remedy="Home it before going on.")

    def _go(self, x_mm: float, y_mm: float) -> str | None:
        """Drive somewhere; in words how much too slow it was, None when it was not."""
        rig = self._rig
        speeds = rig.settings.controller
        here = rig.controller.position()
        began_s = rig.clock.now_s()
        rig.controller.start_move(x_mm, y_mm)
        rig.controller.wait_until_still()
        took_s = rig.clock.now_s() - began_s
        there = rig.controller.position()
        if there is None or math.dist(there, (x_mm, y_mm)) > ARRIVED_MM:
            raise StepFailedError(
                f"sent to x {x_mm:.1f}, y {y_mm:.1f} mm, the controller says it is at {there}",
                remedy="Look for lost steps: belts, speed, motor current.",
            )
        if here is None:
            return None
        way_mm = math.dist(here, there)
        least_s = move_time_s(way_mm, speeds.speed_mm_s, speeds.acceleration_mm_s2)
        if took_s <= SLOW * least_s + SLOW_S:
            return None
        return f"{way_mm:.0f} mm took {took_s:.1f} s instead of {least_s:.1f} s"

    def _listen(self) -> None:
        """Open the sound stream once, and keep a quiet stretch of it."""
        if self._quiet is not None or self._deaf is not None:
            return
        rig = self._rig
        try:
            rig.microphone.open()
            first = rig.microphone.position_samples()
            count = round(QUIET_S * rig.settings.microphone.rate_hz)
            self._quiet = rig.microphone.take(first, count)
        except DeviceError as error:
            self._deaf = error

    def make_safe(self, error: DeviceError) -> None:
        """After a lost link or a halt nothing else moves."""
        del error
        self._homed = False
        self._rig.controller.halt()

    def put_away(self) -> None:
        """Park where that is possible, and let go of everything."""
        rig = self._rig
        if self._homed and not self._control.halted:
            x0, y0, _, _ = rig.settings.controller.limits_mm
            dx, dy = rig.settings.tapper.offset_mm
            with contextlib.suppress(PlaterigError):
                self._go(x0 + dx, y0 + dy)
        rig.close()


def _summed_up(found: list[Advice]) -> str:
    """All that was found of the channels; raises StepFailedError where one will not do."""
    text = "; ".join(one.found for one in found)
    remedies = " ".join(one.remedy for one in found if one.remedy)
    if all(one.good for one in found):
        return f"{text}. {remedies}".rstrip(". ")
    raise StepFailedError(text, remedy=remedies)
