"""A whole scan straight into memory: a test bench for developers, not the product's way.

The product scans a virtual rig through bytes, samples and pixels like a real one. This module
goes round all that: it strikes a world's plate at given places and wraps the sounds as clips, so
that an estimator can be tried on 550 taps in a few seconds. Nothing in the product imports it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rig.model.clip import Clip
from rig.model.frames import Face, PlateXY, Pose, Strength
from rig.model.outline import Outline
from rig.model.rig_settings import TapperSettings
from rig.model.scan_record import ScanRecord, Strike
from rig.model.units import FloatArray
from rig.virtual.noise import SteadyNoise, clack, hum, pickup_noise, room_noise
from rig.virtual.tapping import SOUND_RATE_HZ
from rig.virtual.voice import PlateVoice
from rig.virtual.world_spec import MIC_FULL_SCALE_PA, PICKUP_FULL_SCALE_N, WorldSpec
from rig.virtual.worlds import build_voice, world_spec

BEFORE_S = 0.02
RECORD_S = 0.30
FLIGHT_S = 0.008  # from the pulse to the first contact
FLIGHT_SCATTER_S = 0.0003
_FULL_SCALE = 2**23


def grid_places(outline: Outline, spacing_mm: float, margin_mm: float = 6.0) -> FloatArray:
    """A plain square grid of places on the wood, at least `margin_mm` from any edge; (n, 2)."""
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    x, y = np.meshgrid(*(np.arange(low[k] + margin_mm, high[k], spacing_mm) for k in range(2)))
    grid = np.column_stack([x.ravel(), y.ravel()])
    grid = grid[outline.contains(grid)]
    return np.asarray(grid[outline.edge_distance_mm(grid) >= margin_mm])


def virtual_scan_record(
    world: str | WorldSpec,
    seed: int,
    *,
    places_mm: FloatArray | None = None,
    spacing_mm: float = 9.0,
    face: Face = "outer",
    strength: Strength = "light",
    repeats: int = 1,
    pickup: bool = True,
    pose: Pose | None = None,
    noise: float = 1.0,
    strike_seed: int = 0,
    scan: str = "S0001",
) -> ScanRecord:
    """Strike a plate all over and return the scan, readings left None.

    places_mm: (n, 2) plate frame, None for a plain grid. noise: 1 for the world's room, hum and
    pickup noise, 0 for none. strike_seed: another draw of scatter and noise on the same plate
    (a repeated scan). Clips: 24 bit, 0.02 s before the pulse and 0.30 s after it; the contact
    comes 8 ± 0.3 ms after the pulse, between samples. True places scatter around those stored.
    """
    spec = world_spec(world) if isinstance(world, str) else world
    voice = build_voice(spec, seed, face=face, pose=pose)
    rng = np.random.default_rng((seed, strike_seed, 5, face == "inner", strength == "firm"))
    places = grid_places(voice.outline, spacing_mm) if places_mm is None else places_mm
    tapper = TapperSettings()
    pulse_us = tapper.light_pulse_us if strength == "light" else tapper.firm_pulse_us
    speed = spec.hammer.speed_m_s(pulse_us)
    noise_seed = int(rng.integers(2**31))
    ears = (room_noise(spec.noise, noise_seed), pickup_noise(spec.noise, noise_seed))
    strikes: list[Strike] = []
    for tap, (x_mm, y_mm) in enumerate(np.asarray(places, dtype=np.float64)):
        for repeat in range(repeats):
            number = len(strikes)
            clip = _clip(voice, (float(x_mm), float(y_mm)), speed, rng, ears, number, noise)
            if not pickup or not spec.has_pickup:
                clip = replace(clip, samples=clip.samples[:, :1].copy(), pickup_channel=None)
            strikes.append(Strike(number + 1, tap, repeat, float(x_mm), float(y_mm), clip))
    mic_x, mic_y, mic_z = voice.microphone_mm
    return ScanRecord(
        scan=scan,
        face=face,
        strength=strength,
        spacing_mm=spacing_mm,
        outline=voice.outline,
        facts=replace(spec.facts, mass_g=round(voice.mass_g, 1)),
        strikes=tuple(strikes),
        pose=voice.pose,
        microphone_xyz_mm=(mic_x, mic_y, mic_z - spec.rim_height_mm),
        simulated=True,
        world=spec.name,
        conditions={
            "temperature_c": spec.plate.temperature_c,
            "humidity_percent": spec.humidity_percent,
        },
    )


def true_places(record: ScanRecord) -> PlateXY:
    """Planned place of every strike, (n, 2): to ask `truth` at."""
    return PlateXY(np.array([(s.x_mm, s.y_mm) for s in record.strikes], dtype=np.float64))


def _clip(
    voice: PlateVoice,
    place_mm: tuple[float, float],
    speed_m_s: float,
    rng: np.random.Generator,
    ears: tuple[SteadyNoise, SteadyNoise],
    number: int,
    noise: float,
) -> Clip:
    spec = voice.spec
    count = int((BEFORE_S + RECORD_S) * SOUND_RATE_HZ)
    pulse_sample = int(BEFORE_S * SOUND_RATE_HZ)
    first = number * 3 * count  # of the clip in the continuous stream
    flight = FLIGHT_S + FLIGHT_SCATTER_S * float(np.clip(rng.standard_normal(), -3.0, 3.0))
    contact = pulse_sample + flight * SOUND_RATE_HZ
    start = int(contact)
    sound = voice.strike(*place_mm, speed_m_s, rng, fraction=contact - start)
    mic, pickup = np.zeros(count), np.zeros(count)
    _add(mic, sound.mic, start)
    if sound.pickup is not None:
        _add(pickup, sound.pickup, start)
    click = clack(spec.noise, rng)
    lead = start - round(spec.noise.clack_lead_s * SOUND_RATE_HZ)
    _add(mic, noise * click[0], lead)
    _add(pickup, noise * click[1], lead)
    if noise > 0.0:
        mic += noise * (ears[0].samples(first, count) + hum(spec.noise, first, count))
        pickup += noise * ears[1].samples(first, count)
    full = np.column_stack([mic / MIC_FULL_SCALE_PA, pickup / PICKUP_FULL_SCALE_N])
    samples = np.clip(np.rint(full * _FULL_SCALE), -_FULL_SCALE, _FULL_SCALE - 1)
    strike_speed, rebound = sound.strike_speed_m_s, sound.rebound_speed_m_s
    return Clip(
        samples=samples.astype(np.int32),
        sample_rate_hz=SOUND_RATE_HZ,
        full_scale=_FULL_SCALE,
        mic_channel=0,
        pickup_channel=1,
        strike_sample=pulse_sample,
        strike_speed_m_s=strike_speed,
        rebound_ratio=rebound / strike_speed if rebound and strike_speed else None,
    )


def _add(target: FloatArray, sound: FloatArray, start: int) -> None:
    count = min(len(sound), len(target) - start)
    target[start : start + count] += sound[:count]
