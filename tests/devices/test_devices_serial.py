"""Serial manners: ports by identity, a line that breaks off and comes back, the byte-exact log."""

from __future__ import annotations

import os
import threading
import time
import tty
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.devices.ports import SerialPort, port_of, serial_ports
from rig.devices.serial_log import LoggedTransport, escaped, read_log, unescaped
from rig.devices.transport import SerialTransport
from rig.model.errors import LinkError, UsageError
from rig.model.rig_settings import ControllerSettings, PortIdentity

PORTS = (
    SerialPort("/dev/ttyACM0", "Bench controller", "USB", 0x1209, 0x0001, "A7"),
    SerialPort("/dev/ttyACM1", "Bench controller", "USB", 0x1209, 0x0001, "B2"),
    SerialPort("/dev/ttyUSB0", "Printer", "USB", 0x1209, 0x0002, None),
    SerialPort("/dev/ttyS0"),
)


@pytest.mark.parametrize(
    ("identity", "port"),
    [
        (PortIdentity(serial_number="b2"), "/dev/ttyACM1"),
        (PortIdentity(vid=0x1209, pid=2), "/dev/ttyUSB0"),
        (PortIdentity(description="print"), "/dev/ttyUSB0"),
        (PortIdentity(vid=0x1209, description="BENCH", serial_number="A7"), "/dev/ttyACM0"),
    ],
)
def test_port_is_found_by_its_identity(identity: PortIdentity, port: str) -> None:
    assert port_of(ControllerSettings(identity=identity), PORTS) == port


def test_explicit_port_wins_and_nothing_is_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def never() -> Any:
        raise AssertionError("looked for ports")

    monkeypatch.setattr("serial.tools.list_ports.comports", never)
    settings = ControllerSettings(port="/dev/mine", identity=PortIdentity(vid=1))
    assert port_of(settings) == "/dev/mine"


