"""Where further taps would tell most.

The map is a Gaussian field with the covariance that `surface` spreads maps out by (a Matérn field
of order 1: P. Whittle, "On stationary processes in the plane", Biometrika 41 (1954) 434);
what a tap at a place would take off its variance is known before it is made (C. E. Rasmussen &
C. K. I. Williams, "Gaussian Processes for Machine Learning" (2006), eq. 2.24). Places are taken one
after the other, each the one that takes most off the variance where the wood stands above the
threshold or may do so (A. Krause, A. Singh & C. Guestrin, J. Mach. Learn. Res. 9 (2008) 235, on
how near such a greedy choice comes to the best). Edges and sound holes are not regarded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.nearest import nearest
from rig.field.smoothing import even_grid
from rig.field.surface import RANGE_MM
from rig.field.work_order import FLOOR_CENTS
from rig.model.errors import AnalysisError, UsageError
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.tone_map import ToneMap
from rig.model.units import FloatArray

MOST_TAPS = 1000
_STEP_MM = 6.0
_MOST_PLACES = 1600
_APART_MM = 2.5  # nearer to a tap that was struck a new one is the same
_EVERYWHERE = 0.05  # weight of wood that is surely below the threshold


@dataclass(frozen=True)
class Gaussian:
    """A field before any tap: mean 0, sd `spread_cents`, forgotten over `range_mm`."""

    spread_cents: float
    range_mm: float = RANGE_MM

    def covariance(self, a: FloatArray, b: FloatArray) -> FloatArray:
        """(n, m) between (n, 2) and (m, 2) places: σ²·κr·K₁(κr), κ = √8 / range."""
        from scipy.spatial.distance import cdist
        from scipy.special import k1

        x = np.sqrt(8.0) / self.range_mm * cdist(a, b)
        alike = np.ones_like(x)
        far = x > 1e-6
        alike[far] = x[far] * k1(x[far])
        return np.asarray(self.spread_cents**2 * alike)

    def told(
        self, places: FloatArray, values: FloatArray, sd: FloatArray, at: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Mean (m,) and covariance (m, m) at (m, 2) places, given values (n,) with sd (n,)."""
        from scipy.linalg import cho_factor, cho_solve, solve_triangular

        factor = cho_factor(self.covariance(places, places) + np.diag(sd**2), lower=True)
        between = self.covariance(places, at)
        half = solve_triangular(factor[0], between, lower=True)
        mean = between.T @ cho_solve(factor, values)
        return np.asarray(mean), np.asarray(self.covariance(at, at) - half.T @ half)


@dataclass(frozen=True)
class NextTaps:
    """Further places (k, 2), the most telling first.

    rms_cents (k + 1,): the map's error to expect with the first 0, 1, … k of them, over all wood;
    doubtful_cents: the same, weighted to where the wood is above the threshold or may be.
    """

    places: PlateXY
    rms_cents: FloatArray
    doubtful_cents: FloatArray
    threshold_cents: float


def next_taps(
    tone_map: ToneMap,
    outline: Outline,
    count: int,
    *,
    margin_mm: float = 6.0,
    threshold_cents: float = FLOOR_CENTS,
) -> NextTaps:
    """Propose `count` further places for a map; raises UsageError, AnalysisError.

    threshold_cents: excess above which a place is worth work.
    """
    if not 1 <= count <= MOST_TAPS:
        raise UsageError(f"{count} further taps are outside 1 to {MOST_TAPS}.")
    tapped = np.asarray(tone_map.places)
    values, sd = tone_map.excess_cents, np.maximum(tone_map.sd_cents, 1e-3)
    noise = float(np.median(sd))
    step = max(_STEP_MM, float(np.sqrt(outline.area_mm2 / _MOST_PLACES)))
    grid = even_grid(outline, step, margin_mm)
    if len(tapped) < 3 or not len(grid):
        raise AnalysisError(
            "There are too few taps to tell where more are needed.",
            where=tone_map.scan,
            remedy="Scan the plate on a plain grid first.",
        )
    field = Gaussian(float(np.sqrt(max(float(np.var(values)) - noise**2, noise**2))))
    middle = float(np.median(values))
    mean, covariance = field.told(tapped, values - middle, sd, grid)
    weight = worth_knowing(
        mean + middle, np.sqrt(np.maximum(np.diag(covariance), 1e-9)), threshold_cents
    )
    free = nearest(tapped, grid, 1)[0][:, 0] > _APART_MM
    chosen, rms, doubtful = greedy(covariance, weight, noise, count, free)
    return NextTaps(PlateXY(grid[chosen]), rms, doubtful, threshold_cents)


def worth_knowing(mean: FloatArray, sd: FloatArray, threshold_cents: float) -> FloatArray:
    """Weight of places: 1 where they are above the threshold, or as likely as not; small below.

    Above it the height decides how much wood is to come off, near it whether any.
    """
    from scipy.special import ndtr

    above = ndtr((mean - threshold_cents) / sd)
    needed = np.where(above > 0.5, 1.0, 4.0 * above * (1.0 - above))
    return np.asarray(_EVERYWHERE + (1.0 - _EVERYWHERE) * needed)


def greedy(
    covariance: FloatArray, weight: FloatArray, noise: float, count: int, free: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    """Indices of up to `count` free places, each taking most off the weighted variance.

    covariance (m, m) before; noise: sd of one tap. With the rms error over all places, and the
    weighted one, after 0, 1, … of them.
    """
    left, open_ = covariance.copy(), free.copy()
    variance = np.diag(left).copy()
    chosen: list[int] = []
    rms = [float(np.sqrt(np.mean(variance)))]
    doubtful = [float(np.sqrt(np.average(variance, weights=weight)))]
    for _ in range(min(count, int(free.sum()))):
        gain = (weight @ left**2) / (variance + noise**2)
        best = int(np.argmax(np.where(open_, gain, -1.0)))
        open_[best] = False
        chosen.append(best)
        column = left[:, best] / np.sqrt(variance[best] + noise**2)
        left -= np.outer(column, column)
        variance = np.maximum(np.diag(left), 0.0)
        rms.append(float(np.sqrt(np.mean(variance))))
        doubtful.append(float(np.sqrt(np.average(variance, weights=weight))))
    return np.array(chosen, dtype=np.int64), np.array(rms), np.array(doubtful)
