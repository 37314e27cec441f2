"""What is plugged in: serial ports, sound inputs, cameras. Nothing is opened or spoken to."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.model.progress import Progress, silent


@dataclass(frozen=True)
class Port:
    """A serial port as the system knows it."""

    port: str
    description: str
    hardware_id: str


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
    from serial.tools import list_ports

    return tuple(
        Port(p.device, p.description or "", p.hwid or "") for p in sorted(list_ports.comports())
    )


def _inputs() -> tuple[tuple[Input, ...], tuple[str, ...]]:
    try:
        import sounddevice
    except OSError as error:
        return (), (f"Sound inputs cannot be listed: {error}. Install PortAudio.",)
    try:
        found = sounddevice.query_devices()
    except sounddevice.PortAudioError as error:
        return (), (f"Sound inputs cannot be listed: {error}.",)
    return tuple(
        Input(d["name"], d["max_input_channels"], round(d["default_samplerate"]))
        for d in found
        if d["max_input_channels"] > 0
    ), ()


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
