"""A repeatability study over several scans of one plate that nobody worked on in between."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.calibrate.gauge import Agreement, GaugeStudy, agreement, gauge_study
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.tone_map import ReadingKind, TapTone
from rig.model.units import FloatArray

FINE_PERCENT, TOO_MUCH_PERCENT = 10.0, 30.0  # AIAG's rules
WARM_C, DAMP_PERCENT = 2.0, 5.0  # differences that are said; our own choice


@dataclass(frozen=True)
class ScanTones:
    """What one scan says of its places, by whom or on which day it was made.

    conditions: temperature_c and humidity_percent where they are known.
    """

    scan: str
    label: str
    tones: TapTone
    conditions: Mapping[str, float]


@dataclass(frozen=True)
class Study:
    """A gauge study of one reading, in cents, every scan freed of its common shift.

    gauge: None of its numbers holds the shift of the whole plate, which is `shift_cents`: (scans,)
    median over the places against the first scan. agreements: Bland-Altman of every
    scan with the first. left_out: places not read in every scan. change_cents: the smallest change
    that means something, with its 95 % bounds; sentence: what dominates and what to do.
    """

    reading: ReadingKind
    scans: tuple[str, ...]
    labels: tuple[str, ...]
    gauge: GaugeStudy
    places: PlateXY
    shift_cents: FloatArray
    agreements: tuple[Agreement, ...]
    left_out: int
    change_cents: float
    change_bounds_cents: tuple[float, float]
    change_same_label_cents: float
    verdict: str
    sentence: str
    cautions: tuple[str, ...]


def study_of(scans: Sequence[ScanTones], within_mm: float = 3.0) -> Study:
    """Match the taps of all scans and analyse them.

    Scans of one label are trials; where the labels have unequal numbers of scans the later ones
    are left out, and this is said. Raises AnalysisError for fewer than two scans, different
    readings, or fewer than five places in common.
    """
    if len(scans) < 2:
        raise AnalysisError(
            "One scan tells no repeatability.",
            remedy="Scan the plate again, laid anew each time: five scans or more are best.",
        )
    kinds = {s.tones.reading for s in scans}
    if len(kinds) > 1:
        raise AnalysisError(
            f"The scans carry different readings: {', '.join(sorted(kinds))}.",
            remedy="Name one reading that all scans have.",
        )
    kept, cautions = _balanced(scans)
    index, left_out = _matched(kept, within_mm)
    cents = np.array(
        [
            1200.0 * np.log2(s.tones.tone_hz[i])
            for s, i in zip(kept, index, strict=True)
        ]
    )  # fmt: skip
    # by differences place for place: the middle of a bimodal plate itself would jump about
    middles = np.median(cents - cents.mean(axis=0), axis=1)
    cents = cents - middles[:, None]
    labels = list(dict.fromkeys(s.label for s in kept))
    trials = len(kept) // len(labels)
    cells = np.empty((cents.shape[1], len(labels), trials))
    for column, label in enumerate(labels):
        cells[:, column, :] = cents[[s.label == label for s in kept]].T
    found = gauge_study(cells)
    cautions += _conditions(kept)
    cautions += [
        f"{s.scan}: the reading itself is to be used with care."
        for s in kept
        if s.tones.verdict != "good"
    ]
    if found.freedom < 20.0:
        cautions.append("The study is small: its own numbers are rough.")
    if len(labels) == 1:
        cautions.append(
            "All scans carry one label: what another person or day does is not in the numbers."
        )
    percent = found.percent["gauge"]
    verdict = (
        "fine" if percent < FINE_PERCENT else "usable" if percent <= TOO_MUCH_PERCENT else "poor"
    )
    places = PlateXY(np.asarray(kept[0].tones.places, dtype=np.float64)[index[0]])
    return Study(
        kept[0].tones.reading,
        tuple(s.scan for s in kept),
        tuple(s.label for s in kept),
        found,
        places,
        middles - middles[0],
        tuple(agreement(other, cents[0]) for other in cents[1:]),
        left_out,
        found.smallest_change,
        found.smallest_change_bounds(),
        found.smallest_change_same_operator,
        verdict,
        _sentence(found, verdict),
        tuple(cautions),
    )


def _balanced(scans: Sequence[ScanTones]) -> tuple[list[ScanTones], list[str]]:
    """As many scans for each label; the balanced analysis needs that."""
    counts = {label: sum(s.label == label for s in scans) for label in (s.label for s in scans)}
    fewest = min(counts.values())
    kept: list[ScanTones] = []
    dropped: list[str] = []
    for scan in scans:
        taken = sum(s.label == scan.label for s in kept)
        (kept.append(scan) if taken < fewest else dropped.append(scan.scan))
    if len(kept) < 2:
        raise AnalysisError("Fewer than two scans are left to compare.")
    said = []
    if dropped:
        said.append(
            f"Left out so that every label has {fewest} scans: {', '.join(dropped)}."
        )  # fmt: skip
    return kept, said


def _matched(scans: Sequence[ScanTones], within_mm: float) -> tuple[list[list[int]], int]:
    """Per scan the rows of the places that every scan has; how many places were left out."""
    from scipy.spatial import cKDTree

    first = np.asarray(scans[0].tones.places, dtype=np.float64)
    usable = np.isfinite(scans[0].tones.tone_hz) & (scans[0].tones.tone_hz > 0)
    partner = np.full((len(scans), len(first)), -1)
    partner[0] = np.where(usable, np.arange(len(first)), -1)
    most = len(first)
    for row, scan in enumerate(scans[1:], start=1):
        places = np.asarray(scan.tones.places, dtype=np.float64)
        most = max(most, len(places))
        found = cKDTree(places).query(first, distance_upper_bound=within_mm)
        distance, there = np.asarray(found[0]), np.asarray(found[1])
        back = np.asarray(cKDTree(first).query(places)[1])
        tone_hz = np.append(scan.tones.tone_hz, np.nan)  # the tree's “none” is one past the end
        heard = np.isfinite(distance) & np.isfinite(tone_hz[there]) & (tone_hz[there] > 0)
        mutual = np.append(back, -1)[there] == np.arange(len(first))
        partner[row] = np.where(heard & mutual, there, -1)
    common = np.all(partner >= 0, axis=0)
    if np.count_nonzero(common) < 5:
        raise AnalysisError(
            f"Only {np.count_nonzero(common)} places were read in every scan.",
            remedy="Scan with the same plan and spacing each time; leave a broken scan out.",
        )
    return [list(row[common]) for row in partner], most - int(np.count_nonzero(common))


def _conditions(scans: Sequence[ScanTones]) -> list[str]:
    said = []
    for name, words, unit, most in (
        ("temperature_c", "temperature", "°C", WARM_C),
        ("humidity_percent", "humidity", "% RH", DAMP_PERCENT),
    ):
        known = [s.conditions[name] for s in scans if s.conditions.get(name) is not None]
        if len(known) < len(scans):
            said.append(f"The {words} of {len(scans) - len(known)} scans is not known.")
        if known and max(known) - min(known) > most:
            said.append(
                f"The {words} differed by {max(known) - min(known):.1f} {unit} between the scans: "
                "wood follows it, and part of the scatter may be that."
            )
    return said


_DOING = {
    "repeatability": (
        "the scatter from scan to scan under one label",
        "strike every tap more often, wait longer before each strike, and look for double strikes "
        "and draught; if the plate was laid anew each time, see to its supports",
    ),
    "operator": (
        "the difference between the labels as wholes",
        "agree on one way to lay the plate and one set of supports, and scan in one climate",
    ),
    "interaction": (
        "what the labels do differently from place to place",
        "lay the plate on marked supports, the same every time, and check the camera's placing",
    ),
}


def _sentence(found: GaugeStudy, verdict: str) -> str:
    parts = {name: getattr(found, name) for name in _DOING}
    chief = max(parts, key=lambda name: parts[name])
    source, advice = _DOING[chief]
    share = 100.0 * (parts[chief] / found.gauge) ** 2 if found.gauge > 0 else 0.0
    text = (
        f"Two scans must differ by {found.smallest_change:.0f} cents at a place before it means "
        f"something. Of the scatter, {source} makes up {share:.0f} % (of variance)."
    )
    if verdict == "fine":
        return f"{text} It is small against what differs over this plate: leave it as it is."
    if verdict == "usable":
        return f"{text} To do better: {advice}."
    return (
        f"{text} It is too large against what differs over this plate ({found.place:.0f} cents): "
        f"{advice}."
    )
