"""A plate with a hammer over it and a microphone above: strike it and get what was heard."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from rig.model.frames import BedXY, Face, Pose
from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.virtual.plate.modes import RIGID_MODES, PlateModes
from rig.virtual.plate.store import TOP_HZ, plate_modes
from rig.virtual.plate.wood import SmoothField
from rig.virtual.sound import loss_factor, microphone_answers
from rig.virtual.tapping import (
    Contact,
    collide,
    local_yield,
    modal_receptance,
    sampled_force,
)
from rig.virtual.world_spec import WorldSpec

# The foam strips under the plate: its rigid motions become slow, heavily damped ones.
_SUPPORT_HZ = 19.0
_SUPPORT_LOSS = 0.5
_FACE_SCATTER = 0.10  # of the Hertz constant, from place to place and face to face
_GATE_SCATTER = 0.003  # of a speed read by the gate


@dataclass(frozen=True)
class StrikeSound:
    """One strike, both channels at 48 kHz from the instant of the first contact.

    mic (n,) in Pa, with the way through the air in it; pickup (k,) in N, k ≤ n, None without a
    pickup. Both carry the converter's delay (tapping.CONVERTER_DELAY_S). Speeds as the gate
    reads them, None without a gate; rebound_speed_m_s also None when the hammer never left.
    contacts_s: start and end of every contact after the first touch (two or more: a double
    strike). place_mm: where the hammer truly fell, plate frame; impulse_n_s: what it gave.
    """

    mic: FloatArray
    pickup: FloatArray | None
    strike_speed_m_s: float | None
    rebound_speed_m_s: float | None
    contacts_s: tuple[tuple[float, float], ...]
    place_mm: tuple[float, float]
    true_speed_m_s: float
    impulse_n_s: float


def wood_seed(spec: WorldSpec, seed: int) -> int:
    """The sub-seed of the wood: worlds of one family share it, whatever else differs."""
    return zlib.crc32(f"{spec.wood_family}:{seed}".encode())


class PlateVoice:
    """The struck plate of one world, one face up, lying in one pose."""

    def __init__(self, spec: WorldSpec, seed: int, face: Face, pose: Pose | None = None) -> None:
        self.spec = spec
        self.seed = seed
        self.face: Face = face
        self.pose = spec.pose(face) if pose is None else pose
        self.outline: Outline = spec.plate.outline
        self._wood_seed = wood_seed(spec, seed)
        self._plate: PlateModes = plate_modes(spec.plate, self._wood_seed)
        self.mass_g = 1e3 * self._plate.mass_kg
        hz = self._plate.frequencies_hz.copy()
        loss = loss_factor(hz)
        hz[:RIGID_MODES], loss[:RIGID_MODES] = _SUPPORT_HZ, _SUPPORT_LOSS
        self._receptance = modal_receptance(hz, loss).astype(np.float32)
        places, _areas, _shapes = self._plate.sampled()
        self.microphone_mm = self._microphone_in_plate()
        self._answers = microphone_answers(
            self._plate,
            hz,
            loss,
            self._height_mm(places),
            self.microphone_mm,
            temperature_c=spec.plate.temperature_c,
            room=spec.room,
            seed=seed,
        )
        surface_seed = (self._wood_seed, 31 if face == "outer" else 32)
        self._surface = SmoothField(surface_seed, 25.0)

    @property
    def frequencies_hz(self) -> FloatArray:
        """Of the plate's vibrating modes, rigid motions left out."""
        return self._plate.frequencies_hz[RIGID_MODES:]

    def shapes_at(self, xy_mm: FloatArray) -> FloatArray:
        """Mass-normalised shapes (n, modes) of the vibrating modes, kg^-1/2."""
        return self._plate.at(xy_mm)[:, RIGID_MODES:]

    def strike(
        self,
        x_mm: float,
        y_mm: float,
        speed_m_s: float,
        rng: np.random.Generator | None,
        *,
        fraction: float = 0.0,
    ) -> StrikeSound:
        """Strike the plate at a place of the plate frame.

        speed_m_s: the mean speed (`spec.hammer.speed_m_s(pulse_us)`). rng draws the scatter of
        speed and place and the gate's error; None strikes exactly and reads exactly. fraction:
        the contact falls this part of a sample (0…1) after sample 0.
        """
        hammer = self.spec.hammer
        place, speed = np.array([x_mm, y_mm], dtype=np.float64), speed_m_s
        gate = np.ones(2)
        if rng is not None:
            place = place + hammer.place_scatter_mm * rng.standard_normal(2)
            speed *= max(0.2, 1.0 + hammer.speed_scatter * float(rng.standard_normal()))
            gate += _GATE_SCATTER * rng.standard_normal(2)
        shape = self._plate.at(place[None, :])[0]
        contact = self._contact(place, shape, speed)
        force = sampled_force(contact, fraction)
        response = shape.astype(np.float32) @ self._answers
        mic = np.convolve(response.astype(np.float64), force)[: len(response)] / 48_000.0
        rebound = contact.rebound_speed_m_s
        has_gate = self.spec.has_gate
        return StrikeSound(
            mic=mic,
            pickup=force if self.spec.has_pickup else None,
            strike_speed_m_s=float(speed * gate[0]) if has_gate else None,
            rebound_speed_m_s=float(rebound * gate[1]) if has_gate and rebound > 0.0 else None,
            contacts_s=contact.intervals_s,
            place_mm=(float(place[0]), float(place[1])),
            true_speed_m_s=float(speed),
            impulse_n_s=contact.impulse_n_s,
        )

    def _contact(self, place: FloatArray, shape: FloatArray, speed: float) -> Contact:
        plate = self.spec.plate
        here = place[None, :]
        thickness_m = float(plate.thickness_mm(here)[0]) * 1e-3
        law = plate.stiffness_pa(self._wood_seed, here)[0]
        bending = float(np.sqrt(law[0, 0] * law[1, 1])) * thickness_m**3 / 12.0
        area_density = thickness_m * float(plate.density_kg_m3(self._wood_seed, here)[0])
        answer = self._receptance @ (shape.astype(np.float32) ** 2)
        answer = answer.astype(np.float64) + local_yield(TOP_HZ, bending, area_density)
        surface = 1.0 + _FACE_SCATTER * float(np.clip(self._surface.at(here)[0], -2.5, 2.5))
        return collide(self.spec.hammer, self.spec.hammer.stiffness * surface, speed, answer)

    def _height_mm(self, xy_mm: FloatArray) -> FloatArray:
        """Height of the struck surface above the bed; the inner face up is a hollow bowl."""
        arch = self.spec.plate.arching
        height = arch.at(xy_mm)
        return self.spec.rim_height_mm + (
            height if self.face == "outer" else arch.crown_mm - height
        )

    def _microphone_in_plate(self) -> tuple[float, float, float]:
        x_mm, y_mm, z_mm = self.spec.microphone_mm
        x, y = self.pose.to_plate(BedXY(np.array([[x_mm, y_mm]])))[0]
        return float(x), float(y), z_mm
