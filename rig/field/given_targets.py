"""Targets that come from elsewhere than the map: mirror side, another scan, a drawn profile.

Each gives cents per tap with a doubt of its own. Levels of two scans, and of a drawing, are
matched by the median of the difference: only differences of tone over the plate are claimed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.graduation import graduation_covariance
from rig.field.nearest import nearest, typical_spacing_mm
from rig.field.smoothing import averaging_weights, error_covariance, error_length_mm
from rig.model.drawn_profile import DrawnProfile
from rig.model.errors import AnalysisError
from rig.model.frames import Face
from rig.model.outline import Outline
from rig.model.plate_facts import Bar
from rig.model.plate_size import times_violin
from rig.model.tone_map import Patch, TapTone, TargetKind
from rig.model.units import FloatArray

_FEWEST_TAPS = 12
_REACH = 1.5  # of the taps' spacing: full width at half maximum of the local plane
_NEAR = 1.1  # of the taps' spacing: a tap this near tells of a place
_MOST_DOUBT_CENTS = 35.0  # of a drawing: the least excess anybody works on
_PEN_CENTS = 1.0  # how exactly a drawn number is meant
_VIOLIN_MM = 356.0
_DRAWN_LENGTH_MM = 60.0  # over which what a drawing leaves open is alike


@dataclass(frozen=True)
class OtherTones:
    """The tones of another scan of the same plate, read as those of the map are."""

    scan: str
    face: Face
    tones: TapTone


@dataclass(frozen=True)
class Target:
    """cents (n,) at the map's taps, NaN where the target says nothing, with sd_cents (n,).

    length_mm: reach over which its errors are alike; taken_from: the scan or file it comes from;
    patches: what stands out of it where it was fitted to the map itself.
    """

    kind: TargetKind
    cents: FloatArray
    sd_cents: FloatArray
    length_mm: float = 0.0
    taken_from: str | None = None
    notes: tuple[str, ...] = ()
    patches: tuple[Patch, ...] = ()


def mirror_target(
    tap_tone: TapTone, cents: FloatArray, outline: Outline, bars: Sequence[Bar] = ()
) -> Target:
    """The map's own tone on the other side of the centre line, at (-x, y).

    cents (n,): the map's tones. Says nothing where the mirror place is off the wood or has no tap
    beside it. Raises AnalysisError where that leaves too little.
    """
    at = np.asarray(tap_tone.places) * np.array([-1.0, 1.0])
    told, sd, length = _tone_at(tap_tone, cents, at, outline)
    known = np.isfinite(told)
    if known.sum() < _FEWEST_TAPS:
        raise AnalysisError(
            f"Only {known.sum()} of {len(known)} taps have their mirror place on tapped wood.",
            remedy="Scan both sides of the centre line, or choose another target.",
        )
    notes = (*_unheld(known, "their mirror place off the tapped wood"), *_bar_notes(bars))
    return Target("mirror side", told, sd, length, None, notes)


def scan_target(
    tap_tone: TapTone, cents: FloatArray, face: Face, other: OtherTones, outline: Outline
) -> Target:
    """The tone of another scan at the same spots: the other face, or this one earlier.

    face: of the map. Raises AnalysisError where the two have too little in common.
    """
    kind: TargetKind = "earlier scan" if other.face == face else "other face"
    other_cents = 1200.0 * np.log2(other.tones.tone_hz)
    at = np.asarray(tap_tone.places)
    told, sd, length = _tone_at(other.tones, other_cents, at, outline)
    known = np.isfinite(told)
    if known.sum() < _FEWEST_TAPS:
        raise AnalysisError(
            f"Only {known.sum()} of {len(known)} taps lie where {other.scan} was tapped.",
            where=other.scan,
            remedy="Choose a scan that covers the same part of the plate.",
        )
    notes = [
        "The levels of the two scans are matched by the median: a change of the whole plate at "
        "once is not seen.",
        *_unheld(known, f"no tap of {other.scan} beside them"),
    ]
    if other.tones.estimator != tap_tone.estimator:
        notes.append(
            f"{other.scan} was read by the {other.tones.estimator}, this scan by the "
            f"{tap_tone.estimator}: part of the difference may be that."
        )
    if other.tones.verdict != "good":
        notes.append(f"The estimator's own check of {other.scan}: {other.tones.verdict}.")
    return Target(kind, _levelled(told, cents), sd, length, other.scan, tuple(notes))


def drawn_target(
    places: FloatArray, cents: FloatArray, profile: DrawnProfile, outline: Outline
) -> Target:
    """A drawn profile carried smoothly to the taps (n, 2), cents (n,) being the map's tones.

    The smooth field of a plate's graduation, given the drawn places (Gaussian-process regression:
    C. E. Rasmussen & C. K. I. Williams, "Gaussian Processes for Machine Learning" (2006), eq. 2.25
    and 2.26); its sd is what the drawing leaves open. Raises AnalysisError where that is more
    than anybody works on: the drawing does not cover the plate.
    """
    scale = float(np.ptp(outline.rim[:, 1])) / _VIOLIN_MM
    drawn = len(profile.places)
    middle = float(np.median(profile.cents))
    whole = graduation_covariance(np.vstack([profile.places, places]), scale)
    of_drawn = whole[:drawn, :drawn] + _PEN_CENTS**2 * np.eye(drawn)
    weights = np.linalg.solve(of_drawn, whole[:drawn, drawn:]).T
    told = middle + weights @ (profile.cents - middle)
    left = np.diag(whole)[drawn:] - np.einsum("ij,ji->i", weights, whole[:drawn, drawn:])
    sd = np.sqrt(np.maximum(left, 0.0) + _PEN_CENTS**2)
    if sd.max() > _MOST_DOUBT_CENTS:
        x, y = places[int(np.argmax(sd))]
        raise AnalysisError(
            f"The drawn target does not cover the plate: at x {x:.0f}, y {y:.0f} mm, and "
            f"{(sd > _MOST_DOUBT_CENTS).sum()} of {len(sd)} taps in all, it leaves more than "
            f"{_MOST_DOUBT_CENTS:.0f} cents open.",
            where=profile.name,
            remedy="Draw places all over the plate, about 50 mm apart, up to the edge.",
        )
    notes = ("The level of the drawing is matched by the median: only its differences count.",)
    length = _DRAWN_LENGTH_MM * scale
    return Target("drawn profile", _levelled(told, cents), sd, length, profile.name, notes)


def _levelled(told: FloatArray, cents: FloatArray) -> FloatArray:
    """Shift the target so that the map stands above and below it at equally many taps."""
    return np.asarray(told + np.nanmedian(cents - told))


def _tone_at(
    tap_tone: TapTone, cents: FloatArray, at: FloatArray, outline: Outline
) -> tuple[FloatArray, FloatArray, float]:
    """Tone (m,) at any places with sd (m,), NaN off the wood or far from every tap; error length.

    A local plane through the taps around, so that a slope up to the edge is followed and not
    averaged away.
    """
    places = np.asarray(tap_tone.places)
    spacing = max(typical_spacing_mm(places), 1.0)
    weights = averaging_weights(
        places, at, outline, fwhm_mm=_REACH * spacing, variance=tap_tone.sd_cents**2
    )
    gap, _ = nearest(places, at)
    known = outline.contains(at) & (gap[:, 0] <= _NEAR * spacing) & (weights.sum(axis=1) > 0.5)
    length = error_length_mm(tap_tone.reading, tap_tone.estimator, times_violin(outline))
    plane = _plane_weights(weights[known], places, at[known], spacing)
    covariance = error_covariance(places, tap_tone.sd_cents, length)
    told, sd = np.full(len(at), np.nan), np.full(len(at), np.nan)
    told[known] = plane @ cents
    sd[known] = np.sqrt(np.einsum("ij,jk,ik->i", plane, covariance, plane, optimize=True))
    return told, sd, max(length, spacing)


def _plane_weights(
    weights: FloatArray, places: FloatArray, at: FloatArray, spacing: float
) -> FloatArray:
    """Weights (m, n) of a plane fitted by least squares with these weights, taken at `at`.

    The slope is held back a little, so that taps in one line, or one tap, still give a value.
    """
    hold = np.diag([0.0, 0.02, 0.02])
    rows = np.zeros_like(weights)
    for row, (share, place) in enumerate(zip(weights, at, strict=True)):
        near: NDArray[np.int64] = np.flatnonzero(share)
        x, y = ((places[near] - place) / spacing).T
        design = np.stack([np.ones(len(near)), x, y])
        weighted = design * share[near]
        rows[row, near] = np.linalg.solve(weighted @ design.T + hold, weighted)[0]
    return rows


def _unheld(known: NDArray[np.bool_], why: str) -> tuple[str, ...]:
    missing = int((~known).sum())
    if not missing:
        return ()
    return (f"{missing} of {len(known)} taps are held against nothing: they have {why}.",)


def _bar_notes(bars: Sequence[Bar]) -> tuple[str, ...]:
    """Which side carries a bar that its mirror does not."""
    notes = []
    for bar in bars:
        across = bar.x1_mm + bar.x2_mm
        alone = bar.x1_mm * bar.x2_mm > 0.0
        side = "right" if across > 0.0 else "left"
        notes.append(
            f"A bar is glued on the {side} of the centre line (seen from the outer face): that "
            "side differs from its mirror by the bar as well as by the wood."
            if alone
            else "A glued bar crosses the centre line: the sides differ by it as well as by the "
            "wood."
        )
    return tuple(dict.fromkeys(notes))
