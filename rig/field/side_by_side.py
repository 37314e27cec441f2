"""Two maps that were read independently, set side by side: two rigs, or two plates.

Where one plate was scanned before and after work, what is wrong with the model of the plate falls
out of the change (`inversion_change`). Two rigs must not be let off like that, for what they get
wrong is the question, and two plates have two models: here each map stands as it is, with its own
doubt. A plate is carried on the other by its outline, so that plates of one maker but of another
size can be compared.
"""

from __future__ import annotations

import numpy as np

from rig.field.differences import Difference
from rig.field.nearest import nearest, typical_spacing_mm
from rig.field.smoothing import (
    SCRAPER_MM,
    averaged_covariance,
    averaging_weights,
    error_covariance,
    error_length_mm,
)
from rig.model.errors import AnalysisError
from rig.model.outline import Outline
from rig.model.plate_size import times_violin
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone
from rig.model.units import FloatArray

_STEP_MM = 0.5
_FEWEST = 4


def carried(xy_mm: FloatArray, own: Outline, other: Outline) -> FloatArray:
    """Places (n, 2) of one plate on another: the same share of its length and of its half width.

    Both in their plate frames. Left and right are carried each by its own half, so that the rim
    comes to lie on the rim; corners come to lie on corners as far as they sit at the same share
    of the length.
    """
    low, high = own.rim[:, 1].min(), own.rim[:, 1].max()
    other_low, other_high = other.rim[:, 1].min(), other.rim[:, 1].max()
    share = (xy_mm[:, 1] - low) / (high - low)
    y = other_low + share * (other_high - other_low)
    left, right = _half_widths(own, xy_mm[:, 1])
    other_left, other_right = _half_widths(other, y)
    x = np.where(
        xy_mm[:, 0] < 0.0, xy_mm[:, 0] * other_left / left, xy_mm[:, 0] * other_right / right
    )
    return np.column_stack([x, y])


def _half_widths(outline: Outline, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """From the centre line to the outermost rim at the left and at the right; (n,) each, mm > 0."""
    ring = np.vstack([outline.rim, outline.rim[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    fine = np.arange(0.0, along[-1], 0.25 * _STEP_MM)
    x, y = (np.interp(fine, along, ring[:, axis]) for axis in (0, 1))
    rows = np.floor((y - y.min()) / _STEP_MM).astype(int)
    count = int(rows.max()) + 1
    left, right = np.zeros(count), np.zeros(count)
    np.maximum.at(left, rows, -x)
    np.maximum.at(right, rows, x)
    middles = y.min() + (np.arange(count) + 0.5) * _STEP_MM
    least = 1e-3  # at the very ends of the plate
    return (
        np.maximum(np.interp(y_mm, middles, left), least),
        np.maximum(np.interp(y_mm, middles, right), least),
    )


def independent_difference(
    before: tuple[ScanRecord, TapTone], after: tuple[ScanRecord, TapTone], *, scaled: bool
) -> Difference:
    """The second map minus the first on the places of the first, each against its own middle.

    scaled: carry the second plate on the first one's outline. Raises AnalysisError where the
    readings differ or the plates have no part in common.
    """
    (first, one), (second, two) = before, after
    where = f"{first.scan} and {second.scan}"
    if one.reading != two.reading:
        raise AnalysisError(
            f"One scan carries {one.reading} tone, the other {two.reading}: they do not compare.",
            where=where,
            remedy="Name a reading that both carry, for instance --reading attack.",
        )
    outline = first.outline
    laid = np.asarray(two.places)
    if scaled:
        laid = carried(laid, second.outline, outline)
    grid = np.asarray(one.places)
    if len(grid) < _FEWEST or len(laid) < _FEWEST:
        raise AnalysisError("One of the scans has too few usable taps to compare.", where=where)
    gap, _ = nearest(laid, grid)
    grid = grid[(gap[:, 0] <= 1.1 * typical_spacing_mm(laid)) & outline.contains(grid)]
    if len(grid) < _FEWEST:
        raise AnalysisError("The two scans have no part of the plate in common.", where=where)
    smooth: list[FloatArray] = []
    levels: list[float] = []
    covariance = np.zeros((len(grid), len(grid)))
    for tone, places in ((one, np.asarray(one.places)), (two, laid)):
        weights = averaging_weights(
            places, grid, outline, fwhm_mm=SCRAPER_MM, variance=tone.sd_cents**2
        )
        cents = 1200.0 * np.log2(tone.tone_hz)
        levels.append(float(np.median(cents)))
        smooth.append(np.asarray(weights @ (cents - levels[-1])))
        length = error_length_mm(tone.reading, tone.estimator, times_violin(outline))
        covariance += averaged_covariance(weights, error_covariance(places, tone.sd_cents, length))
    change = smooth[1] - smooth[0]
    estimators = dict.fromkeys((one.estimator, two.estimator))
    return Difference(
        places=grid,
        change_cents=change - np.median(change),
        covariance=covariance,
        spacing_mm=typical_spacing_mm(grid),
        before_cents=smooth[0],
        after_cents=smooth[1],
        reading=one.reading,
        estimator=" and ".join(estimators),
        notes=_notes(one, two),
    )


def level_between(one: TapTone, two: TapTone) -> float:
    """Middle value of the second map above that of the first, in cents."""
    return 1200.0 * float(np.median(np.log2(two.tone_hz)) - np.median(np.log2(one.tone_hz)))


def _notes(one: TapTone, two: TapTone) -> tuple[str, ...]:
    """What the maps themselves say of their reading, where it is not simply good."""
    said = []
    for which, tone in (("first", one), ("second", two)):
        if tone.verdict != "good":
            said.append(
                f"The {which} map is to be used with care. {' '.join(tone.reasons)}".strip()
            )
    return tuple(said)
