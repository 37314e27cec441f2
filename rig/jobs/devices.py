"""What is plugged in: serial ports, sound inputs, cameras. Nothing is opened or spoken to."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.model.errors import MicrophoneError
from rig.model.progress import Progress, silent


@dataclass(frozen=True)
class Port:
    """A serial port as the system knows it; vid and pid as the rig file's identity writes them."""

    port: str
    description: str
    hardware_id: str
    vid: str | None = None
    pid: str | None = None
    serial_number: str | None = None


@dataclass(frozen=True)
class Input:
    """A sound input."""

    device: str
    channels: int
    rate_hz: int


@dataclass(frozen=True)
class VideoDevice:
    """A camera by the number the rig file wants."""

    source: str
    description: str


@dataclass(frozen=True)
class DeviceList:
    """Everything found, and what could not be looked for."""

    ports: tuple[Port, ...]
    microphones: tuple[Input, ...]
    cameras: tuple[VideoDevice, ...]
    worlds: tuple[str, ...]
    problems: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The JSON contract of `platerig devices`."""
        return {
            "ports": [vars(port) for port in self.ports],
            "microphones": [vars(microphone) for microphone in self.microphones],
            "cameras": [vars(camera) for camera in self.cameras],
            "worlds": list(self.worlds),
            "problems": list(self.problems),
        }


def devices(*, progress: Progress = silent) -> DeviceList:
    """List ports, microphones, cameras and virtual worlds."""
    del progress  # done in a moment
    from rig.virtual.worlds import WORLD_NAMES

    inputs, problems = _inputs()
    return DeviceList(_ports(), inputs, _cameras(), WORLD_NAMES, problems)


def _ports() -> tuple[Port, ...]:
    from rig.devices.ports import serial_ports

    return tuple(
        Port(
            one.port,
            one.description,
            one.hardware_id,
            None if one.vid is None else f"0x{one.vid:04x}",
            None if one.pid is None else f"0x{one.pid:04x}",
            one.serial_number,
        )
        for one in serial_ports()
    )


def _inputs() -> tuple[tuple[Input, ...], tuple[str, ...]]:
    from rig.devices.audio_devices import portaudio, sound_inputs

    try:
        library = portaudio()
    except MicrophoneError as error:
        return (), (f"Sound inputs cannot be listed. {error}",)
    try:
        found = sound_inputs()
    except library.PortAudioError as error:
        return (), (f"Sound inputs cannot be listed: {error}.",)
    return tuple(Input(one.name, one.channels, one.rate_hz) for one in found), ()


def _cameras(root: Path = Path("/sys/class/video4linux")) -> tuple[VideoDevice, ...]:
    """Linux lists its video devices as files; a picture is only taken when one is named."""
    found = []
    for entry in sorted(root.glob("video*")) if root.is_dir() else []:
        number = entry.name.removeprefix("video")
        name = entry / "name"
        text = name.read_text(encoding="utf-8", errors="replace").strip() if name.exists() else ""
        if number.isdigit():
            found.append(VideoDevice(number, text))
    return tuple(found)
