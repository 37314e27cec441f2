"""Serial ports: found by what the system says of them. None is ever opened to find out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.model.errors import LinkError
from rig.model.rig_settings import ControllerSettings, PortIdentity


@dataclass(frozen=True)
class SerialPort:
    """A serial port as the system knows it; numbers and texts are None where it does not say."""

    port: str
    description: str = ""
    hardware_id: str = ""
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None

    def fits(self, wanted: PortIdentity) -> bool:
        """Whether everything that is wanted is so."""
        if wanted.vid is not None and wanted.vid != self.vid:
            return False
        if wanted.pid is not None and wanted.pid != self.pid:
            return False
        number = self.serial_number or ""
        if wanted.serial_number is not None and wanted.serial_number.lower() != number.lower():
            return False
        text = wanted.description
        return text is None or text.lower() in self.description.lower()


def serial_ports() -> tuple[SerialPort, ...]:
    """All ports of this computer, in the order of their names."""
    from serial.tools import list_ports

    return tuple(
        SerialPort(
            port=found.device,
            description="" if found.description in (None, "n/a") else found.description,
            hardware_id="" if found.hwid in (None, "n/a") else found.hwid,
            vid=found.vid,
            pid=found.pid,
            serial_number=found.serial_number,
        )
        for found in sorted(list_ports.comports())
    )


def port_of(settings: ControllerSettings, ports: Sequence[SerialPort] | None = None) -> str:
    """The controller's port: the one that is named, or the only one that has the identity.

    ports: None looks at what there is now. Raises LinkError when nothing tells which port it is,
    when none fits, or when several do.
    """
    if settings.port is not None:
        return settings.port
    wanted = settings.identity
    if wanted is None:
        raise LinkError(
            "Nothing says which port the controller is on.",
            remedy="Set port in [controller], or its [controller.identity]; "
            "`platerig devices` lists the ports there are.",
        )
    ports = serial_ports() if ports is None else ports
    fitting = [port for port in ports if port.fits(wanted)]
    if len(fitting) == 1:
        return fitting[0].port
    if not fitting:
        there = ", ".join(_named(port) for port in ports) or "none"
        raise LinkError(
            f"No port is the controller's ({identity_text(wanted)}).",
            where=f"ports here: {there}",
            remedy="Plug the controller in and switch it on; `platerig devices` tells what each "
            "port says of itself.",
        )
    raise LinkError(
        f"{len(fitting)} ports could be the controller's ({identity_text(wanted)}).",
        where=", ".join(_named(port) for port in fitting),
        remedy="Add serial_number to [controller.identity], or name the port.",
    )


def identity_text(wanted: PortIdentity) -> str:
    """An identity in words."""
    parts = []
    if wanted.vid is not None:
        parts.append(f"vid {wanted.vid:04x}")
    if wanted.pid is not None:
        parts.append(f"pid {wanted.pid:04x}")
    if wanted.serial_number is not None:
        parts.append(f"serial number {wanted.serial_number}")
    if wanted.description is not None:
        parts.append(f"“{wanted.description}”")
    return ", ".join(parts) or "no identity given"


def _named(port: SerialPort) -> str:
    return f"{port.port} ({port.description})" if port.description else port.port
