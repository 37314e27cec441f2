"""What differs between two scans besides what was to be compared."""

from __future__ import annotations

import numpy as np

from rig.field.differences import Difference
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import CompareKind

MASS_SHARE = 0.01  # of the mass: what the air's damp alone may change, and scales may err


def cautions_between(
    before: ScanRecord, after: ScanRecord, kind: CompareKind = "change"
) -> list[str]:
    """What differs between the scans besides what is compared."""
    said = []
    if before.strength != after.strength and kind != "strengths":
        said.append(f"Struck {before.strength} before and {after.strength} after.")
    if before.face != after.face and kind != "faces":
        said.append(f"The {before.face} face was struck before, the {after.face} face after.")
    for key, unit, much in (("temperature_c", "°C", 3.0), ("humidity_percent", "% humidity", 5.0)):
        a, b = before.conditions.get(key), after.conditions.get(key)
        if a is not None and b is not None and abs(a - b) > much:
            said.append(
                f"{a:.0f} {unit} before, {b:.0f} {unit} after: wood moves with the air, and the "
                "whole plate may have shifted."
            )
    one, two = before.microphone_xyz_mm, after.microphone_xyz_mm
    if kind in ("change", "strengths") and one is not None and two is not None:
        moved = np.linalg.norm(np.subtract(two, one))
        if moved > 60.0:
            said.append(f"The microphone stood {moved:.0f} mm elsewhere over the plate.")
    if kind not in ("rigs", "plates"):
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
