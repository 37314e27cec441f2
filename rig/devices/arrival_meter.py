"""What a sound stream has lost, told from nothing but the arrival of its blocks."""

from __future__ import annotations

from collections import deque


class ArrivalMeter:
    """Counts samples against the computer's clock.

    Status flags and time stamps are not to be trusted: drivers drop samples without raising the
    one and guess the other. Blocks also come late in bursts without loss, so only a lag that
    lasts is a loss; while it is not clear yet, `suspect` tells from which sample on. A flag begins
    the suspicion at once. Slow drift between the clocks is followed.
    """

    BUCKET_S = 0.05  # of the blocks within so long only the least late one counts
    KEPT_BUCKETS = 200
    LAG_S = 0.008
    SUSPECT_BUCKETS = 3
    LOST_BUCKETS = 20
    GIVE_UP_BUCKETS = 100
    STEADY_S = 0.005

    def __init__(self, rate_hz: int) -> None:
        self._rate = rate_hz
        self._start_s: float | None = None
        self._usual: deque[float] = deque(maxlen=self.KEPT_BUCKETS)
        self._bucket = 0
        self._least: float | None = None  # lateness in samples, of the bucket under way
        self._run: list[float] = []  # of the buckets since all was well
        self._well_until = 0
        self._flagged = False
        self.since = 0

    @property
    def suspect(self) -> int | None:
        """First sample after which some may be missing; None while all seems well."""
        doubtful = self._flagged or len(self._run) >= self.SUSPECT_BUCKETS
        return self._well_until if doubtful else None

    def lost(self, counted: int, arrived_s: float, *, flagged: bool) -> int:
        """Samples now known to be missing, since sample `since`.

        counted: samples up to the end of a block, lost ones included; arrived_s: when it came.
        """
        if self._start_s is None:
            self._start_s = arrived_s - counted / self._rate
        elapsed_s = arrived_s - self._start_s
        late = elapsed_s * self._rate - counted
        bucket = int(elapsed_s // self.BUCKET_S)
        found = 0
        if self._least is not None and bucket != self._bucket:
            found = self._close(self._least, counted)
            self._least = None
            late -= found
        if flagged:
            self._flagged = True
        self._bucket = bucket
        self._least = late if self._least is None else min(late, self._least)
        return found

    def _close(self, least: float, counted: int) -> int:
        """The blocks of one stretch of time are in; returns what is surely lost."""
        usual = min(self._usual, default=least)
        if not self._flagged and least <= usual + self.LAG_S * self._rate:
            self._usual.append(least)
            self._run.clear()
            self._well_until = counted
            return 0
        self._run.append(least)
        recent = self._run[-self.LOST_BUCKETS // 2 :]
        steady = max(recent) - min(recent) < self.STEADY_S * self._rate
        count = len(self._run)
        if count < self.LOST_BUCKETS or not (steady or count >= self.GIVE_UP_BUCKETS):
            return 0
        found = max(0, round(min(recent) - usual))
        self.since = self._well_until
        self._run.clear()
        self._flagged = False
        self._well_until = counted
        return found
