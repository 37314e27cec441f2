"""High zones, and the order to work them in: from the starting spot near the middle outwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.smoothing import (
    SCRAPER_MM,
    Chance,
    averaging_weights,
    chance_of_peaks,
    connected,
    error_covariance,
    error_length_mm,
    even_grid,
)
from rig.model.errors import UsageError
from rig.model.outline import Outline
from rig.model.plate_size import times_violin
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import HighZone, Patch, TargetKind, ToneMap, WorkOrder
from rig.model.units import FloatArray

FLOOR_CENTS = 35.0  # about 2 % of thickness, 0.07 mm: below this nobody works
CONFIDENCE = 0.95
_GRID_MM = 7.0
_SEED = 20211
_AGAINST: dict[TargetKind, str] = {
    "flat": "the plate's own middle value",
    "smooth graduation": "a smooth graduation",
    "mirror side": "the mirror side",
    "other face": "the other face at the same spot ({})",
    "earlier scan": "the earlier scan {}",
    "drawn profile": "the drawn profile {}",
}


@dataclass(frozen=True)
class SmoothedExcess:
    """Tone above target, averaged over the size of a scraper's pass, on a grid; all (m,).

    step_mm: of the grid.
    """

    places: FloatArray
    excess_cents: FloatArray
    sd_cents: FloatArray
    z: FloatArray
    tone_cents: FloatArray
    chance: Chance
    step_mm: float = _GRID_MM


def work_order(
    tone_map: ToneMap,
    scan: ScanRecord,
    smallest_change_cents: float | None = None,
    *,
    start_mm: tuple[float, float] | None = None,
) -> WorkOrder:
    """Find the zones that chance does not explain and put them in order.

    Against a smooth graduation a zone is a patch that stands out of it; against a given target, a
    place whose smoothed excess reaches 95 % confidence against the greatest peak that chance would
    show anywhere on the plate. It is `FLOOR_CENTS` high at least, and never less than
    smallest_change_cents, which the rig can tell apart at a place by a repeatability study.
    start_mm: the starting spot where it was put by hand; raises UsageError where no wood is there.
    """
    floor = max(FLOOR_CENTS, smallest_change_cents or 0.0)
    smooth = smoothed_excess(tone_map, scan.outline)
    spot, spot_reason = starting_spot(smooth, scan.outline)
    if start_mm is not None:
        spot, spot_reason = put_by_hand(start_mm, scan.outline, spot)
    if tone_map.reading == "attack":
        # What is heard at once follows the pattern of the plate's modes and the distance from the
        # edge at least as much as the wood; on a thick place it may even sound darker.
        zones: tuple[HighZone, ...] = ()
        sentence = (
            "No place is named for taking wood off: attack tells what a listener hears, not where "
            f"the wood is thick. A scan with taps about {9.0 * times_violin(scan.outline):.0f} mm "
            "apart would tell."
        )
    else:
        measured_on = "local tone" if tone_map.reading == "local" else tone_map.reading
        if tone_map.target == "smooth graduation":
            found = _standing_out(smooth, tone_map, floor)
        else:
            found = _above_target(smooth, floor)
        zones = _in_order(found, smooth, tone_map, spot)
        sentence = _sentence(zones, tone_map, measured_on, floor, smallest_change_cents)
    return WorkOrder(
        scan=tone_map.scan,
        starting_spot_mm=spot,
        starting_spot_reason=spot_reason,
        zones=zones,
        sentence=sentence,
        smallest_change_cents=smallest_change_cents,
    )


def smoothed_excess(tone_map: ToneMap, outline: Outline) -> SmoothedExcess:
    """Average the excess at the size of a scraper's pass, with sd and the play of chance."""
    told = np.isfinite(tone_map.excess_cents)  # a target need not speak of every tap
    places, sd_cents = np.asarray(tone_map.places)[told], tone_map.sd_cents[told]
    margin = float(np.quantile(outline.edge_distance_mm(places), 0.02))
    step = _GRID_MM * times_violin(outline)
    grid = even_grid(outline, step, max(margin, 3.0))
    weights = averaging_weights(
        places, grid, outline, fwhm_mm=SCRAPER_MM, variance=tone_map.excess_sd_cents[told] ** 2
    )
    known = weights.sum(axis=1) > 0.5
    grid, weights = grid[known], weights[known]
    length = error_length_mm(tone_map.reading, tone_map.estimator, times_violin(outline))
    errors = error_covariance(places, sd_cents, length)
    if tone_map.target_sd_cents is not None:
        errors += error_covariance(
            places, tone_map.target_sd_cents[told], tone_map.target_length_mm
        )
    covariance = weights @ errors @ weights.T
    sd = np.sqrt(np.diag(covariance))
    excess, tone = weights @ tone_map.excess_cents[told], weights @ tone_map.tone_cents[told]
    chance = chance_of_peaks(covariance, two_sided=False, rng=np.random.default_rng(_SEED))
    return SmoothedExcess(grid, excess, sd, excess / sd, tone, chance, step)


