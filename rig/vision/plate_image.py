"""A picture of the bed laid under the plate's own frame, as if the camera stood straight above."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.errors import PictureError
from rig.model.frames import PlateXY, Pose
from rig.model.outline import Outline
from rig.model.rig_settings import RigSettings
from rig.model.units import FloatArray
from rig.vision.bed import NoBed, find_bed

_COARSE_MM = 6.0


@dataclass(frozen=True)
class PlateImage:
    """rgb: (ny, nx, 3) uint8 in red, green, blue, rows from the lowest y upwards; seen: (ny, nx)
    bool, False outside the camera's picture; box_mm: x, y of the lower left corner, width, height
    in the plate frame."""

    rgb: NDArray[np.uint8]
    seen: NDArray[np.bool_]
    box_mm: tuple[float, float, float, float]


def plate_image(
    picture: NDArray[np.uint8],
    settings: RigSettings,
    pose: Pose,
    outline: Outline,
    *,
    rim_height_mm: float,
    rise_mm: Callable[[FloatArray], FloatArray] | None = None,
    step_mm: float = 0.5,
    margin_mm: float = 20.0,
) -> PlateImage:
    """Look straight down on a plate that lies at a known pose.

    picture: (rows, columns, 3) uint8 in blue, green, red; rise_mm: height (n,) of the face above
    its rim at (n, 2) places, flat without it. Raises PictureError where the bed's markers are not
    seen.
    """
    grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    bed = find_bed(grey, settings.bed, settings.camera.lens)
    if isinstance(bed, NoBed):
        raise PictureError("The bed is not seen in the picture.", remedy=bed.reason)
    low = outline.rim.min(axis=0) - margin_mm
    high = outline.rim.max(axis=0) + margin_mm
    columns, rows = (int(np.ceil(side / step_mm)) for side in high - low)
    # the mapping is smooth: work it out every few millimetres and fill in between
    x, y = (np.arange(a, b + 2 * _COARSE_MM, _COARSE_MM) for a, b in zip(low, high, strict=True))
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    height = np.full(len(places), rim_height_mm)
    if rise_mm is not None:
        on_wood = outline.contains(places)
        height[on_wood] += rise_mm(places[on_wood])
    uv = bed.camera.project(np.column_stack([pose.to_bed(PlateXY(places)), height]))
    at = np.nan_to_num(uv, nan=-1e4).astype(np.float32).reshape(len(y), len(x), 2)
    shrink = step_mm / _COARSE_MM
    half = 0.5 * shrink  # the middle of a pixel lies half a step inside its corner
    into = np.array([[shrink, 0.0, half], [0.0, shrink, half]])
    u, v = (
        cv2.warpAffine(
            np.ascontiguousarray(at[..., k]), into, (columns, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
        )
        for k in range(2)
    )  # fmt: skip
    tall, wide = picture.shape[:2]
    seen = (u > 0.0) & (v > 0.0) & (u < wide - 1.0) & (v < tall - 1.0)
    flat = cv2.remap(picture, u, v, cv2.INTER_LINEAR)
    box = (float(low[0]), float(low[1]), columns * step_mm, rows * step_mm)
    return PlateImage(np.ascontiguousarray(flat[..., ::-1]), np.asarray(seen), box)
