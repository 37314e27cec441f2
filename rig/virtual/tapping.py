"""The hammer against the plate: Hertz contact stepped in time, leaving and striking again.

Force F = K·δ^1.5·(1 + c·δ̇) while the hammer presses (Hertz 1881; the loss term after Hunt and
Crossley, J. Appl. Mech. 42 (1975) 440), the plate answering through its modes. Modes above the
highest one solved are replaced by one critically damped spring with the compliance of an
unbounded thin plate beyond that frequency, so that the plate yields locally as it should
(point mobility 1/(8√(B·ρh)), Cremer and Heckl).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rig.model.units import FloatArray

STEP_RATE_HZ = 384_000
SOUND_RATE_HZ = 48_000
_OVERSAMPLING = STEP_RATE_HZ // SOUND_RATE_HZ
_WATCHED_S = 0.008  # how long after the first contact the hammer may strike again
_LATENCY_SAMPLES = 8  # of the converter's low-pass, at the sound rate

TIP_STIFFNESS = {"hard": 6e7, "medium": 5e6, "soft": 5e5}  # N/m^1.5


@dataclass(frozen=True)
class Hammer:
    """Mass, tip and return spring of a tapper; speeds by pulse length.

    surface_loss: c in s/m. retract_n: force of the return spring, which pulls from the first
    contact on, when the pulse is over.
    """

    mass_kg: float = 1.1e-3
    tip: str = "hard"
    surface_loss: float = 0.12
    retract_n: float = 0.08
    light_pulse_us: int = 3000
    light_speed_m_s: float = 0.5
    speed_exponent: float = 1.26  # firm, twice as long a pulse: 2.4 times the speed
    least_pulse_us: int = 900
    speed_scatter: float = 0.05
    place_scatter_mm: float = 0.3

    @property
    def stiffness(self) -> float:
        """Hertz constant K of the tip on wood, N/m^1.5."""
        return TIP_STIFFNESS[self.tip]

    def speed_m_s(self, pulse_us: int) -> float:
        """Mean strike speed of a pulse; 0 when the pulse is too short to reach the plate."""
        if pulse_us < self.least_pulse_us:
            return 0.0
        return float(self.light_speed_m_s * (pulse_us / self.light_pulse_us) ** self.speed_exponent)


@dataclass(frozen=True)
class Contact:
    """What happened under the hammer.

    force_n: at STEP_RATE_HZ from the first touch. intervals_s: start and end of every contact.
    rebound_speed_m_s: away from the plate after the last contact; negative if it never left.
    """

    force_n: FloatArray
    intervals_s: tuple[tuple[float, float], ...]
    strike_speed_m_s: float
    rebound_speed_m_s: float
    impulse_n_s: float = field(default=0.0)


def modal_receptance(frequencies_hz: FloatArray, loss: FloatArray) -> FloatArray:
    """Unit-impulse displacement of each mode, per unit of φ(place)·φ(place); (steps, modes).

    Sampled at STEP_RATE_HZ over the watched time; row 0 is the moment of the impulse (zero).
    """
    time = np.arange(int(_WATCHED_S * STEP_RATE_HZ)) / STEP_RATE_HZ
    omega = 2.0 * np.pi * frequencies_hz
    damped = omega * np.sqrt(np.maximum(1.0 - 0.25 * loss**2, 1e-6))
    decay = np.exp(-0.5 * loss * omega * time[:, None])
    return np.asarray(np.sin(damped * time[:, None]) * decay / damped, dtype=np.float64)


def local_yield(top_hz: float, bending_n_m: float, mass_per_area: float) -> FloatArray:
    """Unit-impulse displacement of what the modes above `top_hz` add at one place; (steps,).

    Compliance ∫ 2·Re(Y)/(π ω²) dω from the top upwards with Y = 1/(8√(B·ρh)).
    """
    top = 2.0 * np.pi * top_hz
    compliance = 2.0 / (np.pi * top) / (8.0 * np.sqrt(bending_n_m * mass_per_area))
    corner = 1.8 * top
    time = np.arange(int(_WATCHED_S * STEP_RATE_HZ)) / STEP_RATE_HZ
    return np.asarray(compliance * corner**2 * time * np.exp(-corner * time), dtype=np.float64)


def collide(hammer: Hammer, stiffness: float, speed_m_s: float, answer: FloatArray) -> Contact:
    """Step the hammer against the plate.

    answer: (steps,) displacement of the plate per unit impulse at the place struck.
    stiffness: K at this place, N/m^1.5. Displacements are counted in the direction of the blow.
    """
    dt = 1.0 / STEP_RATE_HZ
    steps = len(answer)
    force = np.zeros(steps)
    backwards = np.ascontiguousarray(answer[::-1]) * dt  # so that a history is a plain dot product
    position, speed = 0.0, speed_m_s
    intervals: list[tuple[float, float]] = []
    now = 0
    while True:
        begun = now
        now, position, speed = _press(
            hammer, stiffness, force, backwards, begun, position, speed, first=not intervals
        )
        intervals.append((begun * dt, now * dt))
        if now >= steps - 2:
            break
        plate = _convolve(force, answer)[now:] * dt
        flight = np.arange(len(plate)) * dt
        fall = hammer.retract_n / hammer.mass_kg
        path = position + speed * flight - 0.5 * fall * flight**2
        touching = np.flatnonzero(path[1:] > plate[1:])
        if len(touching) == 0:
            break
        again = int(touching[0]) + 1
        position, speed = float(path[again]), speed - fall * float(flight[again])
        now += again
    used = max(8, int(np.flatnonzero(force)[-1]) + 2) if np.any(force) else 8
    return Contact(
        force_n=force[:used],
        intervals_s=tuple(intervals),
        strike_speed_m_s=speed_m_s,
        rebound_speed_m_s=-speed,
        impulse_n_s=float(force.sum() * dt),
    )


def _press(
    hammer: Hammer,
    stiffness: float,
    force: FloatArray,
    backwards: FloatArray,
    begun: int,
    position: float,
    speed: float,
    *,
    first: bool,
) -> tuple[int, float, float]:
    """Fill `force` from step `begun` until the hammer lets go; return step, position, speed."""
    dt = 1.0 / STEP_RATE_HZ
    steps = len(force)
    start = 0 if not np.any(force[:begun]) else int(np.flatnonzero(force)[0])
    mass, loss, retract = hammer.mass_kg, hammer.surface_loss, hammer.retract_n
    squeeze_before = 0.0
    now = begun
    while now < steps:
        history = force[start:now]
        plate = (
            float(history @ backwards[steps - 1 - now + start : steps - 1]) if now > start else 0.0
        )
        squeeze = position - plate
        if squeeze <= 0.0 and now > begun:
            return now, position, speed
        squeeze = max(squeeze, 0.0)
        rate = (squeeze - squeeze_before) / dt if now > begun else (speed if first else 0.0)
        push = max(stiffness * squeeze * np.sqrt(squeeze) * (1.0 + loss * rate), 0.0)
        force[now] = push
        squeeze_before = squeeze
        speed -= (push + retract) / mass * dt
        position += speed * dt
        now += 1
    return now, position, speed


def _convolve(force: FloatArray, answer: FloatArray) -> FloatArray:
    """First len(answer) samples of the convolution."""
    size = 1 << int(2 * len(answer) - 1).bit_length()
    product = np.fft.rfft(force, size) * np.fft.rfft(answer, size)
    return np.asarray(np.fft.irfft(product, size)[: len(answer)])


def converter_taps(fraction: float = 0.0) -> FloatArray:
    """Low-pass of the converter at STEP_RATE_HZ: 16 sound samples long, unit gain below 19 kHz.

    Windowed sinc with its corner at 22 kHz, Kaiser β = 7; `fraction` (0…1) of a sound sample later.
    """
    half = _LATENCY_SAMPLES * _OVERSAMPLING
    place = np.arange(2 * half + _OVERSAMPLING) - half - fraction * _OVERSAMPLING
    corner = 22_000.0 / STEP_RATE_HZ
    inside = np.clip(1.0 - (place / (half - 0.5)) ** 2, 0.0, None)
    taps = 2.0 * corner * np.sinc(2.0 * corner * place) * np.i0(7.0 * np.sqrt(inside)) / np.i0(7.0)
    taps[np.abs(place) > half - 0.5] = 0.0
    return np.asarray(taps / taps.sum(), dtype=np.float64)


CONVERTER_DELAY_S = _LATENCY_SAMPLES / SOUND_RATE_HZ


def sampled_force(contact: Contact, fraction: float = 0.0) -> FloatArray:
    """The force at SOUND_RATE_HZ as the pickup's converter gives it, (n,) in N.

    Sample 0 is the first touch, `fraction` of a sample early; the converter delays everything by
    CONVERTER_DELAY_S, as real ones do, in both channels alike.
    """
    filtered = np.convolve(contact.force_n, converter_taps(fraction))
    return np.ascontiguousarray(filtered[::_OVERSAMPLING])
