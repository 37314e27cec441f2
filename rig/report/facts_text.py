"""What a report says of the plate, of the conditions and of how a scan was made, in pairs."""

from __future__ import annotations

import numpy as np

from rig.model.thickness import ThicknessReadings
from rig.model.tone_map import ToneMap
from rig.report.content import FaceSection, ReportContent, ScanFacts
from rig.report.plate_drawing import plain_number
from rig.report.words import READING_WORDS, count, face_words

_UNITS = {
    "mass_g": ("mass", "g"),
    "mean_thickness_mm": ("mean thickness", "mm"),
    "arching_mm": ("arching above the rim", "mm"),
    "temperature_c": ("temperature", "°C"),
    "humidity_percent": ("relative humidity", "%"),
}


def measured(name: str, value: float) -> str:
    """A fact with its unit, no finer than it is measured: `107 g`, `20.5 °C`."""
    digits = {"mass_g": 1, "mean_thickness_mm": 2}.get(name, 1)
    return f"{round(value, digits):g} {_UNITS[name][1]}"


def moment(utc: str | None) -> str:
    """A stored moment as people read it: `2026-05-04 09:30 UTC`."""
    if not utc:
        return "not known"
    return f"{utc[:10]} {utc[11:16]} UTC" if len(utc) >= 16 else utc


def in_groups(digits: str, size: int = 8) -> str:
    """Long digits in groups that can be read out."""
    return " ".join(digits[start : start + size] for start in range(0, len(digits), size))


def condition_rows(faces: list[FaceSection]) -> list[tuple[str, ...]]:
    """Rows of a table of conditions: what it is, then one cell for each scan."""
    facts = [face.facts for face in faces]
    rows = [
        ("recorded", *(moment(one.recorded_utc) for one in facts)),
        ("face and strike", *(f"{f.tone_map.face}, {f.facts.strength}" for f in faces)),
    ]
    for name in ("temperature_c", "humidity_percent", "mass_g"):
        words, _ = _UNITS[name]
        cells = [
            measured(name, one.conditions[name]) if name in one.conditions else "not known"
            for one in facts
        ]
        rows.append((words, *cells))
    rows.append(("taps", *(str(one.taps) for one in facts)))
    return rows


def thickness_sentence(readings: ThicknessReadings) -> str:
    """How many readings, from when, and between what they lie."""
    mm = np.asarray(readings.thickness_mm)
    return (
        f"{count(len(mm), 'reading')} of {readings.measured_on}: {mm.min():.2f} to {mm.max():.2f} "
        f"mm, half of them below {np.median(mm):.2f} mm; doubt of one reading about "
        f"{float(np.median(readings.sd_mm)):.2f} mm."
    )


def plate_pairs(content: ReportContent) -> list[tuple[str, str]]:
    """What is known of the plate."""
    plate = content.plate
    width, length = content.outline.size_mm
    pairs = [("name", plate.name)]
    told = {"instrument": "instrument", "wood": "wood", "reference": "owner's reference"}
    for name, shown in told.items():
        if getattr(plate, name):
            pairs.append((shown, str(getattr(plate, name))))
    pairs.append(("size of the outline", f"{length:.0f} mm × {width:.0f} mm"))
    for name, (words, _) in _UNITS.items():
        value = getattr(plate, name)
        if value is not None:
            pairs.append((words, measured(name, value)))
    if plate.arch_heights_mm is not None:
        pairs.append(("arch", f"measured at {count(len(plate.arch_heights_mm), 'place')}"))
    for bar in plate.bars or ():
        high = f"{max(bar.heights_mm):g} mm high, {bar.width_mm:g} mm wide"
        pairs.append(("bar glued inside", f"{bar.length_mm:.0f} mm long, {high}"))
    if plate.notes:
        pairs.append(("notes", plate.notes))
    return pairs


def scan_pairs(facts: ScanFacts, made: ToneMap) -> list[tuple[str, str]]:
    """How one scan was made."""
    pairs = [
        ("recorded", moment(facts.recorded_utc)),
        ("face and strike", f"{face_words(made.face)}, {facts.strength}"),
        (
            "taps and strikes",
            f"{count(facts.taps, 'tap')}, {facts.spacing_mm:g} mm apart; "
            f"{count(facts.strikes, 'strike')} used, {facts.superseded} struck again, "
            f"{facts.bad} left out as bad",
        ),
        ("reading", f"{READING_WORDS[made.reading]}, by the {made.estimator}"),
        (
            "target",
            " ".join((f"{made.target_name}.", *made.target_notes))
            if made.target_notes
            else made.target_name,
        ),
    ]
    if facts.microphone_xyz_mm is not None:
        x, y, z = facts.microphone_xyz_mm
        place = f"x {plain_number(x)}, y {plain_number(y)} mm, {z:.0f} mm above the face"
        pairs.append(("microphone", place))
    if facts.pose_sd_mm is not None:
        pairs.append(("place of the plate", f"known to about {facts.pose_sd_mm:.2f} mm"))
    for name, (words, _) in _UNITS.items():
        if name in facts.conditions:
            pairs.append((words, measured(name, facts.conditions[name])))
    if facts.world:
        pairs.append(("world", f"{facts.world} (virtual rig)"))
    return pairs
