"""What truly happens at the bench: motions and blows in rig time, as the sound will tell them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from rig.devices.motion import Trapezoid
from rig.model.frames import BedXY, Pose
from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.virtual.faults import FaultSpec
from rig.virtual.noise import NoiseSpec, clack
from rig.virtual.tapping import SOUND_RATE_HZ, Hammer

GAP_M = 3e-3  # hammer tip above the plate
LEAST_SPEED_M_S = 0.05


class Sound(Protocol):
    """What one blow sends to the two channels, (n,) each at 48 kHz from the first contact."""

    @property
    def mic(self) -> FloatArray:
        """Sound pressure at the microphone, Pa."""

    @property
    def pickup(self) -> FloatArray:
        """Force on the hammer, N."""

    @property
    def rebound_speed_m_s(self) -> float | None:
        """Speed of the hammer after the contact, None when it did not come back."""


class Voice(Protocol):
    """A plate that answers a blow."""

    @property
    def outline(self) -> Outline:
        """Where there is wood."""

    def strike(self, x_mm: float, y_mm: float, speed_m_s: float, rng: np.random.Generator) -> Sound:
        """Blow at a place of the plate frame."""


def flight_s(pulse_us: float, speed_m_s: float) -> float:
    """From the start of the pulse to the contact: half the pulse's push, then the hammer's gap."""
    return min(5e-7 * pulse_us, 0.002) + GAP_M / speed_m_s


@dataclass(frozen=True)
class GateResult:
    """What the speed gate on the hammer saw."""

    strike_speed_m_s: float | None = None
    rebound_speed_m_s: float | None = None


@dataclass
class Motion:
    """A motion that can be heard; end_s moves forward when it is cut short."""

    start_s: float
    end_s: float
    way: Trapezoid


@dataclass(frozen=True)
class Blow:
    """Something short that can be heard from a moment on."""

    start_s: float
    mic: FloatArray
    pickup: FloatArray


@dataclass
class StrikeTruth:
    """For tests: what really happened at one strike command."""

    pulse_s: float
    contact_s: float | None
    x_mm: float
    y_mm: float
    speed_m_s: float
    faults: tuple[str, ...] = ()


@dataclass
class Bench:
    """The plate on the bed, the hammer over it, and everything they do."""

    voice: Voice
    pose: Pose
    hammer: Hammer
    noise: NoiseSpec
    faults: FaultSpec
    rng: np.random.Generator
    hammer_offset_mm: tuple[float, float] = (0.0, 0.0)
    motions: list[Motion] = field(default_factory=list)
    blows: list[Blow] = field(default_factory=list)
    overflows: list[float] = field(default_factory=list)
    truths: list[StrikeTruth] = field(default_factory=list)

    def motion_started(self, start_s: float, way: Trapezoid) -> None:
        """The gantry begins to move."""
        self.motions.append(Motion(start_s, start_s + way.duration_s, way))

    def motion_cut(self, now_s: float) -> None:
        """The gantry was stopped on its way."""
        if self.motions and self.motions[-1].end_s > now_s:
            self.motions[-1].end_s = now_s

    def strike(self, start_s: float, gantry_mm: tuple[float, float], pulse_us: int) -> GateResult:
        """The solenoid was driven from `start_s` for `pulse_us` with the gantry at this place."""
        rng, hammer, faults = self.rng, self.hammer, self.faults
        scatter = rng.normal(0.0, hammer.place_scatter_mm, 2)
        speed = hammer.speed_m_s(pulse_us) * (1.0 + rng.normal(0.0, hammer.speed_scatter))
        missed, double, clipped, overflow, bounce_s, bounce = rng.random(6)
        at_bed = np.array([gantry_mm]) + np.array([self.hammer_offset_mm]) + scatter
        x_mm, y_mm = (float(v) for v in self.pose.to_plate(BedXY(at_bed))[0])
        happened = []
        if speed < LEAST_SPEED_M_S:
            missed = -1.0  # the hammer never reaches the plate
            speed = LEAST_SPEED_M_S
        contact_s = start_s + flight_s(pulse_us, speed)
        clack_s = max(start_s, contact_s - self.noise.clack_lead_s)
        self.blows.append(Blow(clack_s, *clack(self.noise, rng)))
        if overflow < faults.sound_overflow:
            happened.append("overflow")
            self.overflows.append(contact_s + 0.01)
        if missed < 0.0 or missed < faults.strike_missed:
            happened.append("missed")
            self.truths.append(StrikeTruth(start_s, None, x_mm, y_mm, 0.0, tuple(happened)))
            return GateResult()
        if not bool(self.voice.outline.contains(np.array([[x_mm, y_mm]]))[0]):
            happened.append("beside the plate")
            self.truths.append(StrikeTruth(start_s, None, x_mm, y_mm, speed, tuple(happened)))
            self.blows.append(_thud(contact_s, speed, rng))
            return GateResult(speed, None)
        loudness = 1.0
        if clipped < faults.strike_clipped:
            happened.append("clipped")
            loudness = 60.0
        sound = self.voice.strike(x_mm, y_mm, speed, rng)
        self.blows.append(Blow(contact_s, loudness * sound.mic, loudness * sound.pickup))
        if double < faults.strike_double:
            happened.append("double")
            again = self.voice.strike(x_mm, y_mm, speed * (0.3 + 0.3 * bounce), rng)
            later_s = contact_s + 0.025 + 0.04 * bounce_s
            self.blows.append(Blow(later_s, again.mic, again.pickup))
        self.truths.append(StrikeTruth(start_s, contact_s, x_mm, y_mm, speed, tuple(happened)))
        return GateResult(speed, sound.rebound_speed_m_s)

    def forget_before(self, moment_s: float) -> None:
        """Drop what can no longer be heard."""
        self.motions = [m for m in self.motions if m.end_s > moment_s]
        self.blows = [b for b in self.blows if b.start_s + len(b.mic) / SOUND_RATE_HZ > moment_s]
        self.overflows = [m for m in self.overflows if m + 1.0 > moment_s]


def _thud(contact_s: float, speed_m_s: float, rng: np.random.Generator) -> Blow:
    """The hammer on the felt of the bed: dull and short."""
    t = np.arange(2400) / SOUND_RATE_HZ
    force = 20.0 * speed_m_s * np.sin(np.pi * np.minimum(t / 0.004, 1.0)) ** 2
    mic = 0.05 * speed_m_s * np.exp(-t / 0.008) * np.sin(2 * np.pi * 90.0 * t)
    return Blow(contact_s, mic * (1.0 + 0.1 * rng.normal()), force)
