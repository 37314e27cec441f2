"""Where does the plate lie? One picture, one rig, one outline: a pose or a reason why not."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.errors import PictureError
from rig.model.frames import BedXY, Face, PlateXY, Pose
from rig.model.outline import Outline
from rig.model.rig_settings import BedSettings, RigSettings
from rig.vision.bed import BedView, MarkerSeen, NoBed, find_bed
from rig.vision.lens import linear_light
from rig.vision.picture_faults import BURNT_LIMIT, BURNT_REMEDY, burnt_share
from rig.vision.rectify import EdgeField, LevelView, edge_field, level_view
from rig.vision.rim_fit import RimFit, fit_rim
from rig.vision.rim_points import RimPoints, rim_points
from rig.vision.search import find_candidates
from rig.vision.sound_holes import find_sound_holes
from rig.vision.taken_outline import NoOutline, take_outline

RIM_HEIGHT_MM = 3.0
_RIM_SPACING_MM = 2.5
_LEAST_COVERED = 0.6
_MOST_MISSED = 0.25
_LONGEST_GAP = 0.3
_WORST_RMS_MM = 0.4
_WORST_HEIGHT_ERROR_MM = 4.0
_TRIES = 3
_GRAIN_MM = 6.5  # over which light is averaged along the rim where edges are in doubt
_CALM_COVERED, _CALM_MISSED = 0.75, 0.15  # asked of such a fit
_MOST_BURNT, _SOME_BURNT = 0.6, 0.25


@dataclass(frozen=True)
class Located:
    """The answer. pose is None where the plate was not found; then `reason` says why.

    outline: in the plate frame, the stored one or, without one, that of the picture; sound holes
    that only the picture shows are added to it;
    outline_in_bed: its rim; rim_height_mm: upper edge of the rim as the picture shows it;
    covered: part of the rim seen in place, 0…1; marker_rms_mm: how well the markers agree;
    notes: what the user should know although the plate was found.
    """

    pose: Pose | None
    reason: str = ""
    notes: tuple[str, ...] = ()
    markers: tuple[MarkerSeen, ...] = ()
    marker_rms_mm: float | None = None
    outline: Outline | None = None
    outline_in_bed: BedXY | None = None
    rim_height_mm: float | None = None
    covered: float | None = None
    angle_sd_deg: float | None = None


def locate_plate(
    picture: NDArray[np.uint8],
    settings: RigSettings,
    outline: Outline | None,
    face: Face,
    *,
    rim_height_mm: float = RIM_HEIGHT_MM,
) -> Located:
    """Find the plate in a picture of the bed taken at any slant.

    picture: (rows, columns, 3) blue-green-red or (rows, columns) grey, uint8. outline None: the
    outline is taken from the picture. face: the one that is up. rim_height_mm: the upper edge of
    the rim above the bed; small errors are found out and mended, large ones refused. Raises
    PictureError for an array that is no picture.
    """
    picture = _as_colour(picture)
    lens = settings.camera.lens
    rows, columns = picture.shape[:2]
    if lens is not None and (
        abs(lens.cx - 0.5 * columns) > 0.25 * columns or abs(lens.cy - 0.5 * rows) > 0.25 * rows
    ):
        return Located(
            None,
            f"The picture has {columns} × {rows} pixels, but the lens of the rig file has its "
            f"middle at {lens.cx:.0f}, {lens.cy:.0f}: it belongs to pictures of another size.",
        )
    grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    bed = find_bed(grey, settings.bed, lens)
    if isinstance(bed, NoBed):
        return Located(None, bed.reason, markers=bed.markers)
    longest = max(settings.bed.width_mm, settings.bed.depth_mm)
    view = level_view(
        picture, bed.camera, settings.bed, rim_height_mm, step_mm=max(1.0, longest / 700.0)
    )
    burnt = burnt_share(view.picture, view.seen & _over_bed(view, settings.bed))
    if burnt > BURNT_LIMIT:
        return Located(
            None,
            f"The picture is overexposed: {100.0 * burnt:.0f} % of the bed is burnt out. "
            + BURNT_REMEDY,
            bed.notes,
            bed.markers,
        )
    light = linear_light(picture)
    if outline is None:
        box = (0.0, 0.0, settings.bed.width_mm, settings.bed.depth_mm)
        found = _take(light, view, bed, box, face, rim_height_mm)
    else:
        found = _fit(light, view, bed, outline, face, rim_height_mm)
    return replace(
        found,
        notes=bed.notes + found.notes,
        markers=bed.markers,
        marker_rms_mm=bed.corner_rms_mm,
    )


def _over_bed(view: LevelView, bed: BedSettings) -> NDArray[np.bool_]:
    """Which places of the view lie on the bed; (rows, columns)."""
    rows, columns = view.seen.shape
    x = view.origin_mm[0] + view.step_mm * np.arange(columns)
    y = view.origin_mm[1] + view.step_mm * np.arange(rows)
    along, across = (x >= 0.0) & (x <= bed.width_mm), (y >= 0.0) & (y <= bed.depth_mm)
    return np.asarray(across[:, None] & along[None, :])


def outline_from_picture(
    picture: NDArray[np.uint8],
    settings: RigSettings,
    face: Face,
    *,
    rim_height_mm: float = RIM_HEIGHT_MM,
) -> Outline:
    """The plate's outline in the plate frame; raises PictureError where none can be taken."""
    found = locate_plate(picture, settings, None, face, rim_height_mm=rim_height_mm)
    if found.outline is None:
        raise PictureError(
            "No outline could be taken from the picture.", remedy=found.reason, where="picture"
        )
    return found.outline


