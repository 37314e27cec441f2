"""Thickness between a maker's readings, and the local tone taken apart into thick and stiff.

Local tone goes as h·√(E/ρ), so in cents it is the sum of thickness (1200·log2 h) and stiffness
(600·log2(E/ρ)); with the thickness measured, the rest is the wood's own. Thickness is read between
the places by Gaussian regression (C. E. Rasmussen & C. K. I. Williams, "Gaussian Processes for
Machine Learning" (2006), eq. 2.23-2.24) under the same graduation that maps are held against, and
patches of scraper size; where no reading is near its doubt is as large as such a patch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.graduation import graduation_covariance
from rig.field.hand_blocks import BLOCK_MM, Interval, block_draws, interval_of
from rig.field.nearest import nearest
from rig.field.smoothing import error_covariance
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.thickness import ThicknessReadings
from rig.model.tone_map import ToneMap
from rig.model.units import FloatArray

NEAR_MM = 15.0  # half a scraper's pass: a reading tells of the wood this far round it
_RENEWED_MM = 6.0  # a newer reading replaces an older one this near
_PATCH_CENTS, _PATCH_MM = 100.0, 17.0  # 0.2 mm, 40 mm wide at half height
_VIOLIN_MM = 356.0  # length that graduation and patches are set for
_CENTS = 1200.0 / np.log(2.0)
_TELLING_SD = 2.0  # an excess below so many of its own doubts is not shared out
_FEWEST = 6
_DRAWS = 300
_SEED = 20213


@dataclass(frozen=True)
class ThicknessAt:
    """Thickness at (m, 2) places.

    mm, sd_mm; excess_cents, excess_sd_cents: above the graduation of the readings, as the tone
    would show it; cents, cents_sd: against the middle of the readings; nearest_mm; all (m,).
    """

    mm: FloatArray
    sd_mm: FloatArray
    cents: FloatArray
    cents_sd: FloatArray
    excess_cents: FloatArray
    excess_sd_cents: FloatArray
    nearest_mm: FloatArray

    @property
    def known(self) -> NDArray[np.bool_]:
        """Where a reading is near enough to speak of the thickness; (m,)."""
        return np.asarray(self.nearest_mm <= NEAR_MM)


@dataclass(frozen=True)
class ThicknessField:
    """Readings of one plate, to be read between their places."""

    readings: ThicknessReadings
    outline: Outline

    @property
    def middle_mm(self) -> float:
        """Middle of the readings."""
        return float(np.median(self.readings.thickness_mm))

    def at(self, xy_mm: FloatArray) -> ThicknessAt:
        """Thickness with its doubt at (m, 2) places."""
        from scipy.linalg import cho_factor, cho_solve

        told = np.asarray(self.readings.places_mm)
        xy = np.asarray(xy_mm, dtype=np.float64).reshape(-1, 2)
        n = len(told)
        scale = self.outline.size_mm[1] / _VIOLIN_MM
        every = np.vstack([told, xy])
        patch = error_covariance(every, np.full(len(every), _PATCH_CENTS), _PATCH_MM * scale)
        whole = graduation_covariance(every, scale) + patch
        noise = _CENTS * self.readings.sd_mm / self.readings.thickness_mm
        values = _CENTS * np.log(self.readings.thickness_mm / self.middle_mm)
        factor = cho_factor(whole[:n, :n] + np.diag(noise**2))
        weights = cho_solve(factor, values)

        def read(prior: FloatArray) -> tuple[FloatArray, FloatArray]:
            between = prior[:n, n:]
            left = np.diag(prior)[n:] - np.sum(between * cho_solve(factor, between), axis=0)
            return np.asarray(between.T @ weights), np.sqrt(np.maximum(left, 0.0))

        cents, cents_sd = read(whole)
        excess, excess_sd = read(patch)
        mm = self.middle_mm * np.exp(cents / _CENTS)
        gap, _ = nearest(told, xy, 1)
        return ThicknessAt(
            mm, mm * cents_sd / _CENTS, cents, cents_sd, excess, excess_sd, gap[:, 0]
        )


def newest_readings(lists: Sequence[ThicknessReadings]) -> ThicknessReadings | None:
    """All lists of a plate as one: of readings of the same place the newest; None without any."""
    if not lists:
        return None
    order = sorted(range(len(lists)), key=lambda k: (lists[k].measured_on, k), reverse=True)
    newest = lists[order[0]]
    places, thickness, sd = np.asarray(newest.places_mm), newest.thickness_mm, newest.sd_mm
    for k in order[1:]:
        older = lists[k]
        gap, _ = nearest(places, np.asarray(older.places_mm), 1)
        stays = gap[:, 0] > _RENEWED_MM
        places = np.vstack([places, np.asarray(older.places_mm)[stays]])
        thickness = np.concatenate([thickness, older.thickness_mm[stays]])
        sd = np.concatenate([sd, older.sd_mm[stays]])
    return ThicknessReadings(
        PlateXY(places), thickness, sd, newest.face, newest.measured_on, newest.source
    )


@dataclass(frozen=True)
class Parted:
    """Local tone taken apart at the taps that have a reading near; all arrays (k,).

    index: rows of the tone map. tone, thickness and stiffness in cents against their middle over
    these taps: tone = thickness + stiffness. stiffness_ratio: √(E/ρ) against its middle, with sd.
    share: of the tone's excess over its target that thickness explains, NaN where the excess is
    within its doubt. of_spread: the same for the tone's spread over the plate, with interval.
    """

    index: NDArray[np.int64]
    places: FloatArray
    tone_cents: FloatArray
    tone_sd_cents: FloatArray
    thickness: ThicknessAt
    thickness_cents: FloatArray
    stiffness_cents: FloatArray
    stiffness_sd_cents: FloatArray
    share: FloatArray
    share_sd: FloatArray
    of_spread: Interval

    @property
    def stiffness_ratio(self) -> FloatArray:
        """√(E/ρ) against its middle."""
        return np.asarray(np.exp(self.stiffness_cents / _CENTS))

    @property
    def stiffness_ratio_sd(self) -> FloatArray:
        """Its standard deviation."""
        return np.asarray(self.stiffness_ratio * self.stiffness_sd_cents / _CENTS)


def parted(tone_map: ToneMap, field: ThicknessField) -> Parted:
    """Take a map of local tone apart; raises AnalysisError for another reading or few places."""
    if tone_map.reading != "local":
        raise AnalysisError(
            f"The reading “{tone_map.reading}” does not go with thickness; only local tone does.",
            where=tone_map.scan,
            remedy="Scan on a grid of about 9 mm, so that local tone can be read.",
        )
    places = np.asarray(tone_map.places)
    told = field.at(places)
    index = np.flatnonzero(told.known)
    if len(index) < _FEWEST:
        raise AnalysisError(
            f"Only {len(index)} taps have a thickness reading within {NEAR_MM:.0f} mm.",
            where=tone_map.scan,
            remedy="Measure the thickness at more places.",
        )
    near = field.at(places[index])
    tone = tone_map.tone_cents[index] - np.median(tone_map.tone_cents[index])
    thickness = near.cents - np.median(near.cents)
    share, share_sd = share_of(
        tone_map.excess_cents[index],
        tone_map.sd_cents[index],
        near.excess_cents if tone_map.target != "flat" else thickness,
        near.excess_sd_cents if tone_map.target != "flat" else near.cents_sd,
    )
    draws = block_draws(places[index], BLOCK_MM, _DRAWS, np.random.default_rng(_SEED))
    return Parted(
        index=index,
        places=places[index],
        tone_cents=tone,
        tone_sd_cents=tone_map.sd_cents[index],
        thickness=near,
        thickness_cents=thickness,
        stiffness_cents=tone - thickness,
        stiffness_sd_cents=np.hypot(tone_map.sd_cents[index], near.cents_sd),
        share=share,
        share_sd=share_sd,
        of_spread=interval_of(
            lambda rows: _contributed(thickness[rows], tone[rows]), draws, len(index)
        ),
    )


def share_of(
    excess: FloatArray, excess_sd: FloatArray, explained: FloatArray, explained_sd: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Share of an excess that something explains, with sd; NaN where the excess is in doubt."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(np.abs(excess) > _TELLING_SD * excess_sd, explained / excess, np.nan)
        sd = np.hypot(explained_sd, share * excess_sd) / np.abs(excess)
    return share, np.where(np.isfinite(share), sd, np.nan)


def _contributed(part: FloatArray, whole: FloatArray) -> float:
    """Cov(part, whole) / Var(whole): what the part contributes to the whole's variance."""
    spread = float(np.var(whole))
    if spread <= 0.0:
        return float("nan")
    return float(np.mean((part - part.mean()) * (whole - whole.mean())) / spread)
