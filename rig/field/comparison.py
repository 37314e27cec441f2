"""Before and after: where the tone changed, how sure that is, and what may have moved besides."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from rig.field.differences import Difference, tone_difference
from rig.field.estimators import tap_tone
from rig.field.maps import evenness_cents
from rig.field.smoothing import Chance, chance_of_peaks, connected, robust_sd
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.progress import Progress, silent
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ChangeZone, Comparison, PartialShift, ReadingKind
from rig.model.units import FloatArray

if TYPE_CHECKING:
    from rig.field.inversion import Inversion

FLOOR_CENTS = 25.0  # about 1.5 % of thickness
LEVEL_FLOOR_CENTS = 12.0
FEWEST_PLACES = 3  # a change smoothed over a scraper's pass cannot be one place alone
CONFIDENCE = 0.99  # at 0.95 one untouched plate in twenty would be told that it changed
MASS_SHARE = 0.01  # of the mass: what the air's damp alone may change, and scales may err
_ALIKE_PLACES = 80
_SEED = 20212


def compare_scans(
    before: ScanRecord,
    after: ScanRecord,
    *,
    reading: ReadingKind | None = None,
    ring_before: tuple[RingPartial, ...] = (),
    ring_after: tuple[RingPartial, ...] = (),
    fitted: Inversion | None = None,
    smallest_change_cents: Mapping[ReadingKind, float] | None = None,
    progress: Progress = silent,
) -> Comparison:
    """Say what changed from one scan of a plate to another, at common places.

    reading None: local tone where both scans carry it, else attack. Places are significant when
    the change reaches 99 % confidence against the greatest change that chance would show
    anywhere. fitted: the plate that was fitted to the first scan, where there is one.
    smallest_change_cents: by reading, what this rig can tell apart at a place; less than that is
    not called a change. Raises AnalysisError when the scans have nothing in common.
    """
    cautions = cautions_between(before, after)
    difference = _difference(before, after, reading, fitted, cautions, progress)
    cautions += difference.notes
    sd = np.sqrt(np.diag(difference.covariance))
    depth = before.outline.edge_distance_mm(difference.places)
    alike = _ALIKE_PLACES if difference.edge_errs else len(sd)
    sd = sd * _roughness(difference.change_cents / sd, depth, alike)
    z = difference.change_cents / sd
    chance = chance_of_peaks(
        difference.covariance, two_sided=True, rng=np.random.default_rng(_SEED)
    )
    smallest = (smallest_change_cents or {}).get(difference.reading)
    zones, significant = _zones(difference, sd, z, chance, max(FLOOR_CENTS, smallest or 0.0))
    too_small: tuple[ChangeZone, ...] = ()
    if smallest is not None and smallest > FLOOR_CENTS and not zones:
        too_small, _ = _zones(difference, sd, z, chance, FLOOR_CENTS)
    cautions += mass_cautions(before, after, difference)
    ring = matched_partials(ring_before, ring_after)
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
        ring=ring,
        evenness_before_cents=evenness_cents(difference.before_cents),
        evenness_after_cents=evenness_cents(difference.after_cents),
        cautions=tuple(cautions),
        sentence=_sentence(zones, before, after, difference, smallest, too_small),
        simulated=before.simulated or after.simulated,
        smallest_change_cents=smallest,
    )


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


def _difference(
    before: ScanRecord,
    after: ScanRecord,
    reading: ReadingKind | None,
    fitted: Inversion | None,
    cautions: list[str],
    progress: Progress,
) -> Difference:
    if reading in (None, "local"):
        from rig.field.local_change import local_difference  # loads the plate model

        try:
            return local_difference(before, after, progress, fitted)
        except AnalysisError as error:
            if reading == "local":
                raise
            cautions.append(f"Attack is compared instead of local tone. {error.what}")
    kind = reading or "attack"
    return tone_difference(tap_tone(before, kind), tap_tone(after, kind), before, after)


def _zones(
    difference: Difference, sd: FloatArray, z: FloatArray, chance: Chance, floor_cents: float
) -> tuple[tuple[ChangeZone, ...], np.ndarray]:
    needed = float(np.quantile(chance.draws, CONFIDENCE))
    change = difference.change_cents
    significant = np.zeros(len(z), dtype=bool)
    zones = []
    for sign in (-1.0, 1.0):
        certain = (sign * z >= needed) & (sign * change >= floor_cents)
        for region in connected(difference.places, certain, 1.6 * difference.spacing_mm):
            if len(region) < FEWEST_PLACES:
                continue
            significant[region] = True
            top = region[int(np.argmax(np.abs(z[region])))]
            half = sign * change >= 0.5 * abs(change[top])
            body = next(
                r
                for r in connected(difference.places, half, 1.2 * difference.spacing_mm)
                if top in r
            )
            weight = np.abs(change[body])
            x, y = np.average(difference.places[body], axis=0, weights=weight)
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


def cautions_between(before: ScanRecord, after: ScanRecord) -> list[str]:
    """What differs between the scans besides the plate."""
    said = []
    if before.strength != after.strength:
        said.append(f"Struck {before.strength} before and {after.strength} after.")
    if before.face != after.face:
        said.append(f"The {before.face} face was struck before, the {after.face} face after.")
    for key, unit, much in (("temperature_c", "°C", 3.0), ("humidity_percent", "% humidity", 5.0)):
        a, b = before.conditions.get(key), after.conditions.get(key)
        if a is not None and b is not None and abs(a - b) > much:
            said.append(
                f"{a:.0f} {unit} before, {b:.0f} {unit} after: wood moves with the air, and the "
                "whole plate may have shifted."
            )
    if before.microphone_xyz_mm is not None and after.microphone_xyz_mm is not None:
        moved = np.linalg.norm(np.subtract(after.microphone_xyz_mm, before.microphone_xyz_mm))
        if moved > 60.0:
            said.append(f"The microphone stood {moved:.0f} mm elsewhere over the plate.")
    said += _calibrations(before, after)
    has = [
        any(s.clip.pickup_channel is not None for s in r.used_strikes()) for r in (before, after)
    ]
    if has[0] != has[1]:
        said.append("Only one of the scans has the hammer pickup.")
    if before.world is not None and after.world is not None and before.simulated != after.simulated:
        said.append("One of the scans is simulated.")
    return said


def _calibrations(before: ScanRecord, after: ScanRecord) -> list[str]:
    """Which of the rig's calibrations were made anew between the scans; daily checks do not count.

    Silent where a scan does not say what held.
    """
    kinds = {"lens": "camera lens", "gantry": "gantry", "tapper": "tapper", "sound": "sound"}
    noted = [scan.calibration.folder is not None for scan in (before, after)]
    if not all(noted):
        return []
    was, now = dict(before.calibration.records), dict(after.calibration.records)
    changed = [
        f"{words} ({was.get(kind, 'none')}, then {now.get(kind, 'none')})"
        for kind, words in kinds.items()
        if was.get(kind) != now.get(kind)
    ]
    if not changed:
        return []
    return [
        f"The rig's calibrations differ between the scans: {'; '.join(changed)}. Part of a change "
        "may be that."
    ]


def mass_cautions(before: ScanRecord, after: ScanRecord, difference: Difference) -> list[str]:
    """A caution where the plate's mass changed by more than the change of tone explains.

    Local tone goes with thickness (a wave of given length: f ∝ h for a thin plate), so wood taken
    off shows as 1 − 2^(cents/1200) of the mass at that place; other readings do not tell.
    """
    was, now = before.conditions.get("mass_g"), after.conditions.get("mass_g")
    if was is None or now is None or was <= 0.0 or now <= 0.0:
        return []
    most_g = MASS_SHARE * was
    gone_g = was - now
    explained_g = 0.0
    if difference.reading == "local":
        cents = difference.change_cents + (difference.level_cents or (0.0, 0.0))[0]
        explained_g = was * float(np.mean(1.0 - 2.0 ** (cents / 1200.0)))
    if abs(gone_g - explained_g) <= most_g:
        return []
    way = "less" if gone_g > 0 else "more"
    told = f"The plate weighs {abs(gone_g):.1f} g {way} than before"
    if difference.reading != "local":
        return [f"{told}; how much of this the change explains, {difference.reading} cannot tell."]
    off = f"{explained_g:.1f} g off" if explained_g > 0 else f"{-explained_g:.1f} g more"
    return [
        f"{told}, where the change of tone explains about {off} (± {most_g:.1f} g): wood came off "
        "where it was not seen, or the plate took up or gave off water."
    ]


def _sentence(
    zones: tuple[ChangeZone, ...],
    before: ScanRecord,
    after: ScanRecord,
    difference: Difference,
    smallest: float | None,
    too_small: tuple[ChangeZone, ...],
) -> str:
    span = f"between {before.scan} and {after.scan}"
    whole = _whole_plate(difference)
    what = "local tone" if difference.reading == "local" else difference.reading
    told = "" if smallest is None else f" and the {smallest:.0f} cents that this rig can tell apart"
    if too_small:
        most = max(too_small, key=lambda zone: abs(zone.change_cents))
        return (
            f"Nothing that this rig can tell apart changed {span}: the {what} differs by "
            f"{most.change_cents:+.0f} ± {most.sd_cents:.0f} cents around x {most.x_mm:.0f}, "
            f"y {most.y_mm:.0f} mm, which is less than {smallest:.0f} cents and is not called a "
            f"change.{whole}"
        )
    if not zones and not whole:
        return f"Nothing changed {span} by more than chance would show{told}."
    if not zones:
        return f"No single place changed {span} by more than chance would show{told}.{whole}"
    first = zones[0]
    way = "fell" if first.change_cents < 0 else "rose"
    more = "" if len(zones) == 1 else f" {len(zones) - 1} more such places are listed."
    if smallest is not None:
        more += f" This rig can tell {smallest:.0f} cents apart at a place."
    return (
        f"The {what} {way} by {abs(first.change_cents):.0f} ± {first.sd_cents:.0f} cents {span} "
        f"around x {first.x_mm:.0f}, y {first.y_mm:.0f} mm.{more}{whole}"
    )


def _whole_plate(difference: Difference) -> str:
    """A change of the whole plate's level: the air, or work all over. Empty where none is sure."""
    if difference.level_cents is None:
        return ""
    level, sd = difference.level_cents
    if abs(level) < max(LEVEL_FLOOR_CENTS, 3.0 * sd):
        return ""
    way = "fell" if level < 0 else "rose"
    return f" The plate as a whole {way} by {abs(level):.0f} ± {sd:.0f} cents."