def starting_spot(
    smooth: SmoothedExcess, outline: Outline
) -> tuple[tuple[float, float] | None, str]:
    """The highest tone within a hand's width of the middle, where makers begin."""
    if not len(smooth.places):
        return None, "No tap lies on the plate."
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    middle = 0.5 * (low + high)
    size = high - low
    near = np.abs(smooth.places - middle) <= np.array([0.22, 0.16]) * size
    inner = np.flatnonzero(near.all(axis=1))
    if not inner.size:
        return None, "No tap lies near the middle of the plate."
    best = inner[int(np.argmax(smooth.tone_cents[inner]))]
    spot = smooth.places[best]
    above = smooth.tone_cents[best]
    return (
        (float(spot[0]), float(spot[1])),
        f"The highest tone near the middle, {above:+.0f} cents against the plate's middle value.",
    )


def put_by_hand(
    start_mm: tuple[float, float],
    outline: Outline,
    found_mm: tuple[float, float] | None = None,
) -> tuple[tuple[float, float], str]:
    """The starting spot where the maker put it; found_mm: where it would be by itself.

    Raises UsageError for a spot that is not on the wood.
    """
    if not outline.contains(np.array([start_mm], dtype=np.float64))[0]:
        raise UsageError(
            f"The starting spot x {start_mm[0]:g}, y {start_mm[1]:g} mm is not on the wood.",
            remedy="Give x to the right of the centre line and y from the lower end, in mm, seen "
            "from the outer face.",
        )
    reason = "Put here by hand"
    if found_mm is not None:
        reason += (
            f"; the highest tone near the middle is at x {found_mm[0]:.0f}, y {found_mm[1]:.0f} mm"
        )
    return start_mm, f"{reason}."


@dataclass(frozen=True)
class _Found:
    """A zone before it has its place in the order; region: indices into the smoothed grid."""

    x_mm: float
    y_mm: float
    excess_cents: float
    sd_cents: float
    confidence: float
    region: NDArray[np.int64]


def _standing_out(smooth: SmoothedExcess, tone_map: ToneMap, floor: float) -> list[_Found]:
    """Patches above the graduation; one that lies inside a surer one belongs to it."""
    found: list[_Found] = []
    taken = np.zeros(len(smooth.places), dtype=bool)
    surest = sorted(tone_map.patches, key=lambda patch: -patch.z)
    kept: list[Patch] = []
    for patch in surest:
        inside = any(
            np.hypot(patch.x_mm - k.x_mm, patch.y_mm - k.y_mm)
            < 0.35 * (patch.width_mm + k.width_mm)
            for k in kept
        )
        # A patch may owe its first look to one that was found after it.
        if patch.height_cents < floor or patch.confidence < CONFIDENCE or inside:
            continue
        kept.append(patch)
        gap = np.hypot(*(smooth.places - np.array([patch.x_mm, patch.y_mm])).T)
        high = smooth.excess_cents >= 0.5 * smooth.excess_cents[gap < 0.3 * patch.width_mm].max(
            initial=0.0
        )
        body = (gap < 0.35 * patch.width_mm) | (high & (gap < 0.8 * patch.width_mm))
        region = np.flatnonzero(body & ~taken)
        if not region.size:
            continue
        taken[region] = True
        found.append(
            _Found(
                patch.x_mm, patch.y_mm, patch.height_cents, patch.sd_cents, patch.confidence, region
            )
        )
    return found


