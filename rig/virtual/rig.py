"""A whole virtual rig: one world, one seed, one clock behind all its devices."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from rig.model.frames import Face, Pose
from rig.model.rig_settings import RigSettings
from rig.virtual.bench import Bench, Voice
from rig.virtual.camera import VirtualCamera
from rig.virtual.clock import VirtualClock
from rig.virtual.controller import FirmwareSettings, VirtualController
from rig.virtual.faults import FaultyLine
from rig.virtual.microphone import VirtualMicrophone
from rig.virtual.scene_surfaces import Look
from rig.virtual.settings import virtual_rig_settings
from rig.virtual.transport import VirtualTransport
from rig.virtual.world_spec import WorldSpec
from rig.virtual.worlds import PlateVoice, build_voice, world_spec


@dataclass(frozen=True)
class VirtualRig:
    """What plugs into the product (transport, microphone, camera, clock, settings), and what
    tests may look behind (board, bench, pose: the truth)."""

    spec: WorldSpec
    settings: RigSettings
    clock: VirtualClock
    transport: VirtualTransport
    microphone: VirtualMicrophone
    camera: VirtualCamera
    board: VirtualController
    bench: Bench
    pose: Pose


def build_rig(
    world: str | WorldSpec,
    seed: int = 1,
    *,
    speed: float = 1.0,
    face: Face = "outer",
    pose: Pose | None = None,
    session: int = 0,
    voice: Voice | None = None,
    slipped: bool = False,
) -> VirtualRig:
    """Set up a world with this face of its plate up.

    speed: rig seconds per real second, 0 as fast as possible. pose: where the plate truly lies,
    None for the world's own place. session: another draw of scatter, noise and faults on the
    same wood, so that a second scan is not a copy of the first. voice: another plate than the
    world's, for tests. slipped: the plate's slip, where the world has one, lies behind it: `pose`
    is where it lay down again. Raises UnknownWorldError.
    """
    spec = world_spec(world) if isinstance(world, str) else world
    lies = spec.pose(face) if pose is None else pose
    settings = _settings(spec)
    streams = [
        np.random.default_rng(child)
        for child in np.random.SeedSequence((seed, session, face == "inner")).spawn(5)
    ]
    strikes, board_rng, outward, homeward, rest = streams
    clock = VirtualClock(speed)
    plate: Voice | None = voice
    if plate is None and spec.has_plate:
        if isinstance(world, str):
            plate = _voice_of(world, seed, face, lies)
        else:
            plate = build_voice(spec, seed, face=face, pose=lies)
    bench = Bench(
        voice=plate,
        pose=lies,
        hammer=spec.hammer,
        noise=spec.noise,
        faults=spec.faults,
        rng=strikes,
        hammer_offset_mm=settings.tapper.offset_mm,
        slipped=slipped,
    )
    firmware = FirmwareSettings(
        limits_mm=settings.controller.limits_mm,
        max_pulse_us=settings.tapper.max_pulse_us,
        max_duty=settings.tapper.max_duty,
        has_gate=spec.has_gate,
    )
    board = VirtualController(clock, bench, firmware, board_rng)
    transport = VirtualTransport(
        clock,
        board,
        FaultyLine(spec.faults, outward),
        FaultyLine(spec.faults, homeward),
        baud=settings.controller.baud,
    )
    microphone = VirtualMicrophone(
        clock, bench, settings.microphone, spec.noise, int(rest.integers(2**31))
    )
    markers = [marker.id for marker in settings.bed.markers]
    hidden = rest.choice(markers, min(spec.faults.marker_missing, len(markers)), replace=False)
    camera = VirtualCamera(
        spec.plate.outline if spec.has_plate else None,
        lies if spec.has_plate else None,
        settings,
        Look(
            wood=spec.look.wood,
            flame=spec.look.flame,
            varnish=spec.look.varnish,
            arching_mm=spec.plate.arching.crown_mm,
        ),
        seed=seed,
        clock=clock,
        missing_markers=[int(number) for number in hidden],
        rim_height_mm=spec.rim_height_mm,
    )
    bench.on_slip = camera.lay
    return VirtualRig(spec, settings, clock, transport, microphone, camera, board, bench, lies)


@lru_cache(maxsize=3)
def _voice_of(world: str, seed: int, face: Face, pose: Pose) -> PlateVoice:
    """The voices last used: each takes seconds to prepare, and striking leaves no trace in them."""
    return build_voice(world_spec(world), seed, face=face, pose=pose)


def _settings(spec: WorldSpec) -> RigSettings:
    """The rig as its owner describes it: the common virtual rig with this world's channels."""
    settings = virtual_rig_settings()
    microphone = replace(
        settings.microphone,
        position_mm=spec.microphone_mm,
        pickup_channel=1 if spec.has_pickup else None,
    )
    return replace(settings, microphone=microphone)
