"""Simulated boards behind a pseudo-terminal, through pyserial and the product's own link."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.devices.link import LineController
from rig.devices.transport import SerialTransport
from rig.model.errors import HaltedError, LinkError
from rig.model.rig_settings import RigSettings


class WallClock:
    """The clock on the wall."""

    def now_s(self) -> float:
        return time.monotonic()

    def sleep_s(self, duration_s: float) -> None:
        time.sleep(duration_s)

    def utc(self) -> str:
        return "2024-01-01T00:00:00.000Z"


@pytest.fixture(params=["host", "328p"])
def live(
    request: pytest.FixtureRequest, built: Path, tmp_path: Path
) -> Iterator[tuple[subprocess.Popen[str], str, Path]]:
    """A board in real time: the process, its port, its log of pins."""
    chip = [str(built / "simhost"), "atmega328p", str(built / "platerig-328p.elf")]
    command = [str(built / "hostboard")] if request.param == "host" else chip
    log = tmp_path / "pins.txt"
    options = ["--reset-on-open", "--log", str(log), "--place", "4,4,0", "--clock-ms", "10"]
    with subprocess.Popen(
        [*command, *options], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        yield process, process.stdout.readline().split()[1], log
        process.stdin.close()
        assert process.wait(10.0) == 0


def hammer_edges(log: Path) -> list[list[str]]:
    """The edges of the hammer pin so far."""
    return [x.split() for x in log.read_text().splitlines() if x.startswith("hammer")]


def test_scan_of_two_taps_through_a_port(
    live: tuple[subprocess.Popen[str], str, Path],
) -> None:
    process, port, log = live
    controller = LineController(SerialTransport(port, 250_000), WallClock(), RigSettings())
    assert controller.open().firmware == "platerig-reference-1"
    controller.home()
    for place in ((7.0, 3.0), (12.0, 5.0)):
        controller.start_move(*place)
        controller.wait_until_still()
        assert controller.position() == place
        controller.strike(2000)
    time.sleep(0.02)
    edges = hammer_edges(log)
    assert [(e[2], e[3], e[4]) for e in edges] == [
        ("1", "7.0000", "3.0000"),
        ("0", "7.0000", "3.0000"),
        ("1", "12.0000", "5.0000"),
        ("0", "12.0000", "5.0000"),
    ]
    controller.start_move(300.0, 5.0)
    assert process.stdin is not None
    process.stdin.write("halt 1\n")
    process.stdin.flush()
    with pytest.raises(HaltedError, match="halt button"):
        controller.wait_until_still()
    assert controller.position() is None
    controller.close()


def test_port_may_be_closed_and_opened_again_and_restarts_the_board(
    live: tuple[subprocess.Popen[str], str, Path],
) -> None:
    _, port, log = live
    for session in (1, 2):
        controller = LineController(
            SerialTransport(port, 250_000), WallClock(), RigSettings(), session=session
        )
        controller.open()
        assert controller.position() is None
        controller.close()
    restarts = [x for x in log.read_text().splitlines() if x.startswith("restart")]
    assert len(restarts) == 3  # power-up, and each opening


def test_board_that_ends_is_a_lost_link(
    live: tuple[subprocess.Popen[str], str, Path],
) -> None:
    process, port, _ = live
    controller = LineController(SerialTransport(port, 250_000), WallClock(), RigSettings())
    controller.open()
    assert process.stdin is not None
    process.stdin.close()
    process.wait(10.0)
    with pytest.raises(LinkError):
        controller.home()
    controller.close()
