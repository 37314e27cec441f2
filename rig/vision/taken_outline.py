"""An outline taken from the picture itself, for a plate that has none yet."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from rig.model.errors import OutlineError
from rig.model.frames import BedXY, Face, Pose
from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.vision.lens import CameraPose
from rig.vision.rectify import LevelView
from rig.vision.rim_edges import RimEdges, find_rim_edges, picture_lines
from rig.vision.rim_points import rim_points
from rig.vision.segment import wood_mask
from rig.vision.symmetry import find_axis

_SPACING_MM = 1.5
_LEAST_COVERED = 0.75
_WORST_MIRROR_MM = 2.0
_LEAST_NARROWING = 0.02
_USUAL_WALL_MM = 2.0


@dataclass(frozen=True)
class TakenOutline:
    """rms_mm: scatter of the edges about the smoothed outline; sd_mm: of the plate's place."""

    outline: Outline
    pose: Pose
    covered: float
    rms_mm: float
    sd_mm: float
    notes: tuple[str, ...]


@dataclass(frozen=True)
class NoOutline:
    """Why no outline can be taken."""

    reason: str


def take_outline(
    picture: NDArray[np.uint8],
    view: LevelView,
    camera: CameraPose,
    face: Face,
    rim_height_mm: float,
) -> TakenOutline | NoOutline:
    """Outline in the plate frame and the pose that goes with it.

    The neck end is the narrower one. With the inner face up the outline is mirrored back.
    """
    rows, columns = view.seen.shape
    margin = -view.origin_mm[0] + 0.5 * view.step_mm
    bed_box = (0.0, 0.0, columns * view.step_mm - 2 * margin, rows * view.step_mm - 2 * margin)
    mask = wood_mask(view, bed_box)
    if mask is None:
        return NoOutline("No plate can be told from the bed in this picture.")
    if np.any(mask[[0, -1], :]) or np.any(mask[:, [0, -1]]):
        return NoOutline("The plate reaches beyond what the camera sees of the bed.")
    curve = _contour(mask, view)
    notes: list[str] = []
    edges: RimEdges | None = None
    found = np.zeros(0)
    wall_mm = _USUAL_WALL_MM
    for reach in (4.0, 2.5):
        points = rim_points(curve, _SPACING_MM)
        edges = find_rim_edges(
            picture, camera, points.places, points.normals, rim_height_mm, reach
        )
        if edges is None:
            return NoOutline("The plate's edge cannot be told from the bed.")
        found = _outermost(edges)
        known = np.isfinite(found)
        covered = float(np.mean(known))
        if covered < _LEAST_COVERED:
            return NoOutline(
                f"Only {100.0 * covered:.0f} % of the plate's rim can be seen clearly: take away "
                "what lies on it, or give an outline file."
            )
        wall_mm = min(wall_mm, rim_height_mm)
        curve, rms = _carried(camera, edges, found, points, rim_height_mm, wall_mm)
    axis = find_axis(rim_points(curve, _SPACING_MM).places)
    if axis.narrowing < _LEAST_NARROWING:
        return NoOutline(
            "What lies on the bed is as wide at one end as at the other: the neck end cannot be "
            "told. Give an outline file."
        )
    if axis.mirror_rms_mm > _WORST_MIRROR_MM:
        return NoOutline(
            f"What lies on the bed is not symmetric ({axis.mirror_rms_mm:.1f} mm): the centre "
            "line cannot be told. Give an outline file."
        )
    angle = float(np.rad2deg(np.arctan2(-axis.up[0], axis.up[1])))
    pose = Pose(float(axis.origin[0]), float(axis.origin[1]), angle, face)
    try:
        outline = Outline.checked(pose.to_plate(BedXY(curve)), where="picture")
    except OutlineError as error:
        return NoOutline(f"The curve found in the picture is no outline. {error.what}")
    slant = _slant(camera, curve.mean(axis=0))
    sd = float(np.hypot(0.1, 1.0 * slant))  # the wall and the height are taken on trust
    notes.append(
        f"Height of the rim ({rim_height_mm:.1f} mm) and of the wall below it ({wall_mm:.1f} mm) "
        "are assumed; a picture taken from nearly straight above depends on them least."
    )
    return TakenOutline(outline, pose, covered, rms, sd, tuple(notes))


def _contour(mask: NDArray[np.bool_], view: LevelView) -> FloatArray:
    """The mask's edge as a counter-clockwise curve in the bed frame, lightly smoothed."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = max(contours, key=cv2.contourArea)[:, 0, :].astype(np.float64)
    smooth = gaussian_filter1d(ring, 2.0, axis=0, mode="wrap")
    curve = smooth * view.step_mm + np.array(view.origin_mm)
    x, y = curve[:, 0], curve[:, 1]
    area = 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)
    return curve if area > 0 else curve[::-1].copy()


def _outermost(edges: RimEdges) -> FloatArray:
    """(n,) place of the outermost clear edge on each line, outliers against neighbours dropped."""
    clear = np.where(edges.strength > 0.35, edges.edge_px, np.nan)
    with np.errstate(invalid="ignore"):
        place = np.max(np.where(np.isfinite(clear), clear, -np.inf), axis=1)
    place[~np.isfinite(place)] = np.nan
    filled = _filled(place)
    typical = median_filter(filled, size=9, mode="wrap")
    place[np.abs(place - typical) * edges.mm_per_px > 1.0] = np.nan
    return place


def _filled(values: FloatArray) -> FloatArray:
    """Gaps in a ring filled from their neighbours."""
    known = np.flatnonzero(np.isfinite(values))
    if len(known) == 0:
        return np.zeros_like(values)
    n = len(values)
    around = np.concatenate([known - n, known, known + n])
    return np.interp(np.arange(n), around, np.tile(values[known], 3))


def _carried(
    camera: CameraPose,
    edges: RimEdges,
    found: FloatArray,
    points: object,
    rim_height_mm: float,
    wall_mm: float,
) -> tuple[FloatArray, float]:
    """Edges carried to the bed frame: the far side at the rim's height, the near at the wall's foot."""
    filled = _filled(found)
    smooth = gaussian_filter1d(filled, 1.0, mode="wrap")
    known = np.isfinite(found)
    rms = float(np.sqrt(np.mean(((filled - smooth) * edges.mm_per_px)[known] ** 2)))
    seen = edges.base_px + smooth[:, None] * edges.direction
    upper = camera.meet_level(seen, rim_height_mm)
    lower = camera.meet_level(seen, rim_height_mm - wall_mm)
    # on the near side the wall's foot lies further out in the picture than the upper edge
    foot_px = camera.project_level(upper, rim_height_mm - wall_mm)
    near = np.sum((foot_px - seen) * edges.direction, axis=1) > 0.0
    return np.where(near[:, None], lower, upper), rms


def _slant(camera: CameraPose, place: FloatArray) -> float:
    """Tangent of the angle between the line of sight and the vertical."""
    offset = camera.eye_mm[:2] - place
    return float(np.hypot(offset[0], offset[1]) / camera.eye_mm[2])
