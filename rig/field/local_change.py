"""Change of local tone: which estimators read it, and how they join.

The whole-plate inversion reads a change as sharply as it reads a plate, and the errors of its model
are the same before and after. The hammer's rebound reads every tap by itself: it errs
independently and joins by variance. The wave fit reads a place of 35 mm half as high as it is, so
that it adds as much blunting as it takes noise away: it is the second opinion, and takes over where
the inversion may not be believed. By sound alone, and where the plate's model leans on the taps,
both err alike much and independently: there their mean by variance stands.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

import numpy as np

from rig.field.differences import (
    Difference,
    common_places,
    joined_difference,
    tone_difference,
    wave_difference,
)
from rig.field.inversion import Inversion
from rig.field.inversion_change import PlateChange, plate_change
from rig.field.nearest import nearest, typical_spacing_mm
from rig.field.single_taps import rebound_tone
from rig.field.smoothing import SCRAPER_MM, averaging_weights, error_covariance, robust_sd
from rig.field.violin_size import at_own_size, change_carried_back, reduced
from rig.model.errors import AnalysisError
from rig.model.plate_size import times_violin
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.units import FloatArray

ESTIMATOR = "whole-plate change"
_SAME_RIM_MM = 1.5
# Towards the edge the hammer feels how near it is: two grids, or half a millimetre, differ there by
# 15 cents at 30 mm from the edge, 5 at 35 mm and 3 farther in.
_TOUCH_FROM_MM = 30.0
_TOUCH_WHOLLY_MM = 38.0
_USUAL_RIM_MM = 11.0
_UNTOUCHED = 0.8  # share of the places that is hardly ever worked on in one go
_Z_OF_UNTOUCHED = 1.2816  # |z| of a normal error stays below it as often
_LEAST_SIZE = 0.6
_RIM_CENTS = 6.0
_RIM_CENTS_MM = 4.0
_RIM_FADES_MM = 12.0
_RIM_LENGTH_MM = 18.0
_MOVED_MM = 1.5
_MOVED_DEG = 0.6
_LEVEL_SD_CENTS = 3.0  # of the constants, which may not follow the air's moisture

Found = TypeVar("Found")


def local_difference(
    before: ScanRecord,
    after: ScanRecord,
    progress: Progress = silent,
    fitted: Inversion | None = None,
) -> Difference:
    """Change of local tone by the estimators that the two scans carry.

    fitted: the first scan's plate where it has been fitted already, which saves time (of a violin's
    or viola's plate; larger ones are read at a violin's size, `violin_size`). The notes of the
    answer say which stood aside and why. Raises AnalysisError where the scans carry no local tone.
    """
    times = times_violin(before.outline)
    if times == 1.0:
        return _local_difference(before, after, progress, fitted)
    try:
        found = _local_difference(reduced(before, times), reduced(after, times), progress, None)
    except AnalysisError as error:
        raise at_own_size(error, times) from error
    return change_carried_back(found, times)


def _local_difference(
    before: ScanRecord, after: ScanRecord, progress: Progress, fitted: Inversion | None
) -> Difference:
    waves, no_waves = _attempt(lambda: wave_difference(before, after, progress))
    change, no_change = _attempt(lambda: _believed_change(before, after, progress, fitted))
    if change is None:
        if waves is None:
            raise AnalysisError(
                f"{no_waves} {no_change}",
                where=f"{before.scan} and {after.scan}",
                remedy="Scan both on a finer grid, or compare the attack.",
            )
        said = f"The whole-plate inversion is not used for the change: {no_change}"
        return _with_touch(replace(waves, notes=(*waves.notes, said)), before, after)
    plate = difference_of(change, before, after)
    if waves is None:
        return _with_touch(plate, before, after)
    if change.verdict != "good" and not (_has_pickup(before) and _has_pickup(after)):
        return averaged(plate, waves)
    return _with_second_opinion(_with_touch(plate, before, after), waves)


def difference_of(change: PlateChange, before: ScanRecord, after: ScanRecord) -> Difference:
    """A fitted change at the places common to both scans, averaged over a scraper's pass.

    Most places of a plate are not worked on between two scans: how far they scatter against
    their doubts tells the size of the doubts, up or down.
    """
    grid = common_places(before, after)
    weights = averaging_weights(grid, grid, before.outline, fwhm_mm=SCRAPER_MM)
    fine = change.cents(grid)
    smooth = weights @ fine
    level = float(np.median(smooth))
    middle = weights.mean(axis=0, keepdims=True)
    covariance = change.covariance(weights - middle, grid)
    covariance += error_covariance(grid, _rim_doubt(grid, before, after), _RIM_LENGTH_MM)
    z = np.abs(smooth - level) / np.sqrt(np.diag(covariance))
    size = max(float(np.quantile(z, _UNTOUCHED)) / _Z_OF_UNTOUCHED, _LEAST_SIZE)
    level_sd = size * float(np.sqrt(change.covariance(middle, grid)[0, 0]))
    tone = change.before_cents(grid)
    return Difference(
        places=grid,
        change_cents=smooth - level,
        covariance=size**2 * covariance,
        spacing_mm=typical_spacing_mm(grid),
        before_cents=tone,
        after_cents=tone + fine,
        reading="local",
        estimator=ESTIMATOR,
        level_cents=(level, float(np.hypot(_LEVEL_SD_CENTS, level_sd))),
        edge_errs=False,
        notes=(*_moved(change), *change.reasons),
    )


def _rim_doubt(grid: FloatArray, before: ScanRecord, after: ScanRecord) -> FloatArray:
    """Further doubt in cents beside the edge, where a bare rim of wood is carried along; (m,).

    It grows with the width of rim that either scan left bare, and for places out there themselves.
    """
    outline = before.outline
    edge = np.vstack([_dense(ring) for ring in (outline.rim, *outline.holes)])
    bare = np.max([nearest(scan.tap_places()[1], edge, 1)[0][:, 0] for scan in (before, after)], 0)
    depth, at = nearest(edge, grid, 1)
    depth, bare = depth[:, 0], bare[at[:, 0]]
    share = np.exp(-np.maximum(depth - bare, 0.0) / _RIM_FADES_MM)
    wide = np.clip(bare - _USUAL_RIM_MM, 0.0, 15.0) + np.clip(bare - depth, 0.0, 15.0)
    return np.asarray(share * (_RIM_CENTS + _RIM_CENTS_MM * wide))


def _dense(ring: FloatArray) -> FloatArray:
    """A closed ring of points about 2 mm apart."""
    ends = np.roll(ring, -1, axis=0)
    parts = np.maximum(np.ceil(np.hypot(*(ends - ring).T) / 2.0).astype(int), 1)
    return np.vstack(
        [a + (b - a) * np.arange(n)[:, None] / n for a, b, n in zip(ring, ends, parts, strict=True)]
    )


def averaged(plate: Difference, waves: Difference) -> Difference:
    """The mean of two readings of one change at the same places, by their variances.

    Where they disagree by more than their doubts allow, both doubts grow in proportion (the Birge
    ratio: R. T. Birge, Phys. Rev. 40 (1932) 207).
    """
    one, two = (np.sqrt(np.diag(d.covariance)) for d in (plate, waves))
    share = one**-2 / (one**-2 + two**-2)
    gap = (plate.change_cents - waves.change_cents) / np.hypot(one, two)
    birge = max(1.0, robust_sd(gap))
    value = share * plate.change_cents + (1.0 - share) * waves.change_cents
    covariance = birge**2 * (
        np.outer(share, share) * plate.covariance
        + np.outer(1.0 - share, 1.0 - share) * waves.covariance
    )
    apart = float(np.std(plate.change_cents - waves.change_cents))
    said = f"Two estimators, {apart:.0f} cents apart (sd over the plate), were averaged."
    return replace(
        plate,
        change_cents=value - np.median(value),
        covariance=covariance,
        estimator=f"{plate.estimator} with {waves.estimator}",
        edge_errs=True,
        notes=(*plate.notes, *waves.notes, said),
    )


def _believed_change(
    before: ScanRecord, after: ScanRecord, progress: Progress, fitted: Inversion | None
) -> PlateChange:
    """The change fitted to the whole plate; AnalysisError where it must not be believed."""
    apart = max(
        float(one.edge_distance_mm(two.rim).max())
        for one, two in ((before.outline, after.outline), (after.outline, before.outline))
    )
    if apart > _SAME_RIM_MM:
        raise AnalysisError(f"The outlines of the two scans differ by up to {apart:.1f} mm.")
    change = plate_change(before if fitted is None else fitted, after, progress)
    if change.verdict == "refused":
        raise AnalysisError(" ".join(change.reasons))
    return change


def _attempt(read: Callable[[], Found]) -> tuple[Found | None, str]:
    """What the estimator reads, or None with its reason for not reading."""
    try:
        return read(), ""
    except AnalysisError as error:
        return None, error.what
    except (ArithmeticError, np.linalg.LinAlgError) as error:
        return None, f"The equations could not be solved ({error})."


def _with_touch(local: Difference, before: ScanRecord, after: ScanRecord) -> Difference:
    """Join the hammer's rebound where both scans have it."""
    try:
        touch = tone_difference(rebound_tone(before), rebound_tone(after), before, after)
    except AnalysisError:
        return local
    depth = before.outline.edge_distance_mm(local.places)
    trust = np.clip((depth - _TOUCH_FROM_MM) / (_TOUCH_WHOLLY_MM - _TOUCH_FROM_MM), 0.0, 1.0)
    return joined_difference(local, touch, trust)


def _with_second_opinion(plate: Difference, waves: Difference) -> Difference:
    """Say how far the wave fit agrees."""
    apart = float(np.std(plate.change_cents - waves.change_cents))
    said = (
        "Second opinion: the local wave fit, which needs no outline and no model of the plate, "
        f"reads the same change within {apart:.0f} cents (sd over the plate)."
    )
    return replace(plate, notes=(*plate.notes, said))


def _moved(change: PlateChange) -> tuple[str, ...]:
    """A plate found well off its pose is worth a word."""
    (x, y), turn = change.moved_mm, change.moved_deg
    if np.hypot(x, y) < _MOVED_MM and abs(turn) < _MOVED_DEG:
        return ()
    return (
        f"The second scan's taps lie {x:+.1f}, {y:+.1f} mm and {turn:+.1f}° off their places, as "
        "its sounds tell; this is allowed for.",
    )


def _has_pickup(scan: ScanRecord) -> bool:
    return any(strike.clip.pickup_channel is not None for strike in scan.used_strikes())
