"""From the markers in a picture to the camera over the bed.

At least three markers of the rig file must agree. A marker that does not agree with the others
(moved, turned, of another size) is named and left out when enough remain. What all have in common,
a print slightly too large or edges swollen by the light, moves none of them and is taken off first.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations, islice

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.rig_settings import BedMarker, BedSettings, LensSettings
from rig.model.units import FloatArray
from rig.vision.lens import CameraPose, linear_light
from rig.vision.lens_estimate import estimate_lens
from rig.vision.marker_corners import refine_corners
from rig.vision.picture_faults import picture_fault

LEAST_MARKERS = 3
_MOST_TRIPLES = 60


@dataclass(frozen=True)
class MarkerSeen:
    """One marker of the rig file in the picture. residual_mm: rms of its corners on the bed."""

    id: int
    corners_px: FloatArray
    residual_mm: float
    used: bool


@dataclass(frozen=True)
class BedView:
    """The camera over the bed, how well each marker agrees, and what the user should know.

    corner_rms_mm: rms over all corners used. lens_sd_mm: what an estimated lens adds to the
    uncertainty of places, 0 where the lens was given.
    """

    camera: CameraPose
    markers: tuple[MarkerSeen, ...]
    corner_rms_mm: float
    lens_sd_mm: float = 0.0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class NoBed:
    """Why the bed cannot be placed in this picture."""

    reason: str
    markers: tuple[MarkerSeen, ...] = ()


@dataclass(frozen=True)
class _Corners:
    """Corners of one marker: on the bed (4, 2) mm and in the picture (4, 2) px."""

    marker: BedMarker
    on_bed: FloatArray
    in_picture: FloatArray


def find_bed(
    grey: NDArray[np.uint8], bed: BedSettings, lens: LensSettings | None
) -> BedView | NoBed:
    """Place the camera over the bed from the markers in a grey picture (rows, columns)."""
    if len(bed.markers) < LEAST_MARKERS:
        return NoBed(
            f"The rig file names {len(bed.markers)} bed markers; at least {LEAST_MARKERS} are "
            "needed. Add them as [[bed.marker]]."
        )
    if not hasattr(cv2.aruco, bed.marker_dictionary):
        return NoBed(f"There is no marker dictionary {bed.marker_dictionary}: check the rig file.")
    found, strangers = _detect(grey, bed)
    if len({f.marker.id for f in found}) < LEAST_MARKERS:
        return NoBed(_too_few(grey, bed, found, strangers), tuple(_unjudged(f) for f in found))
    twice = _seen_twice(found)
    if len(twice) >= LEAST_MARKERS:
        return NoBed(
            f"Two sheets of bed markers are in the picture: {_list(twice)} are seen twice. Take "
            "one of them away.",
            tuple(_unjudged(f) for f in found),
        )
    # Distortion that is not yet known bends the bed by some millimetres.
    tolerance_mm = 0.8 if lens is not None else 4.0
    group = _largest_agreement(found, lens, tolerance_mm)
    if group is None:
        return NoBed(
            f"The markers {_names(f.marker for f in found)} do not agree with the places the rig "
            "file gives them: no three of them fit one camera. "
            + (picture_fault(grey) or "Check the rig file and the prints."),
            tuple(_unjudged(f) for f in found),
        )
    notes: list[str] = []
    lens_sd_mm = 0.0
    if lens is None:
        height, width = grey.shape
        estimate = estimate_lens(
            [c.on_bed for c in group], [c.in_picture for c in group], (width, height)
        )
        if isinstance(estimate, str):
            return NoBed(estimate, tuple(_unjudged(f) for f in found))
        lens, lens_sd_mm = estimate.lens, estimate.place_sd_mm
        notes.append(estimate.note)
        again = _largest_agreement(found, lens, 0.8)
        group = again if again is not None and len(again) >= len(group) - 1 else group
    group = _without_odd_ones(group, lens)
    camera = _fit_camera(group, lens)
    if camera is None:
        return NoBed("The markers seen do not fit any camera over the bed.")
    swelling = _swelling_mm([_gaps_mm(camera, c) for c in group])
    camera = _fit_camera([_grown(c, swelling) for c in group], lens) or camera
    relative = 2.0 * swelling / (np.sqrt(2.0) * float(np.mean([c.marker.size_mm for c in group])))
    if abs(relative) > 0.03:
        notes.append(
            f"All markers look {100.0 * abs(relative):.0f} % "
            f"{'larger' if relative > 0 else 'smaller'} than the rig file says. "
            "Were they printed at true size?"
        )
    return _judge(camera, found, group, lens_sd_mm, notes, strangers)


def _judge(
    camera: CameraPose,
    found: list[_Corners],
    group: list[_Corners],
    lens_sd_mm: float,
    notes: list[str],
    strangers: list[int],
) -> BedView:
    used = {id(corners) for corners in group}
    gaps = [_gaps_mm(camera, c) for c in found]
    swelling = _swelling_mm([g for g, c in zip(gaps, found, strict=True) if id(c) in used])
    markers = tuple(
        MarkerSeen(c.marker.id, c.in_picture, _residual_mm(g, swelling), id(c) in used)
        for c, g in zip(found, gaps, strict=True)
    )
    twice = _seen_twice(found)
    for marker in markers:
        if not marker.used:
            where = (
                f"Marker {marker.id} lies {marker.residual_mm:.1f} mm from where the rig file puts "
                "it and was left out: "
            )
            if marker.id in twice:
                notes.append(where + "it is seen twice; take the second one away.")
            else:
                notes.append(where + "moved, turned, partly covered, or printed in another size?")
    if strangers:
        notes.append(f"Markers {_list(strangers)} are in the picture but not in the rig file.")
    squares = [m.residual_mm**2 for m in markers if m.used]
    return BedView(camera, markers, float(np.sqrt(np.mean(squares))), lens_sd_mm, tuple(notes))


def _detect(grey: NDArray[np.uint8], bed: BedSettings) -> tuple[list[_Corners], list[int]]:
    """Markers of the rig file in the picture, and numbers the rig file does not know."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 6
    parameters.cornerRefinementMaxIterations = 50
    parameters.cornerRefinementMinAccuracy = 0.005
    parameters.adaptiveThreshWinSizeMin = 13
    parameters.adaptiveThreshWinSizeMax = 53
    parameters.adaptiveThreshWinSizeStep = 20
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, bed.marker_dictionary))
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    light = linear_light(grey)
    known = {marker.id: marker for marker in bed.markers}
    found: list[_Corners] = []
    strangers: list[int] = []
    if numbers is None:
        return found, strangers
    for number, quad in zip([int(n) for n in np.ravel(numbers)], corners, strict=True):
        marker = known.get(number)
        if marker is None:
            strangers.append(number)
            continue
        half = 0.5 * marker.size_mm
        square = np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
        found.append(
            _Corners(
                marker,
                square + np.array([marker.x_mm, marker.y_mm]),
                refine_corners(light, np.asarray(quad, dtype=np.float64).reshape(4, 2)),
            )
        )
    return found, sorted(strangers)


