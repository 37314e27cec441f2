"""Three clocks told from each other: the controller's microseconds, the computer's, the samples.

Nothing here reads a clock; everything is computed from what is handed in. The method is that of
one-way network delays: an arrival is never early, so the line that touches the earliest ones from
one side gives offset and drift (Moon, Skelly and Towsley, INFOCOM 1999).
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from rig.model.units import FloatArray

BUCKET_S = 0.5  # of many arrivals within so long only the best counts
KEPT_BUCKETS = 120
STEADY_SPAN_S = 10.0  # shorter spans say nothing of the drift
STREAM_DRIFT = 1e-3  # a sound interface is never further off its nominal rate
BOARD_DRIFT = 1e-2  # a controller on a ceramic resonator may be
FLIGHT_S = 0.008  # pulse to contact where nothing better is known
LONGEST_FLIGHT_S = 0.015  # what is later than this is the stream's latency
SCATTER_S = 3e-4  # of the hammer's flight, until it has been seen
KEPT_STRIKES = 64
STRANGE_S = 0.002
APART_S = 0.03


class LeastDelay:
    """The line under points that are never too low: y ≥ offset + slope·x + delay, delay ≥ 0.

    slope: its nominal value; drift: largest relative departure from it.
    """

    def __init__(self, slope: float, drift: float, *, bucket: float = BUCKET_S) -> None:
        self._slope = slope
        self._drift = drift
        self._bucket = bucket
        self._best: deque[tuple[float, float]] = deque(maxlen=KEPT_BUCKETS)

    def observe(self, x: float, y: float) -> None:
        """One arrival; x must not run backwards."""
        rest = y - self._slope * x
        if self._best and math.floor(self._best[-1][0] / self._bucket) == math.floor(
            x / self._bucket
        ):
            if rest < self._best[-1][1]:
                self._best[-1] = (x, rest)
            return
        self._best.append((x, rest))

    def forget(self) -> None:
        """The clocks have been set anew."""
        self._best.clear()

    @property
    def known(self) -> bool:
        """Whether anything has been observed."""
        return bool(self._best)

    def at(self, x: float) -> float:
        """The earliest y that belongs to x."""
        if not self._best:
            raise ValueError("nothing observed yet")
        points = np.array(self._best)
        if points[-1, 0] - points[0, 0] < STEADY_SPAN_S * self._bucket / BUCKET_S:
            return self._slope * x + float(points[:, 1].min())
        offset, slope = _support(points)
        limit = self._drift * abs(self._slope)
        slope = min(max(slope, -limit), limit)
        offset = float(np.min(points[:, 1] - slope * points[:, 0]))
        return (self._slope + slope) * x + offset


def _support(points: FloatArray) -> tuple[float, float]:
    """Offset and slope of the line below all points with the least sum of distances.

    It is the edge of the lower convex hull over the mean of x.
    """
    hull: list[FloatArray] = []
    for point in points:
        while len(hull) > 1 and _turn(hull[-2], hull[-1], point) <= 0.0:
            hull.pop()
        hull.append(point)
    middle = float(points[:, 0].mean())
    edge = next(k for k in range(1, len(hull)) if hull[k][0] >= middle)
    (x0, y0), (x1, y1) = hull[edge - 1], hull[edge]
    slope = float((y1 - y0) / (x1 - x0))
    return float(y0 - slope * x0), slope


def _turn(a: FloatArray, b: FloatArray, c: FloatArray) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


class StreamClock:
    """Which sample was captured at a moment of the computer's clock.

    Samples are counted when their block arrives, so the answer is early by the stream's least
    latency, a few milliseconds on most interfaces and tens behind a sound server.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate = rate_hz
        self._line = LeastDelay(-float(rate_hz), STREAM_DRIFT)

    def observe(self, now_s: float, counted: int) -> None:
        """`counted` samples had arrived at `now_s`."""
        self._line.observe(now_s, -float(counted))

    def forget(self) -> None:
        """The stream was begun anew."""
        self._line.forget()

    def sample_at(self, moment_s: float) -> float:
        """Number of the sample captured at a moment."""
        return -self._line.at(moment_s)


class PulseClock:
    """Which moment of the computer's clock a controller time stands for.

    An answer is never here before its pulse has begun, nor is the pulse before it was asked for.
    """

    def __init__(self) -> None:
        self._line = LeastDelay(1.0, BOARD_DRIFT)

    def moment_s(self, pulse_time_us: int, answered_s: float, asked_s: float = -math.inf) -> float:
        """Learn from one strike's answer and return the moment of its pulse."""
        board_s = 1e-6 * pulse_time_us
        self._line.observe(board_s, answered_s)
        return min(max(self._line.at(board_s), asked_s), answered_s)


