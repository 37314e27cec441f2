"""The boards that must all keep to firmware_notes/protocol.md, with one way to handle them.

Time is the board's own and passes only in `run`, so nothing depends on how busy the machine is.
"""

from __future__ import annotations

import fcntl
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np

from rig.devices.codec import HostCodec
from rig.devices.lines import Line, decode, encode
from rig.devices.states import State
from rig.model.frames import Pose
from rig.virtual.bench import Bench
from rig.virtual.clock import VirtualClock
from rig.virtual.controller import FirmwareSettings, VirtualController
from rig.virtual.faults import HEALTHY
from rig.virtual.noise import NoiseSpec
from rig.virtual.tapping import Hammer

REFERENCE = Path(__file__).parents[2] / "firmware_notes" / "reference"
CYCLES_PER_S = 16_000_000
ANSWER_S = 0.02
START_MM = (6.0, 5.0, -2.0)  # where the gantry stands before homing


def build() -> Path:
    """Build firmware and simulated boards once; returns the folder with the results."""
    REFERENCE.joinpath("build").mkdir(exist_ok=True)
    with REFERENCE.joinpath("build", ".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        made = subprocess.run(
            ["make", "-s", "-C", str(REFERENCE)], capture_output=True, text=True, check=False
        )
    assert made.returncode == 0, made.stderr
    return REFERENCE / "build"


@dataclass
class Pins:
    """What the pins did so far. Times in s of the board's clock."""

    pulses: list[tuple[float, float]] = field(default_factory=list)  # start, end
    steps: list[tuple[float, int, int]] = field(default_factory=list)  # time, axis, ±1
    motors: list[tuple[float, bool]] = field(default_factory=list)
    restarts: list[float] = field(default_factory=list)
    hammer_on: float | None = None  # since when


class Board(Protocol):
    """One board, freshly started."""

    name: str
    has_z: bool
    max_speed_mm_s: float
    answers: list[tuple[float, bytes]]

    def send(self, data: bytes) -> None:
        """Bytes arrive from the computer."""

    def run(self, duration_s: float) -> None:
        """Let time pass; lines of the board gather in `answers`."""

    def now_s(self) -> float:
        """The board's time."""

    def halt_button(self, pressed: bool) -> None:
        """Press or release it."""

    def touch_limit(self) -> None:
        """Touch the X switch, briefly."""

    def driver_fault(self) -> None:
        """Raise the drivers' fault line, briefly."""

    def reset(self) -> None:
        """Restart it, as opening the port does."""

    def strikes(self) -> int:
        """Blows made since it was switched on."""

    def place_mm(self) -> tuple[float, float]:
        """Where the gantry truly is."""

    def close(self) -> None:
        """Put it away."""


class VirtualBoard:
    """The virtual rig's controller."""

    name = "virtual"
    has_z = False

    def __init__(self) -> None:
        self.answers: list[tuple[float, bytes]] = []
        self._clock = VirtualClock(0)
        rng = np.random.default_rng(1)
        hammer = Hammer(speed_scatter=0.0)
        bench = Bench(None, Pose(250, 120, 0, "outer"), hammer, NoiseSpec(), HEALTHY, rng)
        firmware = FirmwareSettings(has_gate=True)
        self.max_speed_mm_s = firmware.max_speed_mm_s
        self._board = VirtualController(self._clock, bench, firmware, np.random.default_rng(1))
        self._board.send = lambda data: self.answers.append((self._clock.now_s(), data))
        self._board.power_up()

    def send(self, data: bytes) -> None:
        self._board.receive(data)

    def run(self, duration_s: float) -> None:
        self._clock.sleep_s(duration_s)

    def now_s(self) -> float:
        return self._clock.now_s()

    def halt_button(self, pressed: bool) -> None:
        self._board.press_halt(pressed)

    def touch_limit(self) -> None:
        self._board.touch_limit()

    def driver_fault(self) -> None:
        self._board.driver_fault()

    def reset(self) -> None:
        self._board.power_up()

    def strikes(self) -> int:
        return self._board.counts["strikes"]

    def place_mm(self) -> tuple[float, float]:
        return self._board.place_mm

    def close(self) -> None:
        """Nothing to do."""


