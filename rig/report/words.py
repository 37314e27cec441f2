"""How readings, targets and faces are named in figures and pages."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from rig.field.targets import usual_target
from rig.model.frames import Face
from rig.model.tone_map import Comparison, HighZone, ToneMap

READING_WORDS = {
    "local": "local tone (all taps together)",
    "attack": "attack (what the ear takes first)",
    "contact": "contact (hammer pickup)",
    "rebound": "rebound (speed gate)",
}


DEPTH_READINGS = ("local", "rebound")  # whose cents go with thickness


def face_words(face: Face) -> str:
    """`outer face` or `inner face`."""
    return f"{face} face"


def cents(value: float | None, *, signed: bool = False, digits: int = 0) -> str:
    """A number of cents, or `unknown`."""
    if value is None or not math.isfinite(value):
        return "unknown"
    sign = "+" if signed else ""
    return f"{value:{sign}.{digits}f} cents".replace("-", "−")


def map_lines(tone_map: ToneMap, strength: str | None = None) -> tuple[str, ...]:
    """The lines under a map's title: scan, strength, reading, estimator, target, evenness."""
    blow = f", {strength} strike" if strength else ""
    return (
        f"Scan {tone_map.scan}, {face_words(tone_map.face)}{blow} · reading: "
        f"{READING_WORDS[tone_map.reading]} · estimator: {tone_map.estimator}",
        f"Target: {tone_map.target_name}{_usual(tone_map)} · middle value "
        f"{tone_map.middle_hz:.0f} Hz · seen from the outer face, neck end up",
        f"Evenness {cents(tone_map.evenness_cents)} "
        f"({tone_map.evenness_low_cents:.0f} to {tone_map.evenness_high_cents:.0f}), "
        f"repeatability {cents(tone_map.repeatability_cents)}",
    )


def _usual(tone_map: ToneMap) -> str:
    """Said where the target is the one that the reading has when nobody chooses."""
    usual = usual_target(tone_map.reading) == tone_map.target
    return f" (usual for {tone_map.reading})" if usual else ""


def change_lines(comparison: Comparison) -> tuple[str, ...]:
    """The lines under the title of a comparison."""
    work = comparison.kind == "change"
    below = "below 0 the tone fell" if work else "below 0 the second reads lower"
    was, now = cents(comparison.evenness_before_cents), cents(comparison.evenness_after_cents)
    evenness = f"{was} before, {now} after" if work else f"{was} and {now}"
    return (
        f"Reading: {READING_WORDS[comparison.reading]} · estimator: {comparison.estimator} · "
        f"{below}",
        f"Evenness {evenness} · seen from the outer face, neck end up",
        true_minus(comparison.sentence),
    )


def map_alt(tone_map: ToneMap, zones: Sequence[HighZone], what: str) -> str:
    """What a map shows, for those who cannot see it."""
    told = f"{what}, {face_words(tone_map.face)}, scan {tone_map.scan}. "
    if not zones:
        return f"{told}No high zone."
    places = "; ".join(
        f"{zone.rank} at x {zone.x_mm:.0f}, y {zone.y_mm:.0f} mm, {zone.excess_cents:+.0f} cents"
        for zone in zones[:6]
    )
    return true_minus(f"{told}{count(len(zones), 'high zone')}: {places}.")


def count(amount: int, one: str, many: str | None = None) -> str:
    """`1 tap`, `2 taps`."""
    return f"{amount} {one if amount == 1 else many or one + 's'}"


def true_minus(text: str) -> str:
    """Put a minus sign for the hyphen before a number; ranges such as 5-95 stay."""
    return re.sub(r"(?<![\w.-])-(?=\d)", "−", text)
