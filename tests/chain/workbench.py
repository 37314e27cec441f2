"""Chip, bench and sound server in step: the hammer pin strikes a virtual plate that is captured.

The simulated chip tells the edges of its hammer pin by the cycle; the virtual world answers every
pulse with the sound of that place; the samples go into the sound server's pipe, sample n of the
stream at cycle n · 16,000,000 / 48,000. The product is another process and knows nothing of it.
"""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

import numpy as np
from sound_server import URGENT

from rig.model.scan_record import Strike
from rig.virtual.bench import Bench
from rig.virtual.microphone import BLOCK, VirtualMicrophone
from rig.virtual.rig import VirtualRig

CYCLES_HZ = 16_000_000
RATE = 48_000
HELD_S = 0.06  # the sound comes so much later, as behind any interface: time to make it
GATE_MM, GATE_FROM_US = 5.0, 1500.0  # between the light barriers; when the hammer meets the first
PLACE_MM = (20.0, 20.0)  # of the gantry at power-up


class PinClock:
    """Time as the chip's cycles tell it; nobody waits for it here."""

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.now = 0.0

    def now_s(self) -> float:
        return self.now

    def sleep_s(self, duration_s: float) -> None:
        raise AssertionError("the bench never waits")

    def utc(self) -> str:
        return datetime.now(UTC).isoformat()


@dataclass(frozen=True)
class Pulse:
    """One pulse on the hammer pin: first cycle, length, and where the gantry was."""

    cycle: int
    length_us: float
    x_mm: float
    y_mm: float


@dataclass
class Record:
    """What truly happened."""

    pulses: list[Pulse] = field(default_factory=list)
    left_on: int = 0  # pulses still on at the end
    restarts: int = 0
    fell_behind: int = 0  # how often the simulation lost half a second and gave it up
    frames: list[np.ndarray] = field(default_factory=list)  # as written to the pipe
    first_frame: int = 0


class Workbench:
    """A simulated chip and the bench under its hammer. `port`: where the product finds the chip."""

    def __init__(
        self,
        made: VirtualRig,
        built: Path,
        pipe: Path,
        *,
        chip: str = "328p",
        options: tuple[str, ...] = (),
    ) -> None:
        self.record = Record()
        self._made = made
        self._bench: Bench = made.bench
        for heard in (made.bench.blows, made.bench.truths, made.bench.motions):
            heard.clear()
        self._clock = PinClock()
        self._microphone = VirtualMicrophone(
            self._clock,
            made.bench,
            made.settings.microphone,
            made.spec.noise,
            5,  # type: ignore[arg-type]
        )
        self._pipe = pipe
        self._speeds = np.random.default_rng(11)
        self._told: queue.Queue[tuple[float, str] | None] = queue.Queue()
        self._blocks: queue.Queue[tuple[float, bytes] | None] = queue.Queue()
        self._on: tuple[int, float, float] | None = None
        self._written = 0
        reader, writer = os.pipe()
        mcu = {"328p": "atmega328p", "2560": "atmega2560"}[chip]
        self._chip = subprocess.Popen(
            [*URGENT, str(built / "simhost"), mcu, str(built / f"platerig-{chip}.elf"),
             "--reset-on-open", "--log", f"fd:{writer}", "--clock-ms", "5",
             "--place", f"{PLACE_MM[0]},{PLACE_MM[1]},-5", *options],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, pass_fds=(writer,), text=True,
        )  # fmt: skip
        os.close(writer)
        assert self._chip.stdout is not None
        self.port = self._chip.stdout.readline().split()[1]
        self._threads = [
            threading.Thread(target=self._listen, args=(reader,), name="pins"),
            threading.Thread(target=self._make_sound, name="bench"),
            threading.Thread(target=self._play, name="interface"),
        ]

    def __enter__(self) -> Workbench:
        self._microphone.open()
        self._next_strike()
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._chip.stdin is not None
        with contextlib.suppress(OSError):
            self._chip.stdin.close()
        self._chip.wait(5.0)
        assert self._chip.stdout is not None
        self._chip.stdout.close()
        for thread in self._threads:
            thread.join(5.0)
        self.record.left_on = int(self._on is not None)

    def order(self, text: str) -> None:
        """Press a button of the simulated board, or pull something out."""
        assert self._chip.stdin is not None
        with contextlib.suppress(OSError):
            self._chip.stdin.write(text + "\n")
            self._chip.stdin.flush()

    def pull_cable(self) -> None:
        """The board vanishes from the bus, its supply with it."""
        self._chip.kill()

    # -- threads -----------------------------------------------------------------------------

    def _listen(self, reader: int) -> None:
        """Stamp what the pins tell with the moment it was told."""
        with os.fdopen(reader) as lines:
            for line in lines:
                self._told.put((time.monotonic(), line))
        self._told.put(None)

    def _make_sound(self) -> None:
        """Strike the plate for every pulse, and cut the stream into blocks."""
        while (told := self._told.get()) is not None:
            moment_s, line = told
            word, *rest = line.split()
            if word == "hammer":
                self._pin(int(rest[0]), rest[1] == "1", float(rest[2]), float(rest[3]))
            elif word == "start":
                self.record.fell_behind += self._clock.now > 0.0
            elif word == "restart":
                self.record.restarts += 1
            elif word == "clock":
                self._clock.now = int(rest[0]) / CYCLES_HZ
                self._render(moment_s)
        self._blocks.put(None)

    def _pin(self, cycle: int, on: bool, x_mm: float, y_mm: float) -> None:
        if on:
            self._on = (cycle, x_mm, y_mm)
            return
        if self._on is None:
            return
        start, x_mm, y_mm = self._on
        self._on = None
        length_us = 1e6 * (cycle - start) / CYCLES_HZ
        self.record.pulses.append(Pulse(start, length_us, x_mm, y_mm))
        self._bench.strike(start / CYCLES_HZ, (x_mm, y_mm), round(length_us))
        self._next_strike()

    def _next_strike(self) -> None:
        """Draw the speed of the next strike, and let the gate's light barriers see it."""
        mean = self._made.spec.hammer
        speed = mean.light_speed_m_s * (1.0 + mean.speed_scatter * self._speeds.standard_normal())
        self._bench.hammer = replace(mean, light_speed_m_s=float(speed), speed_scatter=0.0)
        into = [GATE_FROM_US, GATE_FROM_US + GATE_MM * 1e3 / speed]
        out = [into[1] + 3000.0, into[1] + 3000.0 + GATE_MM * 1e3 / (0.4 * speed)]
        self.order("gate " + " ".join(f"{edge:.0f}" for edge in (*into, *out)))

    def _render(self, moment_s: float) -> None:
        there = self._microphone.position_samples()
        while self._written + BLOCK <= there:
            samples = self._microphone.take(self._written, BLOCK).samples
            self.record.frames.append(samples)
            self._written += BLOCK
            self._blocks.put((moment_s + HELD_S, (samples << 8).astype("<i4").tobytes()))

    def _play(self) -> None:
        """Write every block when it is due; a server that has died takes nothing any more."""
        file = None
        while (block := self._blocks.get()) is not None:
            due_s, data = block
            time.sleep(max(0.0, due_s - time.monotonic()))
            if file is None:
                with contextlib.suppress(OSError):
                    file = os.open(self._pipe, os.O_WRONLY | os.O_NONBLOCK)
            if file is not None:
                try:
                    os.write(file, data)
                except BlockingIOError:
                    pass  # nobody captures: the pipe is full, and the sound is over
                except BrokenPipeError:
                    os.close(file)
                    file = None
        if file is not None:
            os.close(file)


