"""A plain plate, a store in memory and a simple reader: the runner is what is tested here."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.devices.link import LineController
from rig.model.clip import Clip
from rig.model.frames import Pose
from rig.model.outline import Outline
from rig.model.plan import Plan, PlannedTap
from rig.model.plate_facts import PlateFacts
from rig.model.reading import ClipReading, Quality
from rig.model.scan_record import ScanRecord, ScanState, Strike
from rig.scan import Devices, Runner, ScanControl, ScanOutcome, TapEvent
from rig.virtual.faults import HEALTHY, FaultSpec
from rig.virtual.rig import VirtualRig, build_rig
from rig.virtual.worlds import world_spec

RIM = np.array([(-80.0, 0.0), (80.0, 0.0), (80.0, 200.0), (-80.0, 200.0)])
OUTLINE = Outline.checked(RIM)
POSE = Pose(250.0, 150.0, 2.0, "outer")
_T = np.arange(14_400) / 48_000.0
_RING = np.exp(-_T / 0.05) * sum(np.sin(2 * np.pi * hz * _T) for hz in (310.0, 470.0, 830.0))
_PULSE = np.sin(np.pi * np.arange(11) / 10) ** 2


@dataclass(frozen=True)
class PlainSound:
    """Three partials and a pulse."""

    mic: np.ndarray
    pickup: np.ndarray
    rebound_speed_m_s: float | None


class PlainVoice:
    """Sounds alike wherever it is struck."""

    outline = OUTLINE

    def strike(
        self, x_mm: float, y_mm: float, speed_m_s: float, rng: object, *, fraction: float = 0.0
    ) -> PlainSound:
        return PlainSound(0.8 * speed_m_s * _RING, 60.0 * speed_m_s * _PULSE, 0.4 * speed_m_s)


def simple_reading(clip: Clip) -> ClipReading:
    """Good when the pickup shows one pulse and nothing is clipped."""
    assert clip.pickup is not None
    top = 0.2 * 30.0 / 60.0
    beats = np.flatnonzero(clip.pickup > top)
    count = 0 if len(beats) == 0 else 1 + int(np.sum(np.diff(beats) > 480))
    quality: Quality = "good"
    reasons: tuple[str, ...] = ()
    if np.abs(clip.mic).max() > 0.99:
        quality, reasons = "bad", ("clipped",)
    elif count == 0:
        quality, reasons = "bad", ("no strike",)
    elif count > 1:
        quality, reasons = "bad", ("struck twice",)
    onset = float(beats[0]) / 48_000 if count else None
    return ClipReading(
        onset, (), None, None, None, None, None, None, clip.rebound_ratio, None, quality, reasons
    )


def small_plan(columns: int = 5, rows: int = 4, repeats: int = 1, step_mm: float = 12.0) -> Plan:
    """A little grid in the middle of the plate, in a serpentine."""
    places = []
    for row in range(rows):
        line = [(step_mm * (c - columns // 2), 60.0 + step_mm * row) for c in range(columns)]
        places += line if row % 2 == 0 else line[::-1]
    taps = tuple(PlannedTap(n, x, y) for n, (x, y) in enumerate(places))
    return Plan("outer", "light", step_mm, 5.0, repeats, taps)


class MemoryStore:
    """The store protocol without files."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self.strikes: list[Strike] = []
        self.states: list[tuple[ScanState, str]] = []
        self.fail_after: int | None = None
        self.error: Exception | None = None
        self._lock = threading.Lock()

    def plan(self, scan: str) -> Plan:
        return self._plan

    def done(self, scan: str) -> set[tuple[int, int]]:
        return {(s.tap, s.repeat) for s in self.strikes if not s.superseded}

    def store_strike(self, scan: str, **strike: Any) -> int:
        with self._lock:
            if self.fail_after is not None and len(self.strikes) >= self.fail_after:
                assert self.error is not None
                raise self.error
            strike.pop("pulse_us"), strike.pop("pulse_time_us")
            self.strikes = [
                replace(s, superseded=True)
                if (s.tap, s.repeat) == (strike["tap"], strike["repeat"])
                else s
                for s in self.strikes
            ]
            self.strikes.append(Strike(len(self.strikes) + 1, **strike))
            return len(self.strikes)

    def store_reading(self, strike_id: int, reading: ClipReading) -> None:
        with self._lock:
            self.strikes[strike_id - 1] = replace(self.strikes[strike_id - 1], reading=reading)

    def supersede(self, strike_id: int, reason: str = "") -> None:
        with self._lock:
            self.strikes[strike_id - 1] = replace(self.strikes[strike_id - 1], superseded=True)

    def set_state(self, scan: str, state: ScanState, reason: str = "") -> None:
        self.states.append((state, reason))

    def scan_record(self, scan: str, *, with_clips: bool = True) -> ScanRecord:
        return ScanRecord(
            scan, "outer", "light", 12.0, OUTLINE, PlateFacts("stand-in"), tuple(self.strikes)
        )

    def clip(self, strike_id: int) -> Clip:
        return self.strikes[strike_id - 1].clip


class Recorder:
    """A listener that writes everything down and may act on it."""

    def __init__(self, act: Callable[[TapEvent], None] | None = None) -> None:
        self.calls: list[tuple[Any, ...]] = []
        self._act = act

    def scan_started(self, plan: Plan, to_do: int, floor_s: float) -> None:
        self.calls.append(("started", to_do, floor_s))

    def state_changed(self, state: ScanState, reason: str) -> None:
        self.calls.append(("state", state, reason))

    def tap_event(self, event: TapEvent) -> None:
        self.calls.append(("tap", event))
        if self._act is not None:
            self._act(event)

    def progressed(self, done: int, total: int, remaining_s: float | None) -> None:
        self.calls.append(("progress", done, total, remaining_s))

    def scan_finished(self, outcome: ScanOutcome) -> None:
        self.calls.append(("finished", outcome))

    def events(self, step: str) -> list[TapEvent]:
        return [c[1] for c in self.calls if c[0] == "tap" and c[1].step == step]

    def named(self, name: str) -> list[tuple[Any, ...]]:
        return [c for c in self.calls if c[0] == name]


class Bench:
    """A virtual rig with the plain plate, a store and everything for a runner."""

    def __init__(
        self,
        plan: Plan | None = None,
        *,
        faults: FaultSpec = HEALTHY,
        seed: int = 1,
        speed: float = 0.0,
        session: int = 0,
        store: Any = None,
    ) -> None:
        spec = replace(world_spec("maple-even"), faults=faults, has_gate=False)
        self.rig: VirtualRig = build_rig(
            spec, seed, speed=speed, pose=POSE, session=session, voice=PlainVoice()
        )
        self.rig.board._place = (3.0, 4.0)
        self.store = store if store is not None else MemoryStore(plan or small_plan())
        self.controller = LineController(self.rig.transport, self.rig.clock, self.rig.settings)
        self.control = ScanControl()
        self.recorder = Recorder()

    def runner(self, scan: str = "S0001", **options: Any) -> Runner:
        self.controller.open()
        self.rig.microphone.open()
        options = {"listeners": [self.recorder], "control": self.control, **options}
        return Runner(
            self.store,
            scan,
            Devices(self.controller, self.rig.microphone, self.rig.clock),
            self.rig.settings,
            POSE,
            options.pop("read_clip", simple_reading),
            **options,
        )

    def run(self, **options: Any) -> ScanOutcome:
        return self.runner(**options).run()
