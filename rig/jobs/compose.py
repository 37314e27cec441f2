"""The one place where a virtual world or a real rig is chosen; everything else sees roles."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import RigFileError, UsageError

if TYPE_CHECKING:
    from rig.devices.roles import Camera, Clock, Controller, Microphone
    from rig.model.frames import Face, Pose
    from rig.model.plate_facts import PlateFacts
    from rig.model.rig_settings import RigSettings


@dataclass(frozen=True)
class Rig:
    """A composed rig, nothing opened yet.

    origin: what a scan's record says of where it came from, enough to compose the same rig
    again. facts: what scales and rulers of a virtual workshop say of its plate; None on a real
    rig, where the user says it.
    """

    controller: Controller
    microphone: Microphone
    camera: Camera
    clock: Clock
    settings: RigSettings
    simulated: bool
    origin: dict[str, Any] = field(default_factory=dict)
    facts: PlateFacts | None = None

    def close(self) -> None:
        """Let go of all devices; safe to call whatever has been opened."""
        for device in (self.controller, self.microphone, self.camera):
            device.close()


def compose(
    world: str | None = None,
    rig_file: Path | str | None = None,
    *,
    seed: int = 1,
    speed: float = 1.0,
    face: Face = "outer",
    pose: Pose | None = None,
    session: int = 0,
) -> Rig:
    """Choose the devices: a virtual world by name, or the rig that a file describes.

    seed, speed, pose (where the plate truly lies) and session (another draw of scatter and
    noise) belong to virtual worlds. Raises UsageError, UnknownWorldError, RigFileError.
    """
    if (world is None) == (rig_file is None):
        raise UsageError(
            "A scan needs either a virtual world or a rig file.",
            remedy="Give --virtual WORLD or --rig rig.toml.",
        )
    if world is not None:
        return _virtual(world, seed, speed, face, pose, session)
    return _real(Path(str(rig_file)), session)


def _virtual(
    world: str, seed: int, speed: float, face: Face, pose: Pose | None, session: int
) -> Rig:
    from dataclasses import asdict, replace

    from rig.devices.link import LineController
    from rig.virtual.rig import build_rig

    made = build_rig(world, seed, speed=speed, face=face, pose=pose, session=session)
    spec = made.spec
    mass_g = getattr(made.bench.voice, "mass_g", None)  # the workshop's scales
    return Rig(
        controller=LineController(made.transport, made.clock, made.settings, session=session),
        microphone=made.microphone,
        camera=made.camera,
        clock=made.clock,
        settings=made.settings,
        simulated=True,
        origin={
            "simulated": True,
            "world": world,
            "seed": seed,
            "speed": speed,
            "session": session,
            "laid": None if pose is None else asdict(pose),
            "temperature_c": spec.plate.temperature_c,
            "humidity_percent": spec.humidity_percent,
            "mass_g": mass_g,
        },
        facts=replace(spec.facts, mass_g=mass_g),
    )


def _real(rig_file: Path, session: int) -> Rig:
    from rig.archive.rig_file import load_rig_file
    from rig.devices.camera import camera_for
    from rig.devices.clock import SystemClock
    from rig.devices.link import LineController
    from rig.devices.microphone import StreamMicrophone
    from rig.devices.transport import SerialTransport

    settings = load_rig_file(rig_file)
    controller = settings.controller
    where = str(rig_file)
    if controller.link != "platerig":
        raise RigFileError(
            f'The link "{controller.link}" is not known.',
            where=where,
            remedy='Set link = "platerig" and load the firmware of firmware_notes/.',
        )
    if controller.port is None:
        raise RigFileError(
            "The rig file names no port for the controller.",
            where=where,
            remedy="Set port in [controller]; `platerig devices` lists the ports there are.",
        )
    if settings.camera.source is None:
        raise RigFileError(
            "The rig file names no camera.",
            where=where,
            remedy="Set source in [camera]; without a picture nobody knows where the plate lies.",
        )
    clock = SystemClock()
    transport = SerialTransport(controller.port, controller.baud)
    started = int(clock.now_s() * 1000.0)  # tells this session from one before
    return Rig(
        controller=LineController(transport, clock, settings, session=started + session),
        microphone=StreamMicrophone(settings.microphone),
        camera=camera_for(settings.camera.source, clock),
        clock=clock,
        settings=settings,
        simulated=False,
        origin={"simulated": False, "rig_file": str(rig_file.resolve())},
    )