def _largest_agreement(
    found: list[_Corners], lens: LensSettings | None, tolerance_mm: float
) -> list[_Corners] | None:
    """The largest set of at least three markers that one camera explains; None if there is none."""
    best: list[_Corners] | None = None
    best_cost = np.inf
    everything = [found] if len(found) > LEAST_MARKERS else []
    for trial in [*everything, *islice(combinations(found, LEAST_MARKERS), _MOST_TRIPLES)]:
        errors = _errors_mm(list(trial), found, lens)
        if errors is None:
            continue
        agreeing = [c for c, error in zip(found, errors, strict=True) if error < tolerance_mm]
        if len({c.marker.id for c in agreeing}) < LEAST_MARKERS:
            continue
        # Three alone can hide a wrong place in the camera's tilt: ask more of them.
        agreed = [e for e in errors if e < tolerance_mm]
        if len(agreeing) == LEAST_MARKERS and max(agreed) > 0.3 * tolerance_mm:
            continue
        cost = float(np.mean(agreed))
        if best is None or (-len(agreeing), cost) < (-len(best), best_cost):
            best, best_cost = agreeing, cost
        if len(agreeing) == len(found):
            break  # all agree: nothing larger can be found
    return best


def _without_odd_ones(group: list[_Corners], lens: LensSettings) -> list[_Corners]:
    """Leave out markers that the others, taken alone, put clearly elsewhere.

    Fitted along with the rest a marker in the wrong place pulls the camera towards itself and
    hides half of its error. "Clearly": twice as far as a ruler errs and four times as far as the
    others disagree among themselves.
    """
    while len(group) > LEAST_MARKERS + 1:
        trials = []
        for k, odd in enumerate(group):
            rest = group[:k] + group[k + 1 :]
            camera = _fit_camera(rest, lens)
            if camera is None:
                return group
            swelling = _swelling_mm([_gaps_mm(camera, c) for c in rest])
            others = [_residual_mm(_gaps_mm(camera, c), swelling) for c in rest]
            own = _residual_mm(_gaps_mm(camera, odd), swelling)
            trials.append((own / max(float(np.sqrt(np.mean(np.square(others)))), 0.05), own, k))
        ratio, own, k = max(trials)
        if ratio < 4.0 or own < 1.0:
            return group
        group = group[:k] + group[k + 1 :]
    return group


