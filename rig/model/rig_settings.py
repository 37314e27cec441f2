"""One rig, as its rig file describes it. Parsing and validation live in `rig/archive/`."""

from __future__ import annotations

from dataclasses import dataclass, field

RIM_HEIGHT_MM = 3.0  # upper edge of a plate's rim above the bed, unless told otherwise


@dataclass(frozen=True)
class PortIdentity:
    """What tells a serial port from the others; whatever is given must fit.

    vid, pid: USB vendor and product number; serial_number: the device's own; description: a part
    of what the system calls it, capitals or not.
    """

    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None
    description: str | None = None


@dataclass(frozen=True)
class Rs274Settings:
    """The words of a plain board that acknowledges RS-274 lines.

    Fields in braces are filled in: {x} {y} mm, {feed} mm/min, {seconds} or {milliseconds} of a
    dwell. The defaults are words of RS-274/NGC (NISTIR 6556); a word that stops a board at once
    is not among those, so `halt` must be given. A text of one character is sent as it is, at
    once and without a line end; longer ones are lines.

    banner: part of the board's greeting; None: any line will do. refusal, alarm: how a line
    begins that refuses a line, or that tells of a stop of the board's own. arrived: acknowledged
    only when all motion before it has ended. position: asks where the gantry is; position_reply:
    the answer. clear: lifts a halt. lines_in_flight and bytes_in_flight: sent ahead of their
    acknowledgement.
    """

    banner: str | None = None
    acknowledgement: str = "ok"
    refusal: tuple[str, ...] = ("error",)
    alarm: tuple[str, ...] = ("alarm",)
    start: tuple[str, ...] = ("G21", "G90", "G94")
    home: tuple[str, ...] = ("G28",)
    move: str = "G1 X{x} Y{y} F{feed}"
    arrived: str = "G4 P0"
    position: str | None = None
    position_reply: str = "X{x} Y{y}"
    pulse_on: str = "M8"
    dwell: str = "G4 P{seconds}"
    pulse_off: str = "M9"
    halt: tuple[str, ...] = ()
    clear: tuple[str, ...] = ()
    lines_in_flight: int = 1
    bytes_in_flight: int = 64


@dataclass(frozen=True)
class ControllerSettings:
    """Link, speeds and limits of the gantry.

    identity: finds the port where `port` does not name it. serial_log: file that takes every
    byte of the line. rs274: only where link is "rs274".
    """

    link: str = "platerig"  # "platerig" or "rs274"
    port: str | None = None
    baud: int = 250_000
    speed_mm_s: float = 150.0
    acceleration_mm_s2: float = 1500.0
    limits_mm: tuple[float, float, float, float] = (0.0, 0.0, 500.0, 600.0)  # x0, y0, x1, y1
    settle_s: float = 0.12
    heartbeat_s: float = 0.2
    serial_log: str | None = None
    identity: PortIdentity | None = None
    rs274: Rs274Settings | None = None


@dataclass(frozen=True)
class TapperSettings:
    """Solenoid pulses per strength, limits, and where the hammer sits on the gantry."""

    light_pulse_us: int = 3000
    firm_pulse_us: int = 6000
    max_pulse_us: int = 12_000
    max_duty: float = 0.1
    offset_mm: tuple[float, float] = (0.0, 0.0)  # hammer minus gantry origin, bed frame


@dataclass(frozen=True)
class MicrophoneSettings:
    """Sound stream and channel roles. Channels count from 0."""

    device: str | None = None
    rate_hz: int = 48_000
    mic_channel: int = 0
    pickup_channel: int | None = 1
    position_mm: tuple[float, float, float] | None = None  # bed frame, z above the bed
    before_s: float = 0.02  # kept ahead of the strike
    record_s: float = 0.30  # quiet time after the strike


@dataclass(frozen=True)
class LensSettings:
    """Pinhole and radial distortion, pixels (OpenCV's convention)."""

    fx: float
    fy: float
    cx: float
    cy: float
    k1: float = 0.0
    k2: float = 0.0


@dataclass(frozen=True)
class CameraSettings:
    """Where frames come from, and the lens if it is known.

    exposure: of a camera that is told one, in the driver's own unit; None: its own choice, held
    from the first picture on where lock_exposure says so.
    """

    source: str | None = None
    lens: LensSettings | None = None
    exposure: float | None = None
    lock_exposure: bool = True


@dataclass(frozen=True)
class BedMarker:
    """A printed marker on the bed: centre and side length, bed frame; its own up is bed +Y."""

    id: int
    x_mm: float
    y_mm: float
    size_mm: float


@dataclass(frozen=True)
class BedSettings:
    """Size of the bed and its markers."""

    width_mm: float = 500.0
    depth_mm: float = 600.0
    marker_dictionary: str = "DICT_4X4_50"
    markers: tuple[BedMarker, ...] = ()


@dataclass(frozen=True)
class RigSettings:
    """Everything the product knows about one rig."""

    name: str = "rig"
    controller: ControllerSettings = field(default_factory=ControllerSettings)
    tapper: TapperSettings = field(default_factory=TapperSettings)
    microphone: MicrophoneSettings = field(default_factory=MicrophoneSettings)
    camera: CameraSettings = field(default_factory=CameraSettings)
    bed: BedSettings = field(default_factory=BedSettings)