def _above_target(smooth: SmoothedExcess, floor: float) -> list[_Found]:
    """Connected places above a given target beyond chance."""
    needed = float(np.quantile(smooth.chance.draws, CONFIDENCE))
    # A zone reaches down to half its own peak; its peak alone must pass the test.
    found = []
    peaks = (smooth.z >= needed) & (smooth.excess_cents >= floor)
    taken = np.zeros(len(smooth.z), dtype=bool)
    for top in np.flatnonzero(peaks)[np.argsort(-smooth.excess_cents[peaks])]:
        if taken[top]:
            continue
        high = smooth.excess_cents >= 0.5 * smooth.excess_cents[top]
        body = region_around(smooth, high, int(top))
        region = body[~taken[body]]
        taken[body] = True
        taken[region_around(smooth, peaks, int(top))] = True
        weight = np.maximum(smooth.excess_cents[region], 1e-6)
        x, y = np.average(smooth.places[region], axis=0, weights=weight)
        found.append(
            _Found(
                x_mm=float(x),
                y_mm=float(y),
                excess_cents=float(smooth.excess_cents[top]),
                sd_cents=float(smooth.sd_cents[top]),
                confidence=smooth.chance.confidence(float(smooth.z[top])),
                region=region,
            )
        )
    return found


def _in_order(
    found: list[_Found],
    smooth: SmoothedExcess,
    tone_map: ToneMap,
    spot: tuple[float, float] | None,
) -> tuple[HighZone, ...]:
    """From the starting spot outwards."""
    start = np.array(spot) if spot is not None else smooth.places.mean(axis=0)
    found = sorted(found, key=lambda f: float(np.hypot(f.x_mm - start[0], f.y_mm - start[1])))
    zones = []
    for rank, zone in enumerate(found, start=1):
        gap = np.hypot(*(np.asarray(tone_map.places)[:, None, :] - smooth.places[zone.region]).T)
        members = np.flatnonzero(gap.min(axis=0) <= 0.75 * smooth.step_mm)
        zones.append(
            HighZone(
                rank=rank,
                x_mm=zone.x_mm,
                y_mm=zone.y_mm,
                area_mm2=float(len(zone.region) * smooth.step_mm**2),
                excess_cents=zone.excess_cents,
                excess_sd_cents=zone.sd_cents,
                confidence=zone.confidence,
                taps=tuple(tone_map.taps[i] for i in members),
            )
        )
    return tuple(zones)


def region_around(smooth: SmoothedExcess, chosen: NDArray[np.bool_], top: int) -> NDArray[np.int64]:
    """The connected set of chosen places that holds the place `top`."""
    found = connected(smooth.places, chosen, 1.2 * smooth.step_mm)
    return next(region for region in found if top in region)


def _sentence(
    zones: tuple[HighZone, ...],
    tone_map: ToneMap,
    measured_on: str,
    floor: float,
    smallest: float | None,
) -> str:
    against = _AGAINST[tone_map.target].format(tone_map.target_from)
    if not zones:
        told = (
            "how much it can tell apart was not studied"
            if smallest is None
            else f"it can tell {smallest:.0f} cents apart at a place"
        )
        return (
            f"Even within what this rig can tell: no place stands above {against} "
            f"({measured_on}) by more than chance would show and {floor:.0f} cents; {told}, and "
            f"the doubt of one place is about {np.median(tone_map.sd_cents):.0f} cents."
        )
    first = zones[0]
    number = "One place stands" if len(zones) == 1 else f"{len(zones)} places stand"
    least = "" if smallest is None else f" This rig can tell {smallest:.0f} cents apart at a place."
    return (
        f"{number} above {against} ({measured_on}); begin at x {first.x_mm:.0f}, "
        f"y {first.y_mm:.0f} mm, {first.excess_cents:+.0f} ± {first.excess_sd_cents:.0f} "
        f"cents.{least}"
    )
