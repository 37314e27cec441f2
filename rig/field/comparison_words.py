"""A comparison in one sentence."""

from __future__ import annotations

from rig.field.differences import Difference
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import Agreement, ChangeZone, CompareKind

LEVEL_FLOOR_CENTS = 12.0


def change_sentence(
    zones: tuple[ChangeZone, ...],
    before: ScanRecord,
    after: ScanRecord,
    difference: Difference,
    smallest: float | None,
    too_small: tuple[ChangeZone, ...],
) -> str:
    """What work changed on a plate. smallest: what the rig can tell apart; too_small: less."""
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


def side_by_side_sentence(
    kind: CompareKind,
    zones: tuple[ChangeZone, ...],
    before: ScanRecord,
    after: ScanRecord,
    difference: Difference,
    agreement: Agreement,
    level_cents: float | None,
) -> str:
    """Where two faces, strengths, rigs or plates read otherwise, and how well they agree."""
    one, two = sides(kind, before, after)
    what = "local tone" if difference.reading == "local" else difference.reading
    agreed = (
        f" At 95 % of the places they agree within ±{agreement.limits_cents:.0f} cents; their "
        f"doubts alone would give ±{agreement.expected_cents:.0f}."
    )
    if level_cents is not None and abs(level_cents) >= 0.5:
        way = "above" if level_cents > 0 else "below"
        agreed += (
            f" The middle of {two} lies {abs(level_cents):.0f} cents {way} that of {one}, which "
            "is left out here."
        )
    if not zones:
        return f"Of {what}, {one} and {two} differ nowhere by more than chance would show.{agreed}"
    first = zones[0]
    way = "higher" if first.change_cents > 0 else "lower"
    others = len(zones) - 1
    more = f" {others} more such place{'s are' if others > 1 else ' is'} listed." if others else ""
    return (
        f"{two[0].upper()}{two[1:]} reads {abs(first.change_cents):.0f} ± {first.sd_cents:.0f} "
        f"cents {way} in {what} than {one} around x {first.x_mm:.0f}, y {first.y_mm:.0f} mm."
        f"{more}{agreed}"
    )


def sides(kind: CompareKind, before: ScanRecord, after: ScanRecord) -> tuple[str, str]:
    """What the two scans are called in a sentence."""
    if kind == "faces":
        return f"the {before.face} face ({before.scan})", f"the {after.face} face ({after.scan})"
    if kind == "strengths":
        return (
            f"the {before.strength} strike ({before.scan})",
            f"the {after.strength} strike ({after.scan})",
        )
    names = "plate" if kind == "plates" else "rig"
    return f"the first {names} ({before.scan})", f"the second {names} ({after.scan})"


def _whole_plate(difference: Difference) -> str:
    """A change of the whole plate's level: the air, or work all over. Empty where none is sure."""
    if difference.level_cents is None:
        return ""
    level, sd = difference.level_cents
    if abs(level) < max(LEVEL_FLOOR_CENTS, 3.0 * sd):
        return ""
    way = "fell" if level < 0 else "rose"
    return f" The plate as a whole {way} by {abs(level):.0f} ± {sd:.0f} cents."