def _fit(
    light: NDArray[np.float32],
    view: LevelView,
    bed: BedView,
    outline: Outline,
    face: Face,
    rim_height_mm: float,
) -> Located:
    """Find the stored outline, and be sure that it is the one."""
    field = edge_field(view)
    points = _points_of(outline)
    best: RimFit | None = None
    doubt: str | None = None
    for candidate in find_candidates(field, outline, face)[:_TRIES]:
        fit = fit_rim(light, bed.camera, points, candidate.pose, rim_height_mm)
        if fit is not None and _doubt(fit, rim_height_mm) is not None:
            fit = _against_the_grain(light, bed, points, fit, rim_height_mm)
        if fit is not None and (best is None or _merit(fit) > _merit(best)):
            best = fit
        doubt = "nothing" if best is None else _doubt(best, rim_height_mm)
        if doubt is None:
            break
    if best is None:
        return Located(None, "Nothing on the bed looks like the stored plate.")
    other: Face = "inner" if face == "outer" else "outer"
    if doubt is not None:
        turned = _fit_other_face(light, field, bed, outline, other, rim_height_mm)
        if turned is not None and _doubt(turned, rim_height_mm) is None:
            doubt = (
                f"With the {face} face up the stored outline does not fit, but turned over it "
                f"does: is the {other} face up?"
            )
        return Located(None, doubt, covered=best.covered, rim_height_mm=best.height_mm)
    notes = []
    mirrored = fit_rim(
        light, bed.camera, points, replace(best.pose, face=other), rim_height_mm, (4.0, 2.5)
    )
    if (
        mirrored is not None
        and mirrored.covered >= best.covered - 0.02
        and mirrored.rms_mm < 0.75 * best.rms_mm
    ):
        notes.append(
            f"The outline fits better turned over ({mirrored.rms_mm:.2f} mm against "
            f"{best.rms_mm:.2f} mm): is the {other} face up?"
        )
    if abs(best.height_mm - rim_height_mm) > 1.5:
        notes.append(
            f"The rim seems to lie {max(best.height_mm, 0.0):.1f} mm above the bed, "
            f"not {rim_height_mm:.1f}."
        )
    if best.burnt > _SOME_BURNT:
        notes.append(
            f"The rim is burnt out along {100.0 * best.burnt:.0f} %: the place is less sure. A "
            "lamp that is not mirrored in the plate makes it surer."
        )
    pose = replace(best.pose, sd_mm=_whole_sd(best, bed))
    if not outline.holes:
        outline, more = _with_holes(light, bed, pose, outline, best.height_mm)
        notes.extend(more)
    return Located(
        pose,
        notes=tuple(notes),
        outline=outline,
        outline_in_bed=pose.to_bed(outline.rim),
        rim_height_mm=best.height_mm,
        covered=best.covered,
        angle_sd_deg=best.angle_sd_deg,
    )


def _points_of(outline: Outline) -> RimPoints:
    """Some 350 points of the rim; errors of near ones go together, more would tell nothing new."""
    return rim_points(outline.rim, max(_RIM_SPACING_MM, 3.0 * sum(outline.size_mm) / 550.0))


def _fit_other_face(
    light: NDArray[np.float32],
    field: EdgeField,
    bed: BedView,
    outline: Outline,
    face: Face,
    rim_height_mm: float,
) -> RimFit | None:
    candidates = find_candidates(field, outline, face)
    if not candidates:
        return None
    points = _points_of(outline)
    return fit_rim(light, bed.camera, points, candidates[0].pose, rim_height_mm)


def _against_the_grain(
    light: NDArray[np.float32], bed: BedView, points: RimPoints, fit: RimFit, rim_height_mm: float
) -> RimFit:
    """The same fit with the light averaged along the rim, where that makes it sure.

    On a wooden bed edges of the grain lie everywhere; none of them follows the rim.
    """
    calm = fit_rim(
        light,
        bed.camera,
        points,
        fit.pose,
        rim_height_mm,
        along_lines=_GRAIN_MM / points.spacing_mm,
    )
    sure = calm is not None and calm.covered > _CALM_COVERED and calm.missed < _CALM_MISSED
    return calm if sure and calm is not None else fit


