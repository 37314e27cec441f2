"""What truly happens at the bench: motions and blows in rig time, as the sound will tell them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
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
GATE_SCATTER = 0.003  # of a speed read by the gate


class Sound(Protocol):
    """What one blow sends to the two channels, at the sound rate from the first contact."""

    @property
    def mic(self) -> FloatArray:
        """Sound pressure at the microphone, Pa."""

    @property
    def pickup(self) -> FloatArray | None:
        """Force on the hammer, N."""

    @property
    def rebound_speed_m_s(self) -> float | None:
        """Speed of the hammer after the contact; None without a gate or when it stayed down."""


class Voice(Protocol):
    """A plate that answers a blow, exactly where and as fast as told when rng is None."""

    @property
    def outline(self) -> Outline:
        """Where there is wood."""

    def strike(
        self,
        x_mm: float,
        y_mm: float,
        speed_m_s: float,
        rng: np.random.Generator | None,
        *,
        fraction: float = 0.0,
    ) -> Sound:
        """Blow at a place of the plate frame, `fraction` of a sample after sample 0."""


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
    """Something that can be heard from a sample of the stream on."""

    first_sample: int
    mic: FloatArray
    pickup: FloatArray | None


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
    """The plate on the bed, the hammer over it, and everything they do.

    voice None: nothing lies on the bed. stream_start_s: rig time of the sound stream's sample 0.
    slipped: the plate has slipped already, and will not do so again.
    """

    voice: Voice | None
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
    stream_start_s: float = 0.0
    slipped: bool = False
    on_slip: Callable[[Pose], None] | None = None  # whoever else has to know where the plate lies
    _struck: int = 0

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
        self._slip()
        scatter = rng.normal(0.0, hammer.place_scatter_mm, 2)
        speed = hammer.speed_m_s(pulse_us) * (1.0 + rng.normal(0.0, hammer.speed_scatter))
        missed, double, clipped, overflow, bounce_s, bounce = rng.random(6)
        gantry = faults.gantry_comes_to(gantry_mm)
        at_bed = np.array([gantry]) + np.array([self.hammer_offset_mm]) + scatter
        x_mm, y_mm = (float(v) for v in self.pose.to_plate(BedXY(at_bed))[0])
        happened = []
        if speed < LEAST_SPEED_M_S:
            missed = -1.0  # the hammer never reaches the plate
            speed = LEAST_SPEED_M_S
        contact_s = start_s + flight_s(pulse_us, speed)
        clack_s = max(start_s, contact_s - self.noise.clack_lead_s)
        self.blows.append(Blow(self._sample(clack_s)[0], *clack(self.noise, rng)))
        gate_error = 1.0 + GATE_SCATTER * rng.standard_normal(2)
        if overflow < faults.sound_overflow:
            happened.append("overflow")
            self.overflows.append(contact_s + 0.01)
        if missed < 0.0 or missed < faults.strike_missed:
            happened.append("missed")
            self.truths.append(StrikeTruth(start_s, None, x_mm, y_mm, 0.0, tuple(happened)))
            return GateResult()
        seen = float(speed * gate_error[0])
        if self.voice is None or not self.voice.outline.contains(np.array([[x_mm, y_mm]]))[0]:
            happened.append("beside the plate")
            self.truths.append(StrikeTruth(start_s, None, x_mm, y_mm, speed, tuple(happened)))
            self.blows.append(_thud(self._sample(contact_s)[0], speed))
            return GateResult(seen, None)
        loudness = 1.0
        if clipped < faults.strike_clipped:
            happened.append("clipped")
            loudness = 60.0
        rebound = self._sound(x_mm, y_mm, speed, contact_s, loudness)
        if double < faults.strike_double:
            happened.append("double")
            later_s = contact_s + 0.025 + 0.04 * bounce_s
            self._sound(x_mm, y_mm, speed * (0.3 + 0.3 * bounce), later_s, 1.0)
        self.truths.append(StrikeTruth(start_s, contact_s, x_mm, y_mm, speed, tuple(happened)))
        return GateResult(seen, None if rebound is None else float(rebound * gate_error[1]))

    def _slip(self) -> None:
        """Let the plate slip on its supports once it has been struck often enough."""
        faults = self.faults
        if faults.slip_after and not self.slipped and self._struck >= faults.slip_after:
            self.slipped = True
            x_mm, y_mm = self.pose.x_mm + faults.slip_mm[0], self.pose.y_mm + faults.slip_mm[1]
            self.pose = replace(self.pose, x_mm=x_mm, y_mm=y_mm)
            if self.on_slip is not None:
                self.on_slip(self.pose)
        self._struck += 1

    def _sound(
        self, x_mm: float, y_mm: float, speed: float, contact_s: float, loudness: float
    ) -> float | None:
        """Let the plate sound; return the speed of the rebound."""
        assert self.voice is not None
        whole, fraction = self._sample(contact_s)
        sound = self.voice.strike(x_mm, y_mm, speed, None, fraction=fraction)
        pickup = None if sound.pickup is None else loudness * sound.pickup
        self.blows.append(Blow(whole, loudness * sound.mic, pickup))
        return sound.rebound_speed_m_s

    def _sample(self, moment_s: float) -> tuple[int, float]:
        """Sample of the stream at or before a moment, and the part of a sample beyond it."""
        place = (moment_s - self.stream_start_s) * SOUND_RATE_HZ
        whole = math.floor(place)
        return whole, place - whole

    def forget_before(self, moment_s: float) -> None:
        """Drop what can no longer be heard."""
        self.motions = [m for m in self.motions if m.end_s > moment_s]
        oldest = self._sample(moment_s)[0]
        self.blows = [b for b in self.blows if b.first_sample + len(b.mic) > oldest]
        self.overflows = [m for m in self.overflows if m + 1.0 > moment_s]


def _thud(first_sample: int, speed_m_s: float) -> Blow:
    """The hammer on the felt of the bed: dull and short."""
    t = np.arange(2400) / SOUND_RATE_HZ
    force = 20.0 * speed_m_s * np.sin(np.pi * np.minimum(t / 0.004, 1.0)) ** 2
    mic = 0.05 * speed_m_s * np.exp(-t / 0.008) * np.sin(2 * np.pi * 90.0 * t)
    return Blow(first_sample, mic, force)