class StrikeClock:
    """Where strikes fall in the stream, learned from those that were seen in the sound.

    Robust line from the controller's clock to the sample clock; where the gate tells the
    hammer's speed, its flight time is part of the fit.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate = rate_hz
        self._seen: deque[tuple[float, float, float, float]] = deque(maxlen=KEPT_STRIKES)
        self._strange: list[tuple[float, float, float, float]] = []
        self.restarts = 0

    @property
    def count(self) -> int:
        """How many strikes it rests on."""
        return len(self._seen)

    def saw(
        self, pulse_time_us: int, contact: float, guess: float, speed_m_s: float | None = None
    ) -> bool:
        """A strike was seen at sample `contact`; `guess`: where the pulse was thought to be.

        Two that agree with each other but not with the line begin a new one: samples were lost.
        Returns whether the line now holds this one.
        """
        row = (1e-6 * pulse_time_us, contact, guess, _slowness(speed_m_s))
        found = self.contact(pulse_time_us, speed_m_s)
        if found is None or abs(contact - found[0]) <= self._rate * STRANGE_S + 6.0 * found[1]:
            self._strange.clear()
            self._seen.append(row)
            return True
        self._strange.append(row)
        if len(self._strange) < 2:
            return False
        shifts = [c - (self.contact(round(1e6 * t)) or (c, 0.0))[0] for t, c, _, _ in self._strange]
        if abs(shifts[-1] - shifts[-2]) > self._rate * STRANGE_S:
            return False
        self.restarts += 1
        self._seen.clear()
        self._seen.extend(self._strange[-2:])
        self._strange.clear()
        return True

    def contact(
        self, pulse_time_us: int, speed_m_s: float | None = None
    ) -> tuple[float, float] | None:
        """Sample of a strike's contact and its standard deviation; None before the first."""
        if not self._seen:
            return None
        rows = np.array(self._seen)
        last = rows[-1, 0]
        slow = rows[:, 3] - np.nanmean(rows[:, 3]) if np.isfinite(rows[:, 3]).any() else rows[:, 3]
        design = np.column_stack(
            [np.ones(len(rows)), self._rate * (rows[:, 0] - last), np.nan_to_num(slow)]
        )
        # priors: offset unknown, rates within the resonator's drift, gap of 3 mm ± 3 mm
        mean = np.array([0.0, 1.0, self._rate * 3e-3])
        certainty = np.diag([1e-18, 1.0 / (0.3 * BOARD_DRIFT) ** 2, 1.0 / (self._rate * 3e-3) ** 2])
        value, cover = _robust(design, rows[:, 1], mean, certainty, self._rate * SCATTER_S)
        here = _slowness(speed_m_s)
        offset = here - np.nanmean(rows[:, 3]) if np.isfinite(rows[:, 3]).any() else 0.0
        at = np.array([1.0, self._rate * (1e-6 * pulse_time_us - last), np.nan_to_num(offset)])
        return float(at @ value), math.sqrt(float(at @ cover @ at))

    @property
    def lag(self) -> float:
        """Samples from a pulse to its contact.

        Strikes seen soon after the guess leave it where it is; where they come late, what is
        beyond the hammer's flight is the stream's latency.
        """
        seen = self._usual_lag()
        if seen is None or not -0.001 * self._rate <= seen <= LONGEST_FLIGHT_S * self._rate:
            return FLIGHT_S * self._rate
        return seen

    def _usual_lag(self) -> float | None:
        """Samples from a guess to what was seen."""
        if not self._seen:
            return None
        return float(np.median([row[1] - row[2] for row in self._seen]))

    def pulse(self, pulse_time_us: int, guess: float) -> float:
        """Sample at which a pulse began; `guess` where nothing has been seen yet.

        Where the line and the guess disagree widely, samples were lost or the board's clock has
        jumped: the guess, with what it is usually off by, is then the better one.
        """
        found = self.contact(pulse_time_us)  # of a strike of middling speed
        usual = self._usual_lag()
        if found is None or usual is None:
            return guess
        expected = guess + usual
        near = abs(found[0] - expected) <= APART_S * self._rate
        return (found[0] if near else expected) - self.lag


def _slowness(speed_m_s: float | None) -> float:
    return 1.0 / speed_m_s if speed_m_s else math.nan


def _robust(
    design: FloatArray, y: FloatArray, mean: FloatArray, certainty: FloatArray, scatter: float
) -> tuple[FloatArray, FloatArray]:
    """Linear fit with a prior and Huber's weights; returns value and covariance.

    scatter: standard deviation of one row, refined from the residuals once there are some.
    """
    base = float(y[-1])
    y = np.asarray(y - base, dtype=np.float64)
    weights = np.ones(len(y))
    value, normal = mean, certainty
    for _ in range(8):
        scaled = design * (weights / scatter**2)[:, None]
        normal = design.T @ scaled + certainty
        value = np.asarray(np.linalg.solve(normal, scaled.T @ y + certainty @ mean))
        rest = np.abs(y - design @ value)
        if len(y) >= 6:
            scatter = max(1.4826 * float(np.median(rest)), 0.1)
        weights = np.minimum(1.0, 1.5 * scatter / np.maximum(rest, 1e-12))
    value = np.asarray(value + np.array([base, 0.0, 0.0]), dtype=np.float64)
    return value, np.asarray(np.linalg.inv(normal), dtype=np.float64)