class SimulatedBoard:
    """The reference firmware: on a simulated chip, or compiled for this computer."""

    max_speed_mm_s = 250.0

    def __init__(self, name: str, folder: Path, place_mm: tuple[float, ...] = START_MM) -> None:
        self.name = name
        self.has_z = name == "2560" or name.endswith("-3")
        self.is_chip = not name.startswith("host")
        self.answers: list[tuple[float, bytes]] = []
        self.pins = Pins()
        if self.is_chip:
            command = [
                str(folder / "simhost"),
                f"atmega{name}",
                str(folder / f"platerig-{name}.elf"),
            ]
        else:
            command = [str(folder / name.replace("host", "hostboard"))]
        place = ",".join(str(value) for value in place_mm)
        self._process = subprocess.Popen(
            [*command, "--lockstep", "--place", place],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        self._now = 0
        self.order("gate 5000 14982 0 0")

    def order(self, text: str) -> None:
        """Give the bench an order, see firmware_notes/reference/README.md."""
        assert self._process.stdin is not None
        self._process.stdin.write(text + "\n")

    def _read_until(self, word: str) -> list[str]:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            what, *rest = line.rstrip("\n").split(" ")
            self._take(what, rest)
            if what == word:
                return rest
        raise AssertionError(f"{self.name} ended with status {self._process.wait()}")

    def _take(self, what: str, rest: list[str]) -> None:
        moment = int(rest[0]) / CYCLES_PER_S if rest and rest[0].isdigit() else 0.0
        pins = self.pins
        if what == "line":
            self.answers.append((moment, " ".join(rest[1:]).encode("ascii") + b"\n"))
        elif what == "hammer" and rest[1] == "1":
            pins.hammer_on = moment
        elif what == "hammer" and pins.hammer_on is not None:
            pins.pulses.append((pins.hammer_on, moment))
            pins.hammer_on = None
        elif what == "step":
            pins.steps.append((moment, int(rest[1]), int(rest[2])))
        elif what == "motors":
            pins.motors.append((moment, rest[1] == "1"))
        elif what == "restart":
            pins.restarts.append(moment)
        elif what == "what?":
            raise AssertionError(f"the bench does not know {rest}")

    def send(self, data: bytes) -> None:
        self.order("send " + data.hex())

    def run(self, duration_s: float) -> None:
        self.order(f"run {round(1e6 * duration_s)}")
        self._now = int(self._read_until("now")[0])

    def now_s(self) -> float:
        return self._now / CYCLES_PER_S

    def halt_button(self, pressed: bool) -> None:
        self.order(f"halt {int(pressed)}")

    def touch_limit(self) -> None:
        self.order("limit 0 1")
        self.run(0.003)
        self.order("limit 0 0")

    def driver_fault(self) -> None:
        self.order("driver 1")
        self.run(0.003)
        self.order("driver 0")

    def reset(self) -> None:
        self.order("reset")

    def counts(self) -> list[float]:
        """Cycle; X, Y, Z in mm; steps of each axis; pulses; cycle of the last step; longest pulse;
        shortest step pulse, cycles; most bytes that ever waited to be read."""
        self.order("counts")
        return [float(value) for value in self._read_until("counts")]

    def strikes(self) -> int:
        return int(self.counts()[7])

    def place_mm(self) -> tuple[float, float]:
        counts = self.counts()
        return counts[1], counts[2]

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        status = self._process.wait(10.0)
        self._process.stdout.close()
        assert status == 0, f"{self.name} ended with status {status}"


@contextmanager
def new_board(name: str, folder: Path | None) -> Iterator[Board]:
    """One board by its name: virtual, host, host-3, 328p or 2560."""
    board: Board
    if name == "virtual":
        board = VirtualBoard()
    else:
        assert folder is not None
        board = SimulatedBoard(name, folder)
    try:
        yield board
    finally:
        board.close()


class Talk:
    """A computer that talks to a board, one command at a time."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.codec = HostCodec()
        self.events: list[Line] = []
        self.number = 0  # of the latest command

    def lines(self) -> list[Line]:
        """What the board has said meanwhile."""
        told = [decode(data.strip()) for _, data in self.board.answers]
        self.board.answers.clear()
        return told

    def greet(self, session: int = 1) -> tuple[str, ...]:
        """Wait for the banner and open a session."""
        self.board.run(0.35)
        self.events += [line for line in self.lines() if line.kind == "E"]
        words = self.ask("HELLO", f"S{session}", "P1")
        self.codec.restart(credit_lines=4, credit_bytes=96)
        return words

    def ask(self, *words: str) -> tuple[str, ...]:
        """One command and the words of its answer, which must come in time."""
        self.number, data = self.codec.command(*words)
        self.codec.forget(self.number)
        return self.exchange(data, self.number)

    def send(self, *words: str) -> bytes:
        """Send one command without waiting for its answer; returns its bytes."""
        self.number, data = self.codec.command(*words)
        self.codec.forget(self.number)
        self.board.send(data)
        return data

    def exchange(self, data: bytes, number: int) -> tuple[str, ...]:
        """Send bytes; return the words of the answer with this number."""
        self.board.send(data)
        self.board.run(ANSWER_S / 2)
        for _ in range(2):
            told = self.lines()
            self.events += [line for line in told if line.kind == "E"]
            for line in told:
                if line.kind == "A" and line.number == number:
                    return line.words
            self.board.run(ANSWER_S / 2)
        raise AssertionError(f"{data!r} was not answered")

    def told(self, data: bytes) -> list[Line]:
        """Send bytes; return everything that is said to them."""
        self.board.send(data)
        self.board.run(ANSWER_S)
        return self.lines()

    def state(self) -> State:
        """Ask for the state."""
        return State(self.ask("STATUS")[1])

    def event(self, name: str) -> Line:
        """The latest event of this name, taken out."""
        self.events += [line for line in self.lines() if line.kind == "E"]
        for line in reversed(self.events):
            if line.words[0] == name:
                self.events.remove(line)
                return line
        raise AssertionError(f"no {name} among {self.events}")

    def wait(self, done: Callable[[State], bool], limit_s: float = 60.0) -> State:
        """Keep the heartbeat going until a state is reached."""
        deadline = self.board.now_s() + limit_s
        while not done(state := self.state()):
            assert self.board.now_s() < deadline, f"still {state}"
            self.board.run(0.04)
        return state

    def home(self) -> None:
        """Greet, if need be clear, and home."""
        if not self.codec.credit_lines > 1:
            self.greet()
        if self.state() is State.HALTED:
            assert self.ask("CLEAR") == ("OK",)
        assert self.ask("HOME") == ("OK",)
        assert self.wait(lambda state: state is not State.HOMING) is State.IDLE

    def move(self, x_mm: float, y_mm: float, feed: float = 9000.0) -> tuple[str, ...]:
        """Move and wait for the end."""
        answer = self.ask("MOVE", f"X{x_mm:.3f}", f"Y{y_mm:.3f}", f"F{feed:.1f}")
        self.wait(lambda state: state is not State.MOVING)
        return answer


def line(number: int, *words: str) -> bytes:
    """Bytes of a command with any number."""
    return encode(Line("N", number, words))
