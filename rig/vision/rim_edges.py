"""Where the edge of the wood lies in the picture, on lines across an expected rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from rig.model.units import FloatArray
from rig.vision.lens import CameraPose
from rig.vision.profiles import falling_edges, sample_lines
from rig.vision.wood_light import WoodMeasure, learn_wood

_CLIPPED = 0.985  # of the most light that a picture can hold


@dataclass(frozen=True)
class RimEdges:
    """Edges found on lines across the rim.

    base_px, direction: (n, 2), start of each line and its outward unit vector in the picture;
    mm_per_px: (n,) bed millimetres along the line; edge_px, strength: (n, k), distance along the
    line (NaN: none) and its height relative to the usual step from wood to bed; in_picture: (n,);
    burnt: (n,) 1 where the light just inside is more than the camera could take, −1 where that
    outside is, so that the edge seems to lie farther out, or in, than it does; burnt_share: of the
    lines with either.
    """

    base_px: FloatArray
    direction: FloatArray
    mm_per_px: FloatArray
    edge_px: FloatArray
    strength: FloatArray
    in_picture: NDArray[np.bool_]
    burnt: FloatArray
    burnt_share: float
    measure: WoodMeasure


def picture_lines(
    camera: CameraPose, places_mm: FloatArray, normals: FloatArray, height_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Level places with outward normals to pixels, outward unit vectors and mm per pixel.

    The vectors stand square to the rim as the picture shows it, so that sliding along the rim
    makes no difference.
    """
    tangents = np.column_stack([-normals[:, 1], normals[:, 0]])
    base = camera.project_level(places_mm, height_mm)
    along = camera.project_level(places_mm + 0.5 * tangents, height_mm) - base
    outward = camera.project_level(places_mm + 0.5 * normals, height_mm) - base
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)[:, None]
    direction = outward - np.sum(outward * along, axis=1)[:, None] * along
    per_half_mm = np.maximum(np.hypot(direction[:, 0], direction[:, 1]), 1e-9)
    return base, direction / per_half_mm[:, None], 0.5 / per_half_mm


def find_rim_edges(
    light: NDArray[np.float32],
    camera: CameraPose,
    places_mm: FloatArray,
    normals: FloatArray,
    height_mm: float,
    reach_mm: float,
    measure: WoodMeasure | None = None,
    *,
    along_lines: float = 0.0,
) -> RimEdges | None:
    """Look for the edge of the wood within `reach_mm` of the expected rim.

    light: (rows, columns, 3) linear; places_mm, normals: (n, 2), bed frame. The measure of wood
    is learned from beyond the reach on both sides unless it is given. along_lines: over how many
    neighbouring lines light is averaged, against the grain of a wooden bed. None when wood and bed
    cannot be told apart.
    """
    base, direction, mm_per_px = picture_lines(camera, places_mm, normals, height_mm)
    base = np.nan_to_num(base, nan=-1e4)
    band_mm = max(reach_mm, 3.5)
    px_per_mm = 1.0 / float(np.median(mm_per_px))
    step = 0.5
    half = np.ceil((band_mm + 5.0) * px_per_mm / step) * step
    along = np.arange(-half, half + 0.25, step)
    low = base.min(axis=0) - half - 4.0
    high = base.max(axis=0) + half + 5.0
    size = np.array([light.shape[1], light.shape[0]])
    if np.any(np.minimum(high, size) - np.maximum(low, 0.0) < 8.0):
        return None
    lines = sample_lines(light, base, direction, along)
    off_mm = along[None, :] * mm_per_px[:, None]
    if measure is None:
        measure = learn_wood(
            lines[(off_mm < -band_mm) & (off_mm > -band_mm - 5.0)],
            lines[(off_mm > band_mm) & (off_mm < band_mm + 5.0)],
        )
        if measure is None:
            return None
    profile = measure.of(lines)
    if along_lines > 0.0:
        profile = gaussian_filter1d(profile, along_lines, axis=0, mode="wrap")
    place, strength = falling_edges(profile, step, 1.0)
    edge = place + along[0]
    outside_reach = np.abs(edge) * mm_per_px[:, None] > reach_mm
    edge[outside_reach] = np.nan
    strength[~np.isfinite(edge)] = 0.0
    middle = np.abs(off_mm) <= reach_mm
    whole = np.array([np.all(np.isfinite(row[m])) for row, m in zip(profile, middle, strict=True)])
    burnt, share = _burnt(lines, place[:, 0], step)
    return RimEdges(base, direction, mm_per_px, edge, strength, whole, burnt, share, measure)


def _burnt(light: NDArray[np.float32], edge: FloatArray, step: float) -> tuple[FloatArray, float]:
    """1 where the light just inside the strongest edge is clipped, −1 where it is outside, or 0.

    And the part of all lines with clipped light on either side.
    """
    columns = light.shape[1]
    at = np.nan_to_num(edge / step, nan=0.0).astype(int)
    rows = np.arange(len(light))

    def clipped(from_px: float, to_px: float) -> NDArray[np.bool_]:
        most = np.zeros(len(light))
        for off in np.arange(from_px, to_px, 0.5):
            column = np.clip(at + int(off / step), 0, columns - 1)
            # the second of the three colours: one alone at its limit does little harm
            most = np.maximum(most, np.sort(np.nan_to_num(light[rows, column]), axis=1)[:, 1])
        return most > _CLIPPED

    inside, outside = clipped(-3.5, -1.0), clipped(1.0, 3.5)
    sides = np.where(np.isfinite(edge), inside.astype(float) - outside.astype(float), 0.0)
    return sides, float(np.mean(inside | outside))
