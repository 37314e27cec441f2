"""From the plate's motion to the microphone: Rayleigh integral, echoes and a room's tail.

p(t) = −ρ0/2π ∫ a(x, t − r/c)/r dS (Rayleigh 1896, an infinite baffle; the sound that runs round
the edge of a real free plate is left out). Every mode is carried with its true delays, so the
answer of each mode at the microphone is one curve, and a strike is their sum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.virtual.plate.modes import PlateModes
from rig.virtual.tapping import SOUND_RATE_HZ

AIR_DENSITY_KG_M3 = 1.204
ANSWER_S = 0.45  # kept of every mode's ring
_FADE_S = 0.05
_FINE = 8  # delays are sorted into eighths of a sample
_SINC_HALF = 12


@dataclass(frozen=True)
class Room:
    """Early echoes off the walls, bench and ceiling of a box, then an exponential tail.

    size_m and place_m: box and the middle of the plate in it (z up); absorption: of the walls.
    tail_level: energy of the tail against the direct sound's, both from the same source.
    """

    reverberation_s: float = 0.3
    size_m: tuple[float, float, float] = (4.2, 3.4, 2.5)
    place_m: tuple[float, float, float] = (1.6, 1.3, 0.95)
    absorption: float = 0.45
    tail_level: float = 0.014


def loss_factor(frequencies_hz: FloatArray) -> FloatArray:
    """η = 0.012 + 0.010·f/8 kHz: wood's own losses and radiation together."""
    return np.asarray(0.012 + 0.010 * frequencies_hz / 8000.0, dtype=np.float64)


def speed_of_sound_m_s(temperature_c: float) -> float:
    """c = 331.3 + 0.606·T in dry air."""
    return 331.3 + 0.606 * temperature_c


def microphone_answers(
    modes: PlateModes,
    frequencies_hz: FloatArray,
    loss: FloatArray,
    heights_mm: FloatArray,
    microphone_mm: tuple[float, float, float],
    *,
    temperature_c: float = 20.0,
    room: Room | None = None,
    seed: int = 0,
) -> NDArray[np.float32]:
    """Pressure in Pa at the microphone per N·s through each mode; (modes, samples) float32.

    heights_mm: of the surface at the places of `modes.sampled()`, over the same zero as the
    microphone's z. Pressure of a strike: Σ φ_m(place)·answer_m, convolved with the force in N
    and divided by the sound rate.
    """
    places, areas, shapes = modes.sampled()
    surface = np.column_stack([places, heights_mm]) * 1e-3
    microphones = [(np.asarray(microphone_mm) * 1e-3, 1.0)]
    if room is not None:
        microphones += _images(room, np.asarray(microphone_mm) * 1e-3, surface.mean(axis=0))
    c = speed_of_sound_m_s(temperature_c)
    kernel = _delay_kernel(surface, areas, shapes, microphones, c)
    count = int(ANSWER_S * SOUND_RATE_HZ)
    # Laplace transform on a line off the imaginary axis: the ring has died away well before the
    # transform's period ends, so nothing wraps round.
    size = 1 << (2 * count - 1).bit_length()
    shift = 8.0 / (size / SOUND_RATE_HZ)
    s = shift + 2j * np.pi * np.fft.rfftfreq(size, 1.0 / SOUND_RATE_HZ)
    time = np.arange(size) / SOUND_RATE_HZ
    tail = _tail_spectrum(room, size, shift, seed) if room is not None else None
    fade = np.ones(count)
    ramp = int(_FADE_S * SOUND_RATE_HZ)
    fade[-ramp:] = 0.5 * (1.0 + np.cos(np.pi * np.arange(ramp) / ramp))
    out: NDArray[np.float32] = np.empty((len(frequencies_hz), count), dtype=np.float32)
    damping = np.exp(-shift * time[: kernel.shape[1]])
    for m, (hz, eta) in enumerate(zip(frequencies_hz, loss, strict=True)):
        omega = 2.0 * np.pi * hz
        acceleration = s * s / (s * s + eta * omega * s + omega**2)
        spectrum = np.fft.rfft(kernel[m] * damping, size) * acceleration
        if tail is not None:
            spectrum *= 1.0 + tail
        answer = np.fft.irfft(spectrum, size)[:count] * np.exp(shift * time[:count])
        out[m] = -AIR_DENSITY_KG_M3 / (2.0 * np.pi) * answer * fade
    out *= SOUND_RATE_HZ
    return out


def _delay_kernel(
    surface: FloatArray,
    areas: FloatArray,
    shapes: FloatArray,
    microphones: list[tuple[FloatArray, float]],
    c: float,
) -> FloatArray:
    """∫ φ_m δ(t − r/c)/r dS band-limited to the sound rate; (modes, samples), unit-area samples."""
    spread = [np.linalg.norm(surface - place, axis=1) for place, _gain in microphones]
    longest = max(float(r.max()) for r in spread) / c
    fine = np.zeros((int(longest * SOUND_RATE_HZ * _FINE) + 3, shapes.shape[1]))
    for r, (_place, gain) in zip(spread, microphones, strict=True):
        at = r / c * SOUND_RATE_HZ * _FINE
        low = at.astype(np.int64)
        share = (at - low)[:, None]
        strength = (gain * areas / r)[:, None] * shapes
        np.add.at(fine, low, strength * (1.0 - share))
        np.add.at(fine, low + 1, strength * share)
    samples = int(np.ceil(len(fine) / _FINE)) + _SINC_HALF
    gap = np.arange(samples)[:, None] - np.arange(len(fine))[None, :] / _FINE
    window = np.where(np.abs(gap) < _SINC_HALF, 0.5 + 0.5 * np.cos(np.pi * gap / _SINC_HALF), 0.0)
    return np.ascontiguousarray(((np.sinc(gap) * window) @ fine).T)


def _images(
    room: Room, microphone_m: FloatArray, plate_m: FloatArray
) -> list[tuple[FloatArray, float]]:
    """Image microphones of the first two orders of wall reflections, in the plate's coordinates.

    Their gain holds |cos θ| against the plate's normal: a free plate sends little sideways, which
    the baffle of the Rayleigh integral would not know.
    """
    size, place = np.array(room.size_m), np.array(room.place_m)
    inside = place + (microphone_m - plate_m)
    reflection = np.sqrt(1.0 - room.absorption)
    images = []
    for order in np.ndindex(5, 5, 5):
        n = np.array(order) - 2
        bounces = int(np.abs(n).sum())
        if 0 < bounces <= 2:
            mirrored = np.where(n % 2 == 0, n * size + inside, n * size + (size - inside))
            image = mirrored - place + plate_m
            way = image - plate_m
            facing = abs(float(way[2])) / float(np.linalg.norm(way))
            images.append((image, facing * float(reflection**bounces)))
    return images


def _tail_spectrum(room: Room, size: int, shift: float, seed: int) -> FloatArray:
    """Spectrum of the diffuse tail that follows every sound, relative to the sound itself."""
    rng = np.random.default_rng((seed, 77))
    time = np.arange(size) / SOUND_RATE_HZ
    start = 0.012  # seconds: about the mean free path
    decay = np.exp(-6.9078 * np.maximum(time - start, 0.0) / room.reverberation_s)
    rise = 1.0 - np.exp(-np.maximum(time - start, 0.0) / 0.003)
    noise = rng.standard_normal(size) * decay * rise * (time < 4.0 * room.reverberation_s)
    noise *= np.sqrt(room.tail_level / np.sum(noise**2))
    return np.asarray(np.fft.rfft(noise * np.exp(-shift * time)))