def _errors_mm(
    trial: list[_Corners], found: list[_Corners], lens: LensSettings | None
) -> list[float] | None:
    """Residual of every marker found, on the bed, for the camera that fits `trial` best."""
    if lens is not None:
        camera = _fit_camera(trial, lens)
        if camera is None:
            return None
        return _residuals_mm([_gaps_mm(camera, c) for c in found])
    image = np.vstack([c.in_picture for c in trial])
    ground = np.vstack([c.on_bed for c in trial])
    mapping, _ = cv2.findHomography(image, ground, 0)
    if mapping is None:
        return None
    gaps = []
    for corners in found:
        carried = cv2.perspectiveTransform(corners.in_picture[None], mapping)[0]
        gaps.append(np.asarray(carried - corners.on_bed, dtype=np.float64))
    return _residuals_mm(gaps)


def _fit_camera(group: list[_Corners], lens: LensSettings) -> CameraPose | None:
    """Least squares over all corners: the camera that sees these markers."""
    on_bed = np.vstack([c.on_bed for c in group])
    ground = np.column_stack([on_bed, np.zeros(len(on_bed))])
    image = np.vstack([c.in_picture for c in group])
    matrix = np.array([[lens.fx, 0.0, lens.cx], [0.0, lens.fy, lens.cy], [0.0, 0.0, 1.0]])
    bend = np.array([lens.k1, lens.k2, 0.0, 0.0])
    try:
        ok, turn, shift = cv2.solvePnP(ground, image, matrix, bend, flags=cv2.SOLVEPNP_IPPE)
        if not ok:
            return None
        turn, shift = cv2.solvePnPRefineLM(ground, image, matrix, bend, turn, shift)
    except cv2.error:
        return None
    rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)
    camera = CameraPose(lens, rotation, np.asarray(shift, dtype=np.float64).ravel())
    return camera if camera.eye_mm[2] > 1.0 else None


# From the middle of a marker to its corners, in the order of the detector.
_OUTWARDS = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]) / np.sqrt(2.0)


def _gaps_mm(camera: CameraPose, corners: _Corners) -> FloatArray:
    """Where each corner is seen on the bed, minus where it should be; (4, 2)."""
    seen = camera.meet_level(corners.in_picture, 0.0)
    return np.asarray(seen - corners.on_bed, dtype=np.float64)


def _swelling_mm(gaps: list[FloatArray]) -> float:
    """How far corners lie outside their place, in common; median over all of them."""
    return float(np.median([np.sum(gap * _OUTWARDS, axis=1) for gap in gaps]))


def _residual_mm(gap: FloatArray, swelling: float) -> float:
    """Rms distance of a marker's corners from their places, the common swelling taken off."""
    left = gap - swelling * _OUTWARDS
    return float(np.sqrt(np.mean(np.sum(left * left, axis=1))))


def _residuals_mm(gaps: list[FloatArray]) -> list[float]:
    swelling = _swelling_mm(gaps)
    return [_residual_mm(gap, swelling) for gap in gaps]


def _grown(corners: _Corners, swelling: float) -> _Corners:
    return _Corners(corners.marker, corners.on_bed + swelling * _OUTWARDS, corners.in_picture)


def _seen_twice(found: list[_Corners]) -> list[int]:
    """Numbers of the markers that are seen more than once."""
    numbers = [c.marker.id for c in found]
    return sorted({n for n in numbers if numbers.count(n) > 1})


def _unjudged(corners: _Corners) -> MarkerSeen:
    return MarkerSeen(corners.marker.id, corners.in_picture, float("nan"), used=False)


def _too_few(
    grey: NDArray[np.uint8], bed: BedSettings, found: list[_Corners], strangers: list[int]
) -> str:
    wanted = _names(bed.markers)
    seen = sorted({c.marker.id for c in found})
    if seen:
        reason = (
            f"Only marker{'s' if len(seen) > 1 else ''} {_list(seen)} of {wanted} "
            f"({bed.marker_dictionary}) can be seen; at least {LEAST_MARKERS} are needed."
        )
    else:
        reason = f"None of the bed markers {wanted} ({bed.marker_dictionary}) can be seen."
    fault = picture_fault(grey)
    if fault is not None:
        return f"{reason} {fault}"
    if strangers:
        return (
            f"{reason} Markers {_list(strangers)} are there instead: is this the rig file of this "
            "bed?"
        )
    flipped, _ = _detect(np.ascontiguousarray(grey[:, ::-1]), bed)
    if len({c.marker.id for c in flipped}) >= LEAST_MARKERS:
        return (
            "The picture is mirrored: the bed markers can be read in a looking glass only. Switch "
            "off mirroring in the camera's settings; or was the sheet printed mirrored?"
        )
    return reason


def _names(markers: Iterable[BedMarker]) -> str:
    return _list(sorted(m.id for m in markers))


def _list(numbers: list[int]) -> str:
    return ", ".join(str(n) for n in numbers)
