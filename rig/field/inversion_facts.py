"""What was told about a plate's arch and bars, as far as it can be true of this outline."""

from __future__ import annotations

from rig.model.arch_heights import ArchHeights, checked_heights
from rig.model.errors import PlateFactsError
from rig.model.glued_bars import checked_bars
from rig.model.plate_facts import Bar
from rig.model.scan_record import ScanRecord
from rig.plate.measured_arch import MeasuredArch

_RIM_OFF_MM = 1.0
_DISAGREE = 0.2  # of the crown


def usable_bars(scan: ScanRecord) -> tuple[tuple[Bar, ...], list[str]]:
    """The bars told, and why they are left out where they cannot be."""
    try:
        return checked_bars(scan.facts.bars or (), scan.outline), []
    except PlateFactsError as fault:
        return (), [f"The bars were left out of the model: {fault.what}"]


def usable_heights(scan: ScanRecord) -> tuple[ArchHeights | None, list[str]]:
    """The measured heights, and why they are left out where they cannot be."""
    if scan.facts.arch_heights_mm is None:
        return None, []
    try:
        return checked_heights(scan.facts.arch_heights_mm, scan.outline), []
    except PlateFactsError as fault:
        return None, [f"The measured heights were not used: {fault.what}"]


def said_of_heights(arch: MeasuredArch, count: int, told_mm: float | None) -> list[str]:
    """What was made of the measured heights."""
    used = count - len(arch.wild)
    reasons = [f"The arch goes through {used} measured heights, its crown {arch.crown_mm:.1f} mm."]
    if abs(arch.rim_mm) > _RIM_OFF_MM:
        reasons.append(
            f"The heights put the rim at {arch.rim_mm:+.1f} mm; the whole surface was moved by "
            "that, which changes nothing for the plate."
        )
    if arch.wild:
        x, y, z = arch.wild[0]
        more = f" and {len(arch.wild) - 1} more" if len(arch.wild) > 1 else ""
        reasons.append(
            f"The height {z:g} mm at ({x:g}, {y:g}) mm{more} does not go with its neighbours and "
            "was left out."
        )
    if told_mm is not None and abs(told_mm - arch.crown_mm) > _DISAGREE * arch.crown_mm:
        reasons.append(f"A crown of {told_mm:g} mm was told besides; the heights were believed.")
    return reasons
