"""Before and after: where the tone changed, how sure that is, and what may have moved besides."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from rig.field.comparison_cautions import cautions_between, mass_cautions
from rig.field.comparison_words import change_sentence, side_by_side_sentence
from rig.field.differences import Difference, tone_difference
from rig.field.estimators import tap_tone
from rig.field.maps import evenness_cents
from rig.field.side_by_side import independent_difference, level_between
from rig.field.smoothing import Chance, chance_of_peaks, connected, robust_sd
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.progress import Progress, silent
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import (
    Agreement,
    ChangeZone,
    CompareKind,
    Comparison,
    PartialShift,
    ReadingKind,
    TapTone,
)
from rig.model.units import FloatArray

if TYPE_CHECKING:
    from rig.field.inversion import Inversion

FLOOR_CENTS = 25.0  # about 1.5 % of thickness
FEWEST_PLACES = 3  # a change smoothed over a scraper's pass cannot be one place alone
CONFIDENCE = 0.99  # at 0.95 one untouched plate in twenty would be told that it changed
_ALIKE_PLACES = 80
_SEED = 20212
_TWO_SIDED_95 = 1.96


def compare_scans(
    before: ScanRecord,
    after: ScanRecord,
    *,
    kind: CompareKind | None = None,
    reading: ReadingKind | None = None,
    tones: tuple[TapTone, TapTone] | None = None,
    ring_before: tuple[RingPartial, ...] = (),
    ring_after: tuple[RingPartial, ...] = (),
    fitted: Inversion | None = None,
    change: Difference | None = None,
    smallest_change_cents: Mapping[ReadingKind, float] | None = None,
    progress: Progress = silent,
) -> Comparison:
    """Say what changed from one scan of a plate to another, or how two scans differ otherwise.

    kind None: faces or strengths where those differ, else a change by work; rigs and plates have
    to be named. Rigs and plates are compared by maps that were read independently (`tones`, read
    here if left out), plates scaled to each other, all others by what changed. reading None: local
    tone where both scans carry it, else attack. Places are significant when the difference reaches
    99 % confidence against the greatest one that chance would show anywhere. fitted: the plate
    that was fitted to the first scan, change: what `change_between` found, where there is one
    already. smallest_change_cents: by reading, what
    this rig can tell apart at a place; less than that is not called a change. Raises AnalysisError
    when the scans have nothing in common.
    """
    kind = kind or kind_of(before, after)
    cautions = cautions_between(before, after, kind)
    level_cents = None
    if kind in ("rigs", "plates"):
        one, two = tones or (tap_tone(before, reading), tap_tone(after, reading))
        difference = independent_difference((before, one), (after, two), scaled=kind == "plates")
        level_cents = level_between(one, two)
    else:
        difference = change or change_between(before, after, reading, fitted, progress)
    cautions += difference.notes
    sd = np.sqrt(np.diag(difference.covariance))
    if level_cents is None:
        depth = before.outline.edge_distance_mm(difference.places)
        alike = _ALIKE_PLACES if difference.edge_errs else len(sd)
        sd = sd * _roughness(difference.change_cents / sd, depth, alike)
    z = difference.change_cents / sd
    chance = chance_of_peaks(
        difference.covariance, two_sided=True, rng=np.random.default_rng(_SEED)
    )
    smallest = (smallest_change_cents or {}).get(difference.reading)
    zones, significant = _zones(difference, sd, z, chance, max(FLOOR_CENTS, smallest or 0.0))
    agreement = None
    if kind == "change":
        too_small: tuple[ChangeZone, ...] = ()
        if smallest is not None and smallest > FLOOR_CENTS and not zones:
            too_small, _ = _zones(difference, sd, z, chance, FLOOR_CENTS)
        sentence = change_sentence(zones, before, after, difference, smallest, too_small)
        cautions += mass_cautions(before, after, difference)
    else:
        agreement = agreement_of(difference, sd, independent=level_cents is not None)
        sentence = side_by_side_sentence(
            kind, zones, before, after, difference, agreement, level_cents
        )
    return Comparison(
        before=before.scan,
        after=after.scan,
        reading=difference.reading,
        estimator=difference.estimator,
        places=PlateXY(difference.places),
        change_cents=difference.change_cents,
        sd_cents=sd,
        significant=tuple(bool(s) for s in significant),
        zones=zones,
        ring=() if kind == "plates" else matched_partials(ring_before, ring_after),
        evenness_before_cents=evenness_cents(difference.before_cents),
        evenness_after_cents=evenness_cents(difference.after_cents),
        cautions=tuple(cautions),
        sentence=sentence,
        simulated=before.simulated or after.simulated,
        smallest_change_cents=smallest,
        kind=kind,
        evenness_change_sd_cents=_evenness_doubt(difference, sd, chance),
        level_cents=level_cents,
        agreement=agreement,
    )


def kind_of(before: ScanRecord, after: ScanRecord) -> CompareKind:
    """What differs between two scans of one plate on one rig."""
    if before.face != after.face:
        return "faces"
    return "change" if before.strength == after.strength else "strengths"


def agreement_of(difference: Difference, sd: FloatArray, *, independent: bool) -> Agreement:
    """Limits of agreement of two maps, and what their doubts (m,) alone would give."""
    from scipy.stats import spearmanr

    rank = None
    if independent:
        rank = float(spearmanr(difference.before_cents, difference.after_cents).statistic)
    apart = difference.change_cents - np.mean(difference.change_cents)
    return Agreement(
        limits_cents=_TWO_SIDED_95 * float(np.std(apart, ddof=1)),
        expected_cents=_TWO_SIDED_95 * float(np.sqrt(np.mean(sd**2))),
        rank=rank,
    )


def _evenness_doubt(difference: Difference, sd: FloatArray, chance: Chance) -> float:
    """Standard deviation of the change of evenness: how much it moves with errors of this kind."""
    shaken = difference.after_cents + sd * chance.fields
    low, high = np.quantile(shaken, [0.05, 0.95], axis=1)
    return float(np.std(high - low))


def _roughness(z: FloatArray, edge_mm: FloatArray, alike: int) -> FloatArray:
    """By how much changes are rougher than their doubts say, at places as far from the edge; (n,).

    Near a free edge the wave fit errs in ways that depend on where the microphone stands and that
    no jackknife sees. Most places did not change, so the spread of z over the `alike` places at a
    like distance from the edge measures it; its median is not moved by a carved region.
    """
    order = np.argsort(edge_mm, kind="stable")
    count = min(alike, len(z))
    rough = np.empty(len(z))
    for rank, place in enumerate(order):
        first = min(max(0, rank - count // 2), len(z) - count)
        rough[place] = robust_sd(z[order[first : first + count]])
    return np.maximum(rough, 1.0)


def change_between(
    before: ScanRecord,
    after: ScanRecord,
    reading: ReadingKind | None = None,
    fitted: Inversion | None = None,
    progress: Progress = silent,
) -> Difference:
    """What changed between two scans of one plate, before it is judged; the long part of the work.

    reading None: local tone where both scans carry it, else attack, which the notes then say.
    """
    notes: tuple[str, ...] = ()
    if reading in (None, "local"):
        from rig.field.local_change import local_difference  # loads the plate model

        try:
            return local_difference(before, after, progress, fitted)
        except AnalysisError as error:
            if reading == "local":
                raise
            notes = (f"Attack is compared instead of local tone. {error.what}",)
    kind = reading or "attack"
    found = tone_difference(tap_tone(before, kind), tap_tone(after, kind), before, after)
    return replace(found, notes=(*notes, *found.notes))


def _zones(
    difference: Difference, sd: FloatArray, z: FloatArray, chance: Chance, floor_cents: float
) -> tuple[tuple[ChangeZone, ...], np.ndarray]:
    needed = float(np.quantile(chance.draws, CONFIDENCE))
    change, gone = difference.change_cents, _wood(difference)
    significant = np.zeros(len(z), dtype=bool)
    zones = []
    for sign in (-1.0, 1.0):
        certain = (sign * z >= needed) & (sign * change >= floor_cents)
        for region in connected(difference.places, certain, 1.6 * difference.spacing_mm):
            if len(region) < FEWEST_PLACES:
                continue
            significant[region] = True
            top = region[int(np.argmax(np.abs(z[region])))]
            half = sign * gone >= 0.5 * sign * gone[top]
            body = next(
                r
                for r in connected(difference.places, half, 1.2 * difference.spacing_mm)
                if top in r
            )
            x, y = np.average(difference.places[body], axis=0, weights=np.abs(gone[body]))
            zones.append(
                ChangeZone(
                    x_mm=float(x),
                    y_mm=float(y),
                    area_mm2=float(len(body) * difference.spacing_mm**2),
                    change_cents=float(change[top]),
                    sd_cents=float(sd[top]),
                    confidence=chance.confidence(float(abs(z[top]))),
                )
            )
    zones.sort(key=lambda zone: -abs(zone.change_cents) / zone.sd_cents)
    return tuple(zones), significant


def _wood(difference: Difference) -> FloatArray:
    """Change (m,) as wood put on, up to a scale: where it lies, not how much tone it changed.

    Local tone goes with thickness, so that the same shaving changes thin wood's tone more; the
    middle of a cut on a graduated plate would come out too far towards the thin side.
    """
    if difference.reading != "local":
        return difference.change_cents
    thickness = 2.0 ** ((difference.before_cents - np.median(difference.before_cents)) / 1200.0)
    return np.asarray(thickness * (2.0 ** (difference.change_cents / 1200.0) - 1.0))


def matched_partials(
    before: tuple[RingPartial, ...], after: tuple[RingPartial, ...]
) -> tuple[PartialShift, ...]:
    """Pair partials that are each other's nearest and within 60 cents."""
    if not before or not after:
        return ()
    one = np.log2([p.hz for p in before])
    two = np.log2([p.hz for p in after])
    gap = 1200.0 * (two[None, :] - one[:, None])
    shifts = []
    for i, row in enumerate(gap):
        j = int(np.argmin(np.abs(row)))
        if abs(row[j]) <= 60.0 and int(np.argmin(np.abs(gap[:, j]))) == i:
            a, b = before[i], after[j]
            sd = 1200.0 / np.log(2.0) * np.hypot(a.sd_hz / a.hz, b.sd_hz / b.hz)
            shifts.append(PartialShift(a.hz, b.hz, float(row[j]), float(sd)))
    return tuple(sorted(shifts, key=lambda s: s.before_hz))