@pytest.mark.parametrize(
    ("identity", "words"),
    [
        (
            PortIdentity(vid=0x1209, pid=1),
            r"2 ports could be.*\(vid 1209, pid 0001\).*serial_number",
        ),
        (PortIdentity(vid=7), r"No port is the controller's.*ports here: /dev/ttyACM0 \(Bench"),
        (PortIdentity(description="gantry"), "No port is the controller's.*“gantry”"),
        (None, "Nothing says which port"),
    ],
)
def test_ports_that_are_not_clear_are_refused_and_never_opened(
    identity: PortIdentity | None, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[object] = []
    monkeypatch.setattr("serial.Serial", lambda *a, **k: opened.append(a))
    settings = ControllerSettings(identity=identity)
    transport = SerialTransport(lambda: port_of(settings, PORTS), 115_200)
    with pytest.raises(LinkError, match=words):
        transport.open()
    assert opened == []


def test_ports_of_this_computer_can_be_listed_without_opening(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def never(*_: object, **__: object) -> Any:
        raise AssertionError("opened a port")

    monkeypatch.setattr("serial.Serial", never)
    for port in serial_ports():
        assert port.port
        assert port.description != "n/a"


def test_devices_tells_what_an_identity_is_made_of(monkeypatch: pytest.MonkeyPatch) -> None:
    from rig.jobs.devices import devices

    class Found:
        device, description, hwid = "/dev/ttyACM0", "Bench controller", "USB VID:PID=1209:0001"
        vid, pid, serial_number = 0x1209, 0x0001, "A7"

    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [Found()])
    port = devices().as_json()["ports"][0]
    assert (port["vid"], port["pid"], port["serial_number"]) == ("0x1209", "0x0001", "A7")


# -- a pseudo-terminal as the cable ----------------------------------------------------------


class Cable:
    """A pseudo-terminal; the far end is in our hand."""

    def __init__(self) -> None:
        self.far, near = os.openpty()
        tty.setraw(near)
        self.port = os.ttyname(near)
        self._near = near

    def pull(self) -> None:
        os.close(self.far)
        os.close(self._near)


def talk(transport: SerialTransport) -> None:
    for _ in range(50):
        transport.read(0.02)
        transport.write(b"?")


def test_bytes_go_both_ways_and_a_pulled_cable_is_told() -> None:
    cable = Cable()
    transport = SerialTransport(cable.port, 115_200)
    with pytest.raises(LinkError, match="not open"):
        transport.read(0.0)
    transport.open()
    transport.write(b"N1 STATUS\n")
    assert os.read(cable.far, 100) == b"N1 STATUS\n"
    os.write(cable.far, b"A1 OK\n")
    assert transport.read(1.0) == b"A1 OK\n"
    assert transport.read(0.01) == b""
    cable.pull()
    with pytest.raises(LinkError, match="broke off"):
        talk(transport)
    transport.close()
    transport.close()


def test_a_cable_that_comes_back_under_another_name_is_found_again() -> None:
    first = Cable()
    there = [first.port]
    transport = SerialTransport(lambda: there[0], 115_200)
    transport.open()
    assert transport.name == first.port
    first.pull()
    transport.close()
    second = Cable()
    there[0] = second.port
    transport.open()
    transport.write(b"x")
    assert os.read(second.far, 10) == b"x"
    transport.close()
    second.pull()


def test_closing_from_another_thread_ends_a_reading() -> None:
    cable = Cable()
    transport = SerialTransport(cable.port, 115_200)
    transport.open()
    found: list[object] = []

    def read() -> None:
        try:
            while True:
                transport.read(0.05)
        except LinkError as error:
            found.append(error)

    thread = threading.Thread(target=read)
    thread.start()
    time.sleep(0.1)
    transport.close()
    thread.join(2.0)
    assert len(found) == 1
    cable.pull()


def test_one_write_stays_together_between_threads() -> None:
    cable = Cable()
    transport = SerialTransport(cable.port, 115_200)
    transport.open()
    lines = [bytes([65 + n]) * 30 + b"\n" for n in range(4)]

    def write(line: bytes) -> None:
        for _ in range(25):
            transport.write(line)

    threads = [threading.Thread(target=write, args=(line,)) for line in lines]
    for thread in threads:
        thread.start()
    heard = b""
    while len(heard) < 4 * 25 * 31:
        heard += os.read(cable.far, 4096)
    for thread in threads:
        thread.join()
    assert all(part + b"\n" in lines for part in heard.splitlines())
    transport.close()
    cable.pull()


def test_two_programs_cannot_hold_one_port() -> None:
    cable = Cable()
    transport = SerialTransport(cable.port, 115_200)
    transport.open()
    with pytest.raises(LinkError, match="cannot be opened"):
        SerialTransport(cable.port, 115_200).open()
    transport.close()
    cable.pull()


# -- the log ---------------------------------------------------------------------------------


@given(st.binary(max_size=300))
def test_every_byte_comes_back_out_of_the_log(data: bytes) -> None:
    text = escaped(data)
    assert text.isascii()
    assert text == "" or text.isprintable()
    assert unescaped(text) == data


class Loop:
    """A line that gives back what was sent."""

    name = "loop"

    def __init__(self) -> None:
        self.sent = b""
        self.broken = False

    def open(self) -> None:
        pass

    def read(self, timeout_s: float) -> bytes:
        data, self.sent = self.sent, b""
        return data

    def write(self, data: bytes) -> None:
        if self.broken:
            raise LinkError("The line broke off.")
        self.sent += data

    def close(self) -> None:
        pass


def test_log_holds_all_that_went_both_ways_and_is_carried_on(tmp_path: Path) -> None:
    from rig.devices.clock import SystemClock

    path = tmp_path / "line.log"
    inner = Loop()
    line = LoggedTransport(inner, path, SystemClock())
    sent = [b"N1 MOVE\n", b" lead\r\n", bytes(range(256)), b"\\n <"]
    for _ in range(2):
        line.open()
        for data in sent:
            line.write(data)
            assert line.read(0.0) == data
        assert line.read(0.0) == b""
        line.close()
    log = read_log(path)
    assert b"".join(data for _, way, data in log if way == ">") == 2 * b"".join(sent)
    assert b"".join(data for _, way, data in log if way == "<") == 2 * b"".join(sent)
    assert all(0.0 <= moment < 10.0 for moment, _, _ in log)
    inner.broken = True
    line.open()
    with pytest.raises(LinkError):
        line.write(b"HALT")
    line.close()
    assert read_log(path)[-1][1:] == (">", b"HALT")  # what broke the line stands in it


def test_log_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    from rig.devices.clock import SystemClock

    line = LoggedTransport(Loop(), tmp_path / "no" / "such" / "place.log", SystemClock())
    with pytest.raises(UsageError, match="cannot be written"):
        line.open()


def test_both_ways_of_asking_for_the_log(tmp_path: Path) -> None:
    from rig.jobs.compose import compose
    from rig.model.errors import LinkError as Broken

    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(
        '[controller]\nport = "/dev/no-such-port"\nserial_log = "kept.log"\n'
        '[camera]\nsource = "0"\n'
    )
    for wanted, asked in ((tmp_path / "kept.log", None), (tmp_path / "x.log", tmp_path / "x.log")):
        rig = compose(rig_file=rig_file, serial_log=asked)
        with pytest.raises(Broken):
            rig.controller.open()
        rig.close()
        assert wanted.exists()


def test_virtual_scan_can_be_logged_too(tmp_path: Path) -> None:
    from rig.jobs.compose import compose

    rig = compose("empty-bed", speed=0.0, serial_log=tmp_path / "line.log")
    rig.controller.open()
    rig.controller.home()
    rig.close()
    log = read_log(tmp_path / "line.log")
    sent = b"".join(data for _, way, data in log if way == ">")
    heard = b"".join(data for _, way, data in log if way == "<")
    assert b"HOME" in sent
    assert heard.startswith(b"E0 READY P1 platerig-virtual-1*5AB4\n")
