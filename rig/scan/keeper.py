"""Storing and reading of strikes, off the critical path: while the gantry moves on."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from rig.model.clip import Clip
from rig.model.plan import PlannedTap
from rig.model.reading import ClipReading, Quality
from rig.scan.listener import Listeners, TapEvent, TapStep
from rig.scan.store import StrikeStore

WAITING = 8  # clips that may wait for storing before the scan itself has to
UNREAD = 64  # stored strikes that may wait for their reading
RANK: dict[Quality, int] = {"bad": 0, "doubtful": 1, "good": 2}

ReadClip = Callable[[Clip], ClipReading]
Slot = tuple[int, int]  # tap, repeat


@dataclass(frozen=True)
class Take:
    """One recorded blow on its way to the folder; retake 0 is the first of its slot."""

    tap: PlannedTap
    repeat: int
    retake: int
    clip: Clip
    pulse_us: int
    pulse_time_us: int

    @property
    def slot(self) -> Slot:
        """Which planned strike it is."""
        return self.tap.number, self.repeat


@dataclass(frozen=True)
class Verdict:
    """What stands for a planned strike: quality None when nothing could be recorded."""

    quality: Quality | None
    reasons: tuple[str, ...]

    @property
    def rank(self) -> int:
        """−1 nothing, 0 bad, 1 doubtful, 2 good."""
        return -1 if self.quality is None else RANK[self.quality]


class Keeper:
    """Two threads: one stores in order, one reads. A strike counts once it is stored.

    The first failure to store ends the keeping; the runner sees it in `failure` and stops.
    """

    def __init__(
        self,
        store: StrikeStore,
        scan: str,
        read_clip: ReadClip,
        listeners: Listeners,
        on_stored: Callable[[Take], None],
    ) -> None:
        self._store = store
        self._scan = scan
        self._read_clip = read_clip
        self._listeners = listeners
        self._on_stored = on_stored
        self._to_store: queue.Queue[Take | None] = queue.Queue(WAITING)
        self._to_read: queue.Queue[tuple[int, Take] | None] = queue.Queue(UNREAD)
        self._lock = threading.Lock()
        self._verdicts: dict[Slot, Verdict] = {}
        self.failure: Exception | None = None
        self._threads = [
            threading.Thread(target=self._store_all, name="strike store", daemon=True),
            threading.Thread(target=self._read_all, name="strike reading", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def put(self, take: Take) -> None:
        """Hand a blow over; waits only when the queue is full."""
        self._to_store.put(take)

    def drain(self) -> None:
        """Wait until everything handed over is stored and read."""
        self._to_store.join()
        self._to_read.join()

    def close(self) -> None:
        """Finish what was handed over, then end the threads."""
        self._to_store.put(None)
        for thread in self._threads:
            thread.join()

    def note(self, slot: Slot, verdict: Verdict) -> None:
        """Let a verdict stand that was not reached here; the better one stays."""
        with self._lock:
            standing = self._verdicts.get(slot)
            if standing is None or verdict.rank >= standing.rank:
                self._verdicts[slot] = verdict

    def verdict(self, slot: Slot) -> Verdict | None:
        """What stands for a planned strike so far; None while it is not read."""
        with self._lock:
            return self._verdicts.get(slot)

    def poor(self) -> int:
        """How many strikes are read and not good."""
        with self._lock:
            return sum(verdict.quality != "good" for verdict in self._verdicts.values())

    def recall(self, taps: Iterable[PlannedTap]) -> None:
        """Take over the readings of an earlier run, and make up for those it had no time for."""
        planned = {tap.number: tap for tap in taps}
        for strike in self._store.scan_record(self._scan, with_clips=False).strikes:
            if strike.superseded or strike.tap not in planned:
                continue
            if strike.reading is not None:
                verdict = Verdict(strike.reading.quality, strike.reading.reasons)
                self.note((strike.tap, strike.repeat), verdict)
            else:
                clip = self._store.clip(strike.strike_id)
                take = Take(planned[strike.tap], strike.repeat, 0, clip, 0, 0)
                self.read_later(strike.strike_id, take)

    def read_later(self, strike_id: int, take: Take) -> None:
        """Read a strike that is stored already (a run that died had no time for it)."""
        self._to_read.put((strike_id, take))

    # -- threads -----------------------------------------------------------------------------

    def _store_all(self) -> None:
        while (take := self._to_store.get()) is not None:
            try:
                if self.failure is None:
                    self._keep(take)
            except Exception as error:
                self.failure = self.failure or error
            finally:
                self._to_store.task_done()
        self._to_store.task_done()
        self._to_read.put(None)

    def _keep(self, take: Take) -> None:
        """Store, then tell. A retake worse than what stands does not take its place."""
        reading = None
        if take.retake:
            reading = self._reading(take)
            standing = self.verdict(take.slot)
            if standing is not None and RANK[reading.quality] < standing.rank:
                self._tell(TapStep.READ, take, None, reading, "worse than the earlier strike")
                return
        strike_id = self._store.store_strike(
            self._scan,
            tap=take.tap.number,
            repeat=take.repeat,
            x_mm=take.tap.x_mm,
            y_mm=take.tap.y_mm,
            clip=take.clip,
            pulse_us=take.pulse_us,
            pulse_time_us=take.pulse_time_us,
        )
        self._tell(TapStep.STORED, take, strike_id)
        self._on_stored(take)
        if reading is None:
            self._to_read.put((strike_id, take))
        else:
            self._settle(strike_id, take, reading)

    def _read_all(self) -> None:
        while (item := self._to_read.get()) is not None:
            try:
                strike_id, take = item
                if self.failure is None:
                    self._settle(strike_id, take, self._reading(take))
            except Exception as error:
                self.failure = self.failure or error
            finally:
                self._to_read.task_done()
        self._to_read.task_done()

    def _reading(self, take: Take) -> ClipReading:
        return self._read_clip(take.clip)

    def _settle(self, strike_id: int, take: Take, reading: ClipReading) -> None:
        self._store.store_reading(strike_id, reading)
        self.note(take.slot, Verdict(reading.quality, reading.reasons))
        self._tell(TapStep.READ, take, strike_id, reading)

    def _tell(
        self,
        step: TapStep,
        take: Take,
        strike_id: int | None,
        reading: ClipReading | None = None,
        reason: str = "",
    ) -> None:
        event = TapEvent(step, take.tap, take.repeat, take.retake, strike_id, reading, reason)
        self._listeners.tell(lambda listener: listener.tap_event(event))
