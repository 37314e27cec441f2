"""Change of tone between two scans at common places, with an error that was seen, not assumed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.field.local_likelihood import local_likelihood
from rig.field.nearest import nearest, typical_spacing_mm
from rig.field.smoothing import (
    SCRAPER_MM,
    averaged_covariance,
    averaging_weights,
    error_covariance,
    error_length_mm,
)
from rig.field.wave_fit import (
    STEP_CENTS,
    block_costs,
    kernels_at,
    lowest,
    read_waves,
    settled,
)
from rig.model.errors import AnalysisError
from rig.model.plate_size import times_violin
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind, TapTone
from rig.model.units import FloatArray

_BLOCKS = 8
_SPREAD = 1.2  # leaving out blocks sees a little less than the whole
# Beside the edge half of the neighbours are missing and waves turn back; plates scanned twice
# differ there by more than leaving out blocks tells.
_AT_EDGE_CENTS = 45.0
_EDGE_MM = 15.0


@dataclass(frozen=True)
class Difference:
    """After minus before on common places (m, 2), averaged over a scraper's pass.

    covariance: (m, m) of the errors; spacing_mm: of the places; before_cents, after_cents: (m,)
    tone of either scan at the places, unsmoothed; reading, estimator: how it was read. level_cents:
    change of the whole plate's middle, (value, sd), which `change_cents` leaves out; None where the
    estimator cannot tell. edge_errs: errors beside the edge are of another size than inside.
    notes: what to know about how it was read.
    """

    places: FloatArray
    change_cents: FloatArray
    covariance: FloatArray
    spacing_mm: float
    before_cents: FloatArray
    after_cents: FloatArray
    reading: ReadingKind
    estimator: str
    level_cents: tuple[float, float] | None = None
    edge_errs: bool = True
    notes: tuple[str, ...] = ()


def wave_difference(
    before: ScanRecord, after: ScanRecord, progress: Progress = silent
) -> Difference:
    """Read both scans by the wave fit at the same places, with the same constants.

    Places, wave lengths and band are common, so that what the estimator gets wrong of the plate
    (edges, arching, ratios) is the same in both and falls out. The error is seen by leaving out
    one block of frequencies at a time. Raises AnalysisError where either scan does not carry it.
    """
    first, second = read_waves(before), read_waves(after)
    band = (max(first.band_hz[0], second.band_hz[0]), min(first.band_hz[1], second.band_hz[1]))
    if band[1] < 1.5 * band[0]:
        raise AnalysisError(
            "The two scans have too little of their bands in common.",
            where=f"{before.scan} and {after.scan}",
            remedy="Strike both with the same tip and strength.",
        )
    progress(ProgressEvent("Comparing waves", 1, 3))
    grid = common_places(before, after)
    steps: list[FloatArray] = []
    for number, (reading, scan) in enumerate(((first, before), (second, after))):
        shared = replace(
            reading, waves=first.waves, radius_mm=first.radius_mm, width_mm=first.width_mm
        )
        if not shared.responses.has_force:
            at_taps = kernels_at(shared, scan, np.asarray(shared.responses.places))
            shared, _ = settled(shared, at_taps)
        ready = kernels_at(shared, scan, grid)
        likelihood = local_likelihood(shared.picture, ready, shared.waves)
        costs = block_costs(likelihood, _BLOCKS)
        total = costs.sum(axis=0)
        here, _ = lowest(total, likelihood.scales.steps)
        without = [lowest(total - c, likelihood.scales.steps)[0] for c in costs]
        steps.append(np.stack([here, *without]) * STEP_CENTS)
        progress(ProgressEvent("Comparing waves", 2 + number, 3))
    change = steps[1] - steps[0]
    rough = _deviation(steps[0]) + _deviation(steps[1])
    wild = np.abs(change[0] - np.median(change[0])) > 600.0
    variance = np.where(wild, 1e6, np.maximum(rough, np.median(rough)))
    weights = averaging_weights(grid, grid, before.outline, fwhm_mm=SCRAPER_MM, variance=variance)
    smooth = change @ weights.T
    smooth -= np.median(smooth, axis=1, keepdims=True)
    sd_now = np.sqrt(_deviation(steps[0] @ weights.T) + _deviation(steps[1] @ weights.T))
    # Eight blocks tell one place's error badly; neighbours share it.
    near = averaging_weights(grid, grid, before.outline, fwhm_mm=60.0)
    depth = before.outline.edge_distance_mm(grid)
    sd = np.hypot(_SPREAD * np.sqrt(near @ sd_now**2), _AT_EDGE_CENTS * np.exp(-depth / _EDGE_MM))
    length = float(np.hypot(SCRAPER_MM / 2.3548 * np.sqrt(2.0), 11.0))
    return Difference(
        grid,
        smooth[0],
        error_covariance(grid, sd, length),
        typical_spacing_mm(grid),
        steps[0][0],
        steps[1][0],
        "local",
        "local wave fit",
    )


def _deviation(values: FloatArray) -> FloatArray:
    """Jackknife variance of the first row (b+1, m) from the rows that leave one block out."""
    left = values[1:]
    count = len(left)
    spread = (count - 1) / count * np.sum((left - left.mean(axis=0)) ** 2, axis=0)
    return np.asarray(spread)


def tone_difference(
    before: TapTone, after: TapTone, first: ScanRecord, second: ScanRecord
) -> Difference:
    """The same from any per-tap tones: each averaged to common places, then subtracted."""
    grid = common_places(first, second)
    change = np.zeros(len(grid))
    covariance = np.zeros((len(grid), len(grid)))
    here: list[FloatArray] = []
    size = times_violin(first.outline)
    for sign, tone in ((-1.0, before), (1.0, after)):
        places = np.asarray(tone.places)
        weights = averaging_weights(
            places, grid, first.outline, fwhm_mm=SCRAPER_MM, variance=tone.sd_cents**2
        )
        cents = 1200.0 * np.log2(tone.tone_hz)
        here.append(cents[nearest(places, grid)[1][:, 0]])
        change += sign * (weights @ (cents - np.median(cents)))
        length = error_length_mm(tone.reading, tone.estimator, size)
        covariance += averaged_covariance(weights, error_covariance(places, tone.sd_cents, length))
    change -= np.median(change)
    return Difference(
        grid,
        change,
        covariance,
        typical_spacing_mm(grid),
        here[0],
        here[1],
        before.reading,
        before.estimator,
    )


def joined_difference(local: Difference, touch: Difference, trust: FloatArray) -> Difference:
    """Average a change of local tone with a change that the hammer felt, by their variances.

    Both stand on the same places. trust (m,): from 0 where the hammer is led astray by the edge
    to 1 where it is not.
    The scale of touch is the slope of local tone over it in the first scan (total spread against
    total spread, both being in doubt); its doubt is at least its scatter where nothing changed.
    """
    inside = trust >= 1.0
    if inside.sum() < 40:
        return local
    tones = (local.before_cents, touch.before_cents)
    spread = [float(np.subtract(*np.quantile(v[inside], [0.9, 0.1]))) for v in tones]
    if spread[1] <= 0.0:
        return local
    scale = spread[0] / spread[1]
    if not 0.3 < scale < 3.0:
        return local
    felt = scale * (touch.change_cents - np.median(touch.change_cents[inside]))
    doubt = scale * np.sqrt(np.diag(touch.covariance))
    rough = 1.4826 * float(np.median(np.abs(felt[inside])))
    doubt = np.maximum(doubt, rough)
    own = np.sqrt(np.diag(local.covariance))
    share = trust * own**2 / (own**2 + doubt**2)
    change = (1.0 - share) * local.change_cents + share * felt
    sd = np.sqrt(((1.0 - share) * own) ** 2 + (share * doubt) ** 2)
    return replace(
        local,
        change_cents=change - np.median(change),
        covariance=local.covariance * np.outer(sd / own, sd / own),
        estimator=f"{local.estimator} with {touch.estimator}",
    )


def common_places(before: ScanRecord, after: ScanRecord) -> FloatArray:
    """Places of the first scan that the second has taps around as well; (m, 2) mm."""
    _, one = before.tap_places()
    _, two = after.tap_places()
    if len(two) < 4 or len(one) < 4:
        raise AnalysisError(
            "One of the scans has too few usable taps to compare.",
            where=f"{before.scan} and {after.scan}",
        )
    gap, _ = nearest(two, one)
    inside = (gap[:, 0] <= 1.1 * typical_spacing_mm(two)) & before.outline.contains(one)
    if not inside.any():
        raise AnalysisError(
            "The two scans have no part of the plate in common.",
            where=f"{before.scan} and {after.scan}",
        )
    return np.asarray(one[inside])
