"""An outline taken from the picture itself, for a plate that has none yet."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from rig.model import polygon
from rig.model.errors import OutlineError
from rig.model.frames import BedXY, Face, Pose
from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.vision.lens import CameraPose
from rig.vision.rectify import LevelView
from rig.vision.rim_edges import RimEdges, find_rim_edges
from rig.vision.rim_points import RimPoints, longest_run, rim_points
from rig.vision.segment import BED_LIMIT, WOOD_LIMIT, Segmented, segment
from rig.vision.symmetry import find_axis

_SPACING_MM = 1.5
_LEAST_COVERED = 0.8
_LONGEST_GAP = 0.04
_WORST_MIRROR_MM = 2.0
_LEAST_NARROWING = 0.02
_USUAL_WALL_MM = 2.0
_CLEAR = 0.35
_FAINT = 0.1


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
    light: NDArray[np.float32],
    view: LevelView,
    bed_box_mm: tuple[float, float, float, float],
    camera: CameraPose,
    face: Face,
    rim_height_mm: float,
) -> TakenOutline | NoOutline:
    """Outline in the plate frame and the pose that goes with it.

    bed_box_mm: x0, y0, x1, y1 of the bed. The neck end is the narrower one. With the inner face
    up the outline is mirrored back.
    """
    seen = segment(view, bed_box_mm)
    if seen is None:
        return NoOutline("No plate can be told from the bed in this picture.")
    if np.any(seen.wood[[0, -1], :]) or np.any(seen.wood[:, [0, -1]]):
        return NoOutline("The plate reaches beyond what the camera sees of the bed.")
    curve = _contour(seen, view)
    covered, rms, wall_mm = 0.0, 0.0, min(_USUAL_WALL_MM, rim_height_mm)
    wall_seen = False
    for reach in (4.0, 2.5, 2.5):
        points = rim_points(curve, _SPACING_MM)
        edges = find_rim_edges(light, camera, points.places, points.normals, rim_height_mm, reach)
        if edges is None:
            return NoOutline("The plate's edge cannot be told from the bed.")
        found = _outermost(edges)
        found[~_wood_meets_bed(points, seen, view)] = np.nan
        covered = float(np.mean(np.isfinite(found)))
        gap = longest_run(~np.isfinite(found))
        if covered < _LEAST_COVERED or gap > _LONGEST_GAP:
            return NoOutline(
                f"Only {100.0 * covered:.0f} % of the plate's rim can be seen clearly against the "
                f"bed, and {100.0 * gap:.0f} % in one piece cannot: take away what lies on it or "
                "beside it, or give an outline file."
            )
        measured = _wall_height(camera, edges, found, points, rim_height_mm)
        if measured is not None:
            wall_mm, wall_seen = min(measured, rim_height_mm), True
        curve, rms = _carried(camera, edges, found, points, rim_height_mm, wall_mm)
    curve = np.asarray(rim_points(curve, _SPACING_MM).places)
    axis = find_axis(curve)
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
    # height and, where it does not show, wall are taken on trust: about 1 mm and 0.5 mm
    sd = float(np.hypot(0.1, slant * (1.0 if wall_seen else 1.2)))
    wall_words = "was measured" if wall_seen else "is assumed"
    note = (
        f"The height of the rim ({rim_height_mm:.1f} mm) is assumed, that of the wall below it "
        f"({wall_mm:.1f} mm) {wall_words}; a picture from nearly straight above depends on them "
        "least."
    )
    return TakenOutline(outline, pose, covered, rms, sd, (note,))


def _contour(seen: Segmented, view: LevelView) -> FloatArray:
    """The mask's edge as a counter-clockwise curve in the bed frame, lightly smoothed."""
    mask = seen.wood.astype(np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = np.asarray(max(contours, key=cv2.contourArea), dtype=np.float64)[:, 0, :]
    smooth = gaussian_filter1d(ring, 2.0, axis=0, mode="wrap")
    curve = np.asarray(smooth * view.step_mm + np.array(view.origin_mm), dtype=np.float64)
    return curve if polygon.signed_area_mm2(curve) > 0 else curve[::-1].copy()


def _outermost(edges: RimEdges) -> FloatArray:
    """(n,) place of the outermost clear edge on each line, outliers against neighbours dropped."""
    clear = np.where(edges.strength > _CLEAR, edges.edge_px, np.nan)
    place = np.max(np.where(np.isfinite(clear), clear, -np.inf), axis=1)
    place[~np.isfinite(place)] = np.nan
    typical = median_filter(_filled(place), size=9, mode="wrap")
    off = np.abs(np.nan_to_num(place) - typical) * edges.mm_per_px
    place[off > 1.0] = np.nan
    return np.asarray(place, dtype=np.float64)


def _wood_meets_bed(points: RimPoints, seen: Segmented, view: LevelView) -> NDArray[np.bool_]:
    """Whether there is bed a few millimetres outside each rim point, and wood inside."""

    def beside(raster: FloatArray, distances: tuple[float, ...]) -> FloatArray:
        values = []
        for distance in distances:
            pixel = np.round(view.pixels(points.places + distance * points.normals)).astype(int)
            row = np.clip(pixel[:, 1], 0, raster.shape[0] - 1)
            column = np.clip(pixel[:, 0], 0, raster.shape[1] - 1)
            values.append(raster[row, column])
        return np.asarray(np.median(values, axis=0))

    # a label that the plate partly covers is as good as bed
    unlike_bed = np.where(view.in_picture & ~view.seen, 0.0, seen.unlike_bed)
    bed = beside(unlike_bed, (5.0, 7.0, 9.0)) < BED_LIMIT
    wood = beside(seen.unlike_wood, (-5.0, -7.0, -9.0)) < WOOD_LIMIT
    return np.asarray(bed & wood)


def _filled(values: FloatArray) -> FloatArray:
    """Gaps in a ring filled from their neighbours."""
    known = np.flatnonzero(np.isfinite(values))
    if len(known) == 0:
        return np.zeros_like(values)
    n = len(values)
    around = np.concatenate([known - n, known, known + n])
    return np.asarray(np.interp(np.arange(n), around, np.tile(values[known], 3)))


def _wall_height(
    camera: CameraPose,
    edges: RimEdges,
    found: FloatArray,
    points: RimPoints,
    rim_height_mm: float,
) -> float | None:
    """Height of the side wall from its upper edge, a second, fainter step inside the outline.

    None where too few lines on the near side show it, or where they disagree.
    """
    upper = camera.project_level(points.places, rim_height_mm)
    lower = camera.project_level(points.places, rim_height_mm - 1.0)
    px_per_mm = np.sum((lower - upper) * edges.direction, axis=1)  # shift per mm of wall
    near = np.isfinite(found) & (px_per_mm > 0.6)
    if near.sum() < 20:
        return None
    gap = found[:, None] - edges.edge_px
    faint = (
        (edges.strength > _FAINT) & (gap > 1.2) & (gap < 5.0 * np.maximum(px_per_mm, 0)[:, None])
    )
    gap = np.where(faint & near[:, None], gap, np.nan)
    shows = np.any(np.isfinite(gap), axis=1)
    if shows.sum() < 0.5 * near.sum():
        return None
    strongest = np.argmax(np.where(np.isfinite(gap), edges.strength, -1.0), axis=1)
    height = gap[np.arange(len(gap)), strongest][shows] / px_per_mm[shows]
    middle = float(np.median(height))
    scatter = 1.48 * float(np.median(np.abs(height - middle)))
    return middle if scatter < 0.5 else None


def _carried(
    camera: CameraPose,
    edges: RimEdges,
    found: FloatArray,
    points: RimPoints,
    rim_height_mm: float,
    wall_mm: float,
) -> tuple[FloatArray, float]:
    """Edges carried to the bed frame, and their scatter.

    The far side shows the upper edge of the rim, the near side the foot of the wall below it;
    the foot stands farther out in the picture, and that much is taken off along the normal.
    """
    filled = _filled(found)
    smooth = gaussian_filter1d(filled, 0.8, mode="wrap")
    known = np.isfinite(found)
    rms = float(np.sqrt(np.mean(((filled - smooth) * edges.mm_per_px)[known] ** 2)))
    seen = edges.base_px + smooth[:, None] * edges.direction
    upper = camera.meet_level(seen, rim_height_mm)
    lower = camera.meet_level(seen, rim_height_mm - wall_mm)
    inwards = np.minimum(np.sum((lower - upper) * points.normals, axis=1), 0.0)
    return np.asarray(upper + inwards[:, None] * points.normals), rms


def _slant(camera: CameraPose, place: FloatArray) -> float:
    """Tangent of the angle between the line of sight and the vertical."""
    offset = camera.eye_mm[:2] - place
    return float(np.hypot(offset[0], offset[1]) / camera.eye_mm[2])