def write_rig_files(made: VirtualRig, place: Path, port: str, device: str) -> Path:
    """The rig file of this bench, and beside it the picture its camera takes."""
    import cv2

    from rig.archive.rig_file import write_rig_file

    picture = place / "bed.png"
    if not picture.exists():
        made.camera.open()
        cv2.imwrite(str(picture), made.camera.frame().pixels)
    settings = made.settings
    settings = replace(
        settings,
        name="simulated bench",
        # half a second of silence: the computer of a test may be busier than a rig's
        controller=replace(settings.controller, port=port, heartbeat_s=0.5),
        microphone=replace(settings.microphone, device=device),
        camera=replace(settings.camera, source="bed.png"),
    )
    return write_rig_file(settings, place / "rig.toml")


def platerig(arguments: list[str], environment: dict[str, str]) -> subprocess.Popen[str]:
    """The product as a user starts it, without a terminal."""
    return subprocess.Popen(
        [*URGENT, sys.executable, "-m", "rig.cli.main", *arguments],
        env=environment | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        cwd=Path(__file__).parents[2],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@dataclass(frozen=True)
class Placed:
    """A stored strike found again in what went into the pipe; numbers of samples.

    pulse: true start of the pulse; contact: true first touch. told: where the product put the
    pulse; seen: where the pickup shows the touch. at_mm: where the gantry stood.
    """

    tap: int
    at_mm: tuple[float, float]
    pulse: float
    contact: float
    told: float
    seen: float


def placed_strikes(record: Record, made: VirtualRig, strikes: Sequence[Strike]) -> list[Placed]:
    """Find every stored clip, bit by bit, in the stream; raises AssertionError where it is not."""
    from rig.tone.contact import contact_of

    stream = np.concatenate(record.frames)
    truths = {round(truth.pulse_s * CYCLES_HZ): truth for truth in made.bench.truths}
    found = []
    for strike in strikes:
        clip = strike.clip
        first = _find(stream, clip.samples)
        assert first is not None, f"tap {strike.tap}: not in the stream as sent"
        assert clip.strike_sample is not None
        assert clip.pickup is not None
        told = first + clip.strike_sample
        pulses = [(abs(RATE * p.cycle / CYCLES_HZ - told), p) for p in record.pulses]
        pulse = min(pulses, key=lambda pair: pair[0])[1]
        truth = truths[pulse.cycle]
        contact = contact_of(clip.pickup, RATE)
        assert contact is not None
        assert truth.contact_s is not None
        found.append(
            Placed(
                strike.tap,
                (pulse.x_mm, pulse.y_mm),
                RATE * pulse.cycle / CYCLES_HZ,
                RATE * (truth.contact_s - made.bench.stream_start_s),
                told,
                first + RATE * contact.start_s,
            )
        )
    return found


def _find(stream: np.ndarray, samples: np.ndarray) -> int | None:
    """Where a stretch of samples begins in the stream, exactly."""
    key = stream[:, 0].astype(np.int64) * 2**25 + stream[:, 1]
    wanted = samples[:, 0].astype(np.int64) * 2**25 + samples[:, 1]
    for first in np.flatnonzero(key == wanted[0]):
        if np.array_equal(key[first : first + len(wanted)], wanted):
            return int(first)
    return None
