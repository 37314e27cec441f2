"""Before wood comes off: how deep a zone asks for, and where the wood forbids it.

A zone's depth is what would bring its tone down to the target: local tone goes as the thickness,
so an excess of e cents asks for h·(1 − 2^(−e/1200)). It is told only where a thickness reading
lies near. A zone is not to be worked on where a reading in it, less two of its doubts, reaches the
floor; and never deeper than to the floor. Whether the wood is thick or stiff is said beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.field.thickness import ThicknessField, share_of
from rig.model.errors import UsageError
from rig.model.tone_map import HighZone, ToneMap, WorkOrder
from rig.model.units import FloatArray

DOUBTS = 2.0  # standard deviations taken off a reading before it is held against the floor
LEAST_DEPTH_MM = 0.02  # less than this no scraper takes off on purpose (common practice, no source)
_BESIDE_MM = 5.0  # a reading this near to a zone's taps lies in it
THICKNESS_READINGS = ("local", "rebound")  # those whose cents go with thickness
_CENTS = 1200.0 / np.log(2.0)


@dataclass(frozen=True)
class ZoneDepth:
    """One zone and what the wood says to it.

    thickness, depth (to reach the target) and spare (wood over the floor, doubt taken off) in mm;
    None with the reason in `sentence`. explained: share of the excess that thickness explains.
    """

    zone: HighZone
    allowed: bool
    sentence: str
    thickness_mm: float | None = None
    thickness_sd_mm: float | None = None
    depth_mm: float | None = None
    depth_sd_mm: float | None = None
    spare_mm: float | None = None
    explained: float | None = None
    explained_sd: float | None = None


@dataclass(frozen=True)
class StoppedOrder:
    """A work order with the zones that the wood allows; depths: of every zone found, in order."""

    order: WorkOrder
    depths: tuple[ZoneDepth, ...]
    floor_mm: float | None
    notes: tuple[str, ...] = ()


def check_floor(floor_mm: float | None) -> None:
    """Raise UsageError for a floor that no plate has."""
    if floor_mm is not None and not 0.5 <= floor_mm <= 12.0:
        raise UsageError(
            f"A floor of {floor_mm:g} mm is no thickness to stop at.",
            remedy="Give the least thickness that you leave anywhere, in millimetres: 2.2, say.",
        )


def stopped(
    order: WorkOrder,
    tone_map: ToneMap,
    field: ThicknessField | None,
    floor_mm: float | None = None,
) -> StoppedOrder:
    """Apply the stop rules to a work order; zones that are left keep their order.

    field: the plate's thickness readings, None without any.
    """
    check_floor(floor_mm)
    depths = tuple(_depth(zone, tone_map, field, floor_mm) for zone in order.zones)
    left = [depth.zone for depth in depths if depth.allowed]
    zones = tuple(replace(zone, rank=rank) for rank, zone in enumerate(left, start=1))
    sentence = order.sentence
    if len(zones) < len(order.zones):
        sentence = _sentence(depths, zones)
    notes = () if field is not None else _without_readings(order, floor_mm)
    return StoppedOrder(replace(order, zones=zones, sentence=sentence), depths, floor_mm, notes)


def depth_for(
    excess_cents: float, excess_sd_cents: float, mm: float, sd_mm: float
) -> tuple[float, float]:
    """Depth in mm that lowers the tone by `excess_cents` where the wood is `mm` thick, with sd."""
    keeps = float(np.exp(-excess_cents / _CENTS))
    from_tone = mm * keeps * excess_sd_cents / _CENTS
    return mm * (1.0 - keeps), float(np.hypot(from_tone, (1.0 - keeps) * sd_mm))


def _depth(
    zone: HighZone, tone_map: ToneMap, field: ThicknessField | None, floor_mm: float | None
) -> ZoneDepth:
    if field is None:
        return ZoneDepth(zone, True, _unmeasured(floor_mm))
    centre = np.array([[zone.x_mm, zone.y_mm]])
    here, inside = field.at(centre), _readings_in(zone, tone_map, field)
    forbidding, spare = _over_floor(field, inside, floor_mm)
    if forbidding is not None:
        return ZoneDepth(zone, False, forbidding, spare_mm=spare)
    if not here.known[0] and not inside.any():
        return ZoneDepth(zone, True, _unmeasured(floor_mm))
    mm, sd_mm = float(here.mm[0]), float(here.sd_mm[0])
    if floor_mm is not None and mm - DOUBTS * sd_mm <= floor_mm and not inside.any():
        return ZoneDepth(
            zone, False,
            f"No wood is to come off here: the readings near say {mm:.2f} ± {sd_mm:.2f} mm, which "
            f"may be the floor of {floor_mm:.2f} mm already. Measure here.",
            mm, sd_mm, spare_mm=0.0,
        )  # fmt: skip
    if tone_map.reading not in THICKNESS_READINGS:
        return ZoneDepth(
            zone, True,
            f"{mm:.2f} ± {sd_mm:.2f} mm thick; how deep to go, {tone_map.reading} does not tell.",
            mm, sd_mm, spare_mm=spare,
        )  # fmt: skip
    depth, depth_sd = depth_for(zone.excess_cents, zone.excess_sd_cents, mm, sd_mm)
    share, share_sd = share_of(
        np.array([zone.excess_cents]), np.array([zone.excess_sd_cents]),
        here.excess_cents, here.excess_sd_cents,
    )  # fmt: skip
    if tone_map.target not in ("flat", "smooth graduation"):
        share[:] = np.nan  # the readings stand over their own graduation, not over this target
    words = [f"{mm:.2f} ± {sd_mm:.2f} mm thick; {depth:.2f} ± {depth_sd:.2f} mm less would reach "
             "the target."]  # fmt: skip
    if spare is not None and floor_mm is not None and spare < depth:
        words.append(f"The floor of {floor_mm:.2f} mm leaves {spare:.2f} mm of it.")
    words.append(_thick_or_stiff(share, share_sd))
    return ZoneDepth(
        zone, True, " ".join(word for word in words if word), mm, sd_mm, depth, depth_sd, spare,
        *((float(share[0]), float(share_sd[0])) if np.isfinite(share[0]) else (None, None)),
    )  # fmt: skip


def _readings_in(zone: HighZone, tone_map: ToneMap, field: ThicknessField) -> np.ndarray:
    """Which readings lie in a zone: beside one of its taps, or within a disc of its area."""
    told = np.asarray(field.readings.places_mm)
    radius = max(float(np.sqrt(zone.area_mm2 / np.pi)), _BESIDE_MM)
    inside = np.hypot(*(told - np.array([zone.x_mm, zone.y_mm])).T) <= radius
    row = {tap: k for k, tap in enumerate(tone_map.taps)}
    taps: FloatArray = np.asarray(tone_map.places)[[row[t] for t in zone.taps if t in row]]
    if len(taps):
        gap = np.hypot(*(told[:, None, :] - taps[None, :, :]).T).T
        inside |= gap.min(axis=1) <= _BESIDE_MM
    return np.asarray(inside)


def _over_floor(
    field: ThicknessField, inside: np.ndarray, floor_mm: float | None
) -> tuple[str | None, float | None]:
    """The sentence that forbids a zone, if its thinnest reading does, and the wood to spare."""
    if floor_mm is None or not inside.any():
        return None, None
    told = field.readings
    sure = np.where(inside, told.thickness_mm - DOUBTS * told.sd_mm, np.inf)
    thinnest = int(np.argmin(sure))
    spare = float(sure[thinnest] - floor_mm)
    if spare >= LEAST_DEPTH_MM:
        return None, spare
    x, y = told.places_mm[thinnest]
    return (
        f"No wood is to come off here: at x {x:.0f}, y {y:.0f} mm it is "
        f"{told.thickness_mm[thinnest]:.2f} ± {told.sd_mm[thinnest]:.2f} mm thick, which may be "
        f"the floor of {floor_mm:.2f} mm already."
    ), max(spare, 0.0)


def _thick_or_stiff(share: FloatArray, sd: FloatArray) -> str:
    if not np.isfinite(share[0]):
        return ""
    if sd[0] > 0.5:
        return "Whether it is thick or stiff, the readings do not tell."
    told = f"{100 * share[0]:.0f} ± {100 * sd[0]:.0f} % of it is thickness"
    if share[0] + DOUBTS * sd[0] < 0.5:
        return f"Stiff rather than thick: {told}, the rest is the wood."
    if share[0] - DOUBTS * sd[0] > 0.5:
        return f"Thick: {told}."
    return f"{told[0].upper()}{told[1:]}; the rest is the wood's stiffness."


def _unmeasured(floor_mm: float | None) -> str:
    said = "No thickness reading lies near, so no depth can be told"
    if floor_mm is None:
        return f"{said}."
    return f"{said} and the floor of {floor_mm:.2f} mm cannot be held: measure here first."


def _without_readings(order: WorkOrder, floor_mm: float | None) -> tuple[str, ...]:
    if floor_mm is None or not order.zones:
        return ()
    return (
        "The plate folder keeps no thickness readings, so the floor stops nothing; give them with "
        "platerig thickness.",
    )


def _sentence(depths: tuple[ZoneDepth, ...], zones: tuple[HighZone, ...]) -> str:
    gone = [depth for depth in depths if not depth.allowed]
    places = ", ".join(f"x {d.zone.x_mm:.0f}, y {d.zone.y_mm:.0f} mm" for d in gone)
    are = "is" if len(gone) == 1 else "are"
    if not zones:
        still = "stands" if len(gone) == 1 else "stand"
        return (
            f"Nothing is to be taken off: the plate is even within what this rig can tell and the "
            f"wood allows. What {still} above the target ({places}) {are} at the floor already."
        )
    first = zones[0]
    number = "One place stands" if len(zones) == 1 else f"{len(zones)} places stand"
    return (
        f"{number} above the target with wood to spare; begin at x {first.x_mm:.0f}, "
        f"y {first.y_mm:.0f} mm, {first.excess_cents:+.0f} ± {first.excess_sd_cents:.0f} cents. "
        f"Left out, being at the floor already: {places}."
    )
