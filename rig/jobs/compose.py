"""The one place where a virtual world or a real rig is chosen; everything else sees roles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import RigFileError, UsageError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from rig.calibrate.gantry import GantryCorrection
    from rig.devices.roles import Camera, Clock, Controller, Microphone
    from rig.devices.transport import Transport
    from rig.jobs.in_force import InForce
    from rig.model.frames import Face, Pose
    from rig.model.plate_facts import PlateFacts
    from rig.model.rig_settings import RigSettings

_INSIDE_MM = 1.0  # parked so far from the corner of the limits: half of any backlash


@dataclass(frozen=True)
class Rig:
    """A composed rig, nothing opened yet.

    origin: what a scan's record says of where it came from, enough to compose the same rig
    again. facts: what scales and rulers of a virtual workshop say of its plate; None on a real
    rig, where the user says it. new_controller: makes another one for the same board, for a
    cable that was pulled and is back; None on virtual rigs. corner_mm: where the hammer is parked,
    bed frame; None for the corner of the limits. lies: of a virtual rig, where the plate truly lies
    by now, and whether it has slipped since it was laid. calibration: what holds of it.
    """

    controller: Controller
    microphone: Microphone
    camera: Camera
    clock: Clock
    settings: RigSettings
    simulated: bool
    origin: dict[str, Any] = field(default_factory=dict)
    facts: PlateFacts | None = None
    new_controller: Callable[[], Controller] | None = None
    corner_mm: tuple[float, float] | None = None
    lies: Callable[[], tuple[Pose, bool]] | None = None
    calibration: InForce | None = None

    def settings_for(self, picture: NDArray[np.uint8]) -> tuple[RigSettings, tuple[str, ...]]:
        """The settings with the lens to use on a picture of this size, and what to say of it."""
        if self.calibration is None:
            return self.settings, ()
        size = picture.shape[1], picture.shape[0]
        return self.calibration.lens_for(self.settings, size)

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
    serial_log: Path | str | None = None,
    calibration: InForce | None = None,
    slipped: bool = False,
) -> Rig:
    """Choose the devices: a virtual world by name, or the rig that a file describes.

    seed, speed, pose (where the plate truly lies) and session (another draw of scatter and
    noise) belong to virtual worlds, and so does slipped: the plate has had its mishap already.
    serial_log: a file that takes every byte of the controller's line. calibration: what holds
    of the rig's; its correction of the gantry makes places on the bed places to command. None: the
    bare rig. Raises UsageError, UnknownWorldError, RigFileError.
    """
    if (world is None) == (rig_file is None):
        raise UsageError(
            "A scan needs either a virtual world or a rig file.",
            remedy="Give --virtual WORLD or --rig rig.toml.",
        )
    if world is not None:
        rig = _virtual(world, seed, speed, face, pose, session, serial_log, slipped)
    else:
        rig = _real(Path(str(rig_file)), session, serial_log)
    if calibration is None:
        return rig
    rig = replace(rig, calibration=calibration)
    return rig if calibration.correction is None else _corrected(rig, calibration.correction)


def _corrected(rig: Rig, correction: GantryCorrection) -> Rig:
    """The same rig, told so that the hammer comes down where it is meant to."""
    import numpy as np

    from rig.devices.corrected import CorrectedController

    limits, offset = rig.settings.controller.limits_mm, rig.settings.tapper.offset_mm

    def wrapped(inner: Controller) -> Controller:
        return CorrectedController(inner, correction, limits, offset)

    made_anew = rig.new_controller
    corner = np.array([limits[:2]], dtype=np.float64) + offset + _INSIDE_MM
    x, y = correction.to_bed(corner)[0]
    return replace(
        rig,
        controller=wrapped(rig.controller),
        new_controller=None if made_anew is None else lambda: wrapped(made_anew()),
        corner_mm=(float(x), float(y)),
    )


def _virtual(
    world: str,
    seed: int,
    speed: float,
    face: Face,
    pose: Pose | None,
    session: int,
    serial_log: Path | str | None,
    slipped: bool,
) -> Rig:
    from dataclasses import asdict

    from rig.devices.link import LineController
    from rig.virtual.rig import build_rig

    made = build_rig(
        world, seed, speed=speed, face=face, pose=pose, session=session, slipped=slipped
    )
    spec = made.spec
    mass_g = getattr(made.bench.voice, "mass_g", None)  # the workshop's scales
    transport = _logged(made.transport, serial_log, made.clock)
    return Rig(
        controller=LineController(transport, made.clock, made.settings, session=session),
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
        lies=lambda: (made.bench.pose, made.bench.slipped),
    )


def _real(rig_file: Path, session: int, serial_log: Path | str | None) -> Rig:
    from rig.archive.rig_file import load_rig_file
    from rig.devices.camera import camera_for
    from rig.devices.clock import SystemClock
    from rig.devices.microphone import StreamMicrophone

    settings = load_rig_file(rig_file)
    where = str(rig_file)
    if settings.controller.port is None and settings.controller.identity is None:
        raise RigFileError(
            "The rig file names no port for the controller.",
            where=where,
            remedy="Set port in [controller], or what the port is known by in "
            "[controller.identity]; `platerig devices` lists the ports there are.",
        )
    if settings.camera.source is None:
        raise RigFileError(
            "The rig file names no camera.",
            where=where,
            remedy="Set source in [camera]; without a picture nobody knows where the plate lies.",
        )
    if serial_log is None and settings.controller.serial_log is not None:
        serial_log = rig_file.parent / settings.controller.serial_log
    clock = SystemClock()

    def new_controller() -> Controller:
        return _controller(settings, clock, session, serial_log)

    return Rig(
        controller=new_controller(),
        microphone=StreamMicrophone(settings.microphone, clock),
        camera=camera_for(settings.camera, clock, beside=rig_file.parent),
        clock=clock,
        settings=settings,
        simulated=False,
        origin={"simulated": False, "rig_file": str(rig_file.resolve())},
        new_controller=new_controller,
    )


def _controller(
    settings: RigSettings, clock: Clock, session: int, serial_log: Path | str | None
) -> Controller:
    """The link that the rig file asks for, on the port it means."""
    from rig.devices.link import LineController
    from rig.devices.ports import port_of
    from rig.devices.rs274_link import Rs274Controller
    from rig.devices.transport import SerialTransport

    controller = settings.controller
    port = controller.port or (lambda: port_of(controller))
    transport = _logged(SerialTransport(port, controller.baud), serial_log, clock)
    if controller.link == "rs274":
        return Rs274Controller(transport, clock, settings)
    started = int(clock.now_s() * 1000.0)  # tells this session from one before
    return LineController(transport, clock, settings, session=started + session)


def _logged(transport: Transport, path: Path | str | None, clock: Clock) -> Transport:
    """The same line, written down where somebody asked for it."""
    if path is None:
        return transport
    from rig.devices.serial_log import LoggedTransport

    return LoggedTransport(transport, path, clock)
