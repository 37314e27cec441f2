"""A rig on a virtual bench whose cable, microphone and camera can be lost at a chosen moment."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from rig.archive.plate_folder import PlateFolder
from rig.devices.link import LineController
from rig.devices.roles import Controller
from rig.devices.rs274_link import Rs274Controller
from rig.devices.transport import Transport
from rig.model.frames import Pose
from rig.model.outline import Outline
from rig.model.plan import Plan, PlannedTap
from rig.model.plate_facts import PlateFacts
from rig.model.rig_settings import Rs274Settings
from rig.scan import Devices, Runner, ScanControl, ScanOutcome
from rig.tone import read_clip
from rig.virtual.faults import HEALTHY, FaultyLine
from rig.virtual.rig import VirtualRig, build_rig
from rig.virtual.rs274_peer import Rs274Peer
from rig.virtual.transport import VirtualTransport
from rig.virtual.worlds import world_spec

OUTLINE = Outline.checked(np.array([(-80.0, 0.0), (80.0, 0.0), (80.0, 200.0), (-80.0, 200.0)]))
POSE = Pose(250.0, 150.0, 2.0, "outer")
TAPS = 8
WORDS = Rs274Settings(halt=("\x18",), banner="ready", position="M114", position_reply="X:{x} Y:{y}")


class PlainVoice:
    """Sounds alike wherever it is struck; costs nothing to prepare."""

    outline = OUTLINE

    def strike(self, x_mm: float, y_mm: float, speed_m_s: float, rng: Any, **_: Any) -> Any:
        t = np.arange(14_400) / 48_000.0
        ring = np.exp(-t / 0.05) * sum(np.sin(2 * np.pi * hz * t) for hz in (310.0, 470.0, 830.0))

        class Sound:
            mic = 1.6 * speed_m_s * ring
            pickup = 12.0 * speed_m_s * np.sin(np.pi * np.arange(11) / 10) ** 2
            rebound_speed_m_s = 0.4 * speed_m_s

        return Sound()


class Breaker:
    """A cable that breaks at the n-th line that holds a word: before it is sent, or just after."""

    def __init__(self, inner: VirtualTransport, made: VirtualRig) -> None:
        self._inner = inner
        self._made = made
        self.break_at: tuple[bytes, int, bool] | None = None
        self._count = 0

    @property
    def name(self) -> str:
        return self._inner.name

    def open(self) -> None:
        self._inner.open()

    def read(self, timeout_s: float) -> bytes:
        return self._inner.read(timeout_s)

    def close(self) -> None:
        self._inner.close()

    def write(self, data: bytes) -> None:
        if self.break_at is not None and self.break_at[0] in data:
            _, which, after = self.break_at
            self._count += 1
            if self._count == which:
                clock = self._made.clock
                if not after:
                    self._inner.unplug()
                else:  # the board hears the line; its answer is lost
                    clock.at(clock.now_s() + 0.0016, self._inner.unplug)
        self._inner.write(data)

    def mend(self) -> None:
        self.break_at = None
        self._inner.plug_in()


@dataclass
class FaultRig:
    """One board, one bench, one folder; sessions come and go."""

    made: VirtualRig
    cable: Breaker
    folder: PlateFolder
    scan: str
    link: str
    peer: Rs274Peer | None

    def controller(self) -> Controller:
        """A new controller on the same board."""
        transport: Transport = self.cable
        if self.link == "rs274":
            return Rs274Controller(transport, self.made.clock, self._settings())
        session = 1 + len(self.made.bench.truths) + 1000 * len(self.folder.done(self.scan))
        return LineController(transport, self.made.clock, self._settings(), session=session)

    def _settings(self) -> Any:
        settings = self.made.settings
        controller = replace(settings.controller, link=self.link, rs274=WORDS)
        return replace(settings, controller=controller)

    def run(self, listener: Any = None, control: ScanControl | None = None) -> ScanOutcome:
        """Open, home and scan, as the job does."""
        controller, made = self.controller(), self.made
        try:
            controller.open()
            made.microphone.open()
            controller.home()
            runner = Runner(
                self.folder,
                self.scan,
                Devices(controller, made.microphone, made.clock),
                self._settings(),
                POSE,
                read_clip,
                listeners=() if listener is None else (listener,),
                control=control,
            )
            return runner.run()
        finally:
            controller.close()
            made.microphone.close()

    def stored(self) -> dict[int, bytes]:
        """What stands for every tap, samples and all."""
        strikes = self.folder.scan_record(self.scan).strikes
        return {s.tap: s.clip.samples.tobytes() for s in strikes if not s.superseded}

    @property
    def hammer_on(self) -> bool:
        """Whether the coil has current."""
        return self.peer.hammer_on if self.peer is not None else self.made.board._pulse is not None

    @property
    def pulses(self) -> int:
        """How often it had."""
        if self.peer is not None:
            return len(self.peer.record.pulses)
        return int(self.made.board.counts["strikes"])

    def place(self) -> tuple[float, float]:
        """Where the gantry truly is."""
        return (self.peer or self.made.board).place_mm


def fault_rig(path: Path, link: str = "platerig") -> FaultRig:
    """A healthy rig over a plate, with a plan of eight taps saved."""
    made = build_rig(world_spec("maple-even"), 1, speed=0.0, voice=PlainVoice(), pose=POSE)
    peer = None
    transport = made.transport
    if link == "rs274":
        peer = Rs274Peer(made.clock, made.bench)
        lines = [FaultyLine(HEALTHY, np.random.default_rng(k)) for k in range(2)]
        transport = VirtualTransport(made.clock, peer, *lines)
    folder = PlateFolder.create(path, PlateFacts(name="plate"))
    folder.set_outline(OUTLINE, source="file")
    places = [(12.0 * (k % 4) - 18.0, 70.0 + 12.0 * (k // 4)) for k in range(TAPS)]
    taps = tuple(PlannedTap(n, x, y) for n, (x, y) in enumerate(places))
    plan = Plan("outer", "light", 12.0, 5.0, 1, taps)
    scan = folder.new_scan(plan, pose=POSE, settings=made.settings, origin={"simulated": True})
    return FaultRig(made, Breaker(transport, made), folder, scan, link, peer)


class At:
    """A listener that acts once, at one step of one tap."""

    def __init__(self, step: str, tap: int, act: Callable[[], None]) -> None:
        self._step, self._tap = step, tap
        self._act: Callable[[], None] | None = act

    def tap_event(self, event: Any) -> None:
        if (event.step, event.tap.number) == (self._step, self._tap) and self._act is not None:
            act, self._act = self._act, None
            act()

    def __getattr__(self, name: str) -> Any:
        return lambda *_: None