def _merit(fit: RimFit) -> float:
    return fit.covered - fit.missed


def _doubt(fit: RimFit, rim_height_mm: float) -> str | None:
    """Why this fit may not be believed; None when it may."""
    if fit.burnt > _MOST_BURNT:
        return (
            f"The plate's edge is burnt out along {100.0 * fit.burnt:.0f} % of the rim: what the "
            f"camera could not take hides where it lies. {BURNT_REMEDY}"
        )
    if fit.covered < _LEAST_COVERED or fit.longest_gap > _LONGEST_GAP:
        return (
            "Nothing on the bed looks like the stored plate: at best "
            f"{100.0 * fit.covered:.0f} % of its rim finds an edge"
            + (" in one piece." if fit.covered >= _LEAST_COVERED else ".")
            + " Is it there, is it this plate, is its rim in view, and were the markers printed at "
            "100 %?"
        )
    if fit.missed > _MOST_MISSED or fit.rms_mm > _WORST_RMS_MM:
        return (
            f"What lies on the bed has another outline than the stored plate: {fit.rms_mm:.2f} mm "
            f"rms, and {100.0 * fit.missed:.0f} % of the rim lies elsewhere. Is it this plate?"
        )
    if abs(fit.height_mm - rim_height_mm) > _WORST_HEIGHT_ERROR_MM:
        larger = "larger" if fit.height_mm > rim_height_mm else "smaller"
        return (
            f"What lies on the bed looks {larger} than the stored plate: either its rim lies about "
            f"{max(fit.height_mm, 0.0):.0f} mm above the bed, not {rim_height_mm:.0f} mm, or it is "
            "another plate, or the sheet with the markers was not printed at 100 %. If it rocks on "
            "its arch, support it evenly or give the true height of its rim."
        )
    return None


def _whole_sd(fit: RimFit, bed: BedView) -> float:
    """Rim, markers and, where it was estimated, lens together; mm."""
    used = sum(marker.used for marker in bed.markers)
    markers = bed.corner_rms_mm / np.sqrt(max(used - 1, 1))
    return float(np.sqrt(fit.sd_mm**2 + markers**2 + bed.lens_sd_mm**2))


def _take(
    light: NDArray[np.float32],
    view: LevelView,
    bed: BedView,
    bed_box_mm: tuple[float, float, float, float],
    face: Face,
    rim_height_mm: float,
) -> Located:
    """No stored outline: the picture's own."""
    taken = take_outline(light, view, bed_box_mm, bed.camera, face, rim_height_mm)
    if isinstance(taken, NoOutline):
        return Located(None, taken.reason)
    markers = bed.corner_rms_mm / np.sqrt(max(sum(m.used for m in bed.markers) - 1, 1))
    sd = float(np.hypot(taken.sd_mm, markers))
    pose = replace(taken.pose, sd_mm=sd, outline_rms_mm=taken.rms_mm)
    outline, more = _with_holes(light, bed, pose, taken.outline, rim_height_mm)
    return Located(
        pose,
        notes=("The outline was taken from this picture.", *taken.notes, *more),
        outline=outline,
        outline_in_bed=pose.to_bed(outline.rim),
        rim_height_mm=rim_height_mm,
        covered=taken.covered,
    )


def _with_holes(
    light: NDArray[np.float32],
    bed: BedView,
    pose: Pose,
    outline: Outline,
    rim_height_mm: float,
) -> tuple[Outline, tuple[str, ...]]:
    """The outline with the sound holes that the picture shows, and what to say about them."""
    seen = find_sound_holes(light, bed.camera, pose, outline.rim, rim_height_mm)
    if seen.holes:
        outline = replace(outline, holes=tuple(PlateXY(hole) for hole in seen.holes))
    return outline, seen.notes


def _as_colour(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    if picture.dtype != np.uint8 or picture.ndim not in (2, 3) or min(picture.shape[:2]) < 100:
        raise PictureError(
            f"This is no picture of 8 bits per colour: {picture.dtype}, shape {picture.shape}.",
            where="picture",
            remedy="Give (rows, columns, 3) unsigned bytes, at least 100 pixels each way.",
        )
    if picture.ndim == 2:
        return np.repeat(picture[:, :, None], 3, axis=2)
    if picture.shape[2] == 4:
        return np.ascontiguousarray(picture[:, :, :3])
    if picture.shape[2] == 1:
        return np.repeat(picture, 3, axis=2)
    return picture
