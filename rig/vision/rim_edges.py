"""Where the edge of the wood lies in the picture, on lines across an expected rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.vision.lens import CameraPose, linear_light
from rig.vision.profiles import falling_edges, sample_lines
from rig.vision.wood_light import WoodMeasure, learn_wood


@dataclass(frozen=True)
class RimEdges:
    """Edges found on lines across the rim.

    base_px, direction: (n, 2), start of each line and its outward unit vector in the picture;
    mm_per_px: (n,) bed millimetres along the line; edge_px, strength: (n, k), distance along the
    line (NaN: none) and its height relative to the usual step from wood to bed; in_picture: (n,).
    """

    base_px: FloatArray
    direction: FloatArray
    mm_per_px: FloatArray
    edge_px: FloatArray
    strength: FloatArray
    in_picture: NDArray[np.bool_]
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
    picture: NDArray[np.uint8],
    camera: CameraPose,
    places_mm: FloatArray,
    normals: FloatArray,
    height_mm: float,
    reach_mm: float,
    measure: WoodMeasure | None = None,
) -> RimEdges | None:
    """Look for the edge of the wood within `reach_mm` of the expected rim.

    picture: (rows, columns, 3) uint8; places_mm, normals: (n, 2), bed frame. The measure of wood
    is learned from beyond the reach on both sides unless it is given. None when wood and bed
    cannot be told apart.
    """
    base, direction, mm_per_px = picture_lines(camera, places_mm, normals, height_mm)
    base = np.nan_to_num(base, nan=-1e4)
    band_mm = max(reach_mm, 3.5)
    px_per_mm = 1.0 / float(np.median(mm_per_px))
    step = 0.5
    half = np.ceil((band_mm + 5.0) * px_per_mm / step) * step
    along = np.arange(-half, half + 0.25, step)
    low = np.floor(np.clip(base.min(axis=0) - half - 4.0, 0.0, None)).astype(int)
    high = np.ceil(base.max(axis=0) + half + 5.0).astype(int)
    crop = picture[low[1] : max(high[1], 0), low[0] : max(high[0], 0)]
    if crop.shape[0] < 8 or crop.shape[1] < 8:
        return None
    light = sample_lines(linear_light(crop), base - low, direction, along)
    off_mm = along[None, :] * mm_per_px[:, None]
    if measure is None:
        measure = learn_wood(
            light[(off_mm < -band_mm) & (off_mm > -band_mm - 5.0)],
            light[(off_mm > band_mm) & (off_mm < band_mm + 5.0)],
        )
        if measure is None:
            return None
    profile = measure.of(light)
    place, strength = falling_edges(profile, step, 1.0)
    edge = place + along[0]
    outside_reach = np.abs(edge) * mm_per_px[:, None] > reach_mm
    edge[outside_reach] = np.nan
    strength[~np.isfinite(edge)] = 0.0
    middle = np.abs(off_mm) <= reach_mm
    whole = np.array([np.all(np.isfinite(row[m])) for row, m in zip(profile, middle, strict=True)])
    return RimEdges(base, direction, mm_per_px, edge, strength, whole, measure)
