"""The bed seen from straight above, at one height, and the edges in that view."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.rig_settings import BedSettings
from rig.model.units import FloatArray
from rig.vision.lens import CameraPose

_DIRECTIONS = 16
_LABEL = 0.78  # half the side of a marker's label, as a part of the marker's side


@dataclass(frozen=True)
class LevelView:
    """Picture of the level plane: row y, column x of the bed frame.

    picture: (rows, columns, 3) uint8; in_picture: (rows, columns) bool, False outside the camera's
    picture; seen: the same, but False on marker labels too; origin_mm: bed place of the middle of
    pixel (0, 0).
    """

    picture: NDArray[np.uint8]
    in_picture: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    origin_mm: tuple[float, float]
    step_mm: float

    def pixels(self, xy_mm: FloatArray) -> FloatArray:
        """(n, 2) bed-frame mm to (n, 2) column, row."""
        return np.asarray((xy_mm - np.array(self.origin_mm)) / self.step_mm, dtype=np.float64)


def level_view(
    picture: NDArray[np.uint8],
    camera: CameraPose,
    bed: BedSettings,
    height_mm: float,
    step_mm: float = 1.0,
    margin_mm: float = 60.0,
) -> LevelView:
    """Look straight down on the bed, `margin_mm` beyond its edges included."""
    columns = int((bed.width_mm + 2.0 * margin_mm) / step_mm)
    rows = int((bed.depth_mm + 2.0 * margin_mm) / step_mm)
    origin = (0.5 * step_mm - margin_mm, 0.5 * step_mm - margin_mm)
    # The mapping is smooth: work it out every few steps and fill in between.
    coarse = 6
    grid_x = np.arange(0, columns + coarse, coarse)
    grid_y = np.arange(0, rows + coarse, coarse)
    X, Y = np.meshgrid(origin[0] + step_mm * grid_x, origin[1] + step_mm * grid_y)
    uv = camera.project_level(np.column_stack([X.ravel(), Y.ravel()]), height_mm)
    uv = np.nan_to_num(uv, nan=-1e4).astype(np.float32)
    shrink = np.array([[1.0 / coarse, 0.0, 0.0], [0.0, 1.0 / coarse, 0.0]])
    u, v = (
        cv2.warpAffine(
            uv[:, i].reshape(X.shape),
            shrink,
            (columns, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for i in range(2)
    )
    height, width = picture.shape[:2]
    in_picture = (u > 1.0) & (v > 1.0) & (u < width - 2.0) & (v < height - 2.0)
    seen = in_picture.copy()
    level = cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    for marker in bed.markers:
        centre = camera.project_level(np.array([[marker.x_mm, marker.y_mm]]), 0.0)
        if not np.all(np.isfinite(centre)):
            continue
        x, y = camera.meet_level(centre, height_mm)[0]
        reach = _LABEL * marker.size_mm
        left, right = ((v0 - origin[0]) / step_mm for v0 in (x - reach, x + reach))
        low, high = ((v0 - origin[1]) / step_mm for v0 in (y - reach, y + reach))
        seen[
            max(int(low), 0) : max(int(high) + 1, 0), max(int(left), 0) : max(int(right) + 1, 0)
        ] = False
    return LevelView(np.asarray(level, dtype=np.uint8), in_picture, seen, origin, step_mm)


@dataclass(frozen=True)
class EdgeField:
    """How strongly and which way the picture changes at each place.

    edges: (rows, columns) complex64; absolute value 0 (even) … 1 (clear edge), argument twice the
    direction of the steepest change, so that light-to-dark and dark-to-light count alike.
    """

    edges: NDArray[np.complex64]
    view: LevelView

    def agreement(self, xy_mm: FloatArray, normals: FloatArray) -> FloatArray:
        """How well an edge with these normals fits at these places: 1 fully, −1 lies across.

        xy_mm, normals: (..., 2), normals of unit length; result (...).
        """
        shape = xy_mm.shape[:-1]
        pixels = self.view.pixels(xy_mm.reshape(-1, 2)).astype(np.float32)
        u = pixels[:, 0].reshape(len(pixels), 1)
        v = pixels[:, 1].reshape(len(pixels), 1)
        both = self.edges.view(np.float32).reshape(*self.edges.shape, 2)
        found = cv2.remap(both, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        found = np.asarray(found, dtype=np.float64).reshape(*shape, 2)
        nx, ny = normals[..., 0], normals[..., 1]
        return np.asarray(found[..., 0] * (nx * nx - ny * ny) + found[..., 1] * 2.0 * nx * ny)


def edge_field(view: LevelView, blur_mm: float = 1.4) -> EdgeField:
    """Edges of all three colours together, each weighed against the texture of the whole view."""
    smooth = cv2.GaussianBlur(view.picture.astype(np.float32), (0, 0), blur_mm / view.step_mm)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
    real = np.sum(gx * gx - gy * gy, axis=2)
    imaginary = np.sum(2.0 * gx * gy, axis=2)
    power = np.hypot(real, imaginary)
    steepness = np.sqrt(power)
    inner = cv2.erode(view.seen.astype(np.uint8), np.ones((7, 7), dtype=np.uint8)) > 0
    usual = float(np.median(steepness[inner])) if inner.any() else 1.0
    weight = inner / np.maximum(power, 1e-6) * steepness / (steepness + 2.5 * usual + 2.0)
    weight = weight * _rarity(real, imaginary, power * weight)
    edges = np.empty(power.shape, dtype=np.complex64)
    edges.real = real * weight
    edges.imag = imaginary * weight
    return EdgeField(edges, view)


def _rarity(
    real: NDArray[np.float32], imaginary: NDArray[np.float32], strength: FloatArray
) -> NDArray[np.float32]:
    """Less than 1 for edges of a direction that the whole view is full of: the grain of a bed.

    A rim turns to all sides, so that edges of one direction which outweigh their even share are
    mostly not of it.
    """
    turn = cv2.phase(real, imaginary)  # 0 … 2π, of the doubled angle
    index = np.minimum(turn * np.float32(_DIRECTIONS / (2.0 * np.pi)), _DIRECTIONS - 1)
    index = index.astype(np.uint8)
    total = np.bincount(index.ravel(), strength.ravel(), _DIRECTIONS)
    total = 0.5 * total + 0.25 * (np.roll(total, 1) + np.roll(total, -1))
    share = total * _DIRECTIONS / max(float(total.sum()), 1e-9)
    factor = np.minimum(1.0 / np.maximum(share, 1e-6), 1.0).astype(np.float32)
    return np.asarray(factor[index], dtype=np.float32)
