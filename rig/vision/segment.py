"""Which part of the level view is wood: no outline is known, only that the bed is one material."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.vision.lens import linear_light
from rig.vision.rectify import LevelView
from rig.vision.wood_light import learn_wood

_SHADOW_SPREAD = 0.18  # of the logarithm of brightness, that shading alone may cause
_LEAST_PLATE_MM2 = 8000.0
WOOD_LIMIT = 6.0
BED_LIMIT = 6.0


@dataclass(frozen=True)
class Segmented:
    """wood: (rows, columns) True on the plate; unlike_bed, unlike_wood: how little each place looks
    like the one and the other, in spreads; below BED_LIMIT it is bed, below WOOD_LIMIT wood.
    """

    wood: NDArray[np.bool_]
    unlike_bed: FloatArray
    unlike_wood: FloatArray


def segment(view: LevelView, inside_mm: tuple[float, float, float, float]) -> Segmented | None:
    """Part plate from bed; None when nothing stands out.

    inside_mm: x0, y0, x1, y1 of the bed, which the bed's colour is learned from.
    """
    rows, columns = view.seen.shape
    x = view.origin_mm[0] + view.step_mm * np.arange(columns, dtype=np.float64)
    y = view.origin_mm[1] + view.step_mm * np.arange(rows, dtype=np.float64)
    on_bed = (
        ((x > inside_mm[0] + 3.0) & (x < inside_mm[2] - 3.0))[None, :]
        & ((y > inside_mm[1] + 3.0) & (y < inside_mm[3] - 3.0))[:, None]
        & view.seen
    )
    if on_bed.mean() < 0.1:
        return None
    blurred = cv2.GaussianBlur(view.picture, (0, 0), 1.0 / view.step_mm)
    smooth = np.asarray(blurred, dtype=np.uint8)
    strange = _strangeness(smooth, on_bed, x, y)
    plain = strange[on_bed]
    limit = max(_otsu(plain), 3.0)
    rough = (strange > limit) & on_bed
    body = _largest_body(rough, view.step_mm)
    if body is None:
        return None
    light = linear_light(smooth)
    unlike_wood = strange
    for _ in range(2):
        near = np.ones((3, 3), dtype=np.uint8)
        core = cv2.erode(body.astype(np.uint8), near, iterations=int(6 / view.step_mm)) > 0
        close = cv2.dilate(body.astype(np.uint8), near, iterations=int(6 / view.step_mm)) > 0
        around = cv2.dilate(body.astype(np.uint8), near, iterations=int(30 / view.step_mm)) > 0
        measure = learn_wood(light[core][::5], light[around & ~close & on_bed][::5])
        if measure is None or measure.contrast < 0.55:
            return None
        wide = cv2.dilate(body.astype(np.uint8), near, iterations=int(20 / view.step_mm)) > 0
        # labels are bed until the plate covers them; tools and hands are not of the wood's colour
        unlike_wood = _strangeness(smooth, core, x, y)
        wood = (measure.of(light) > 0.5) & (unlike_wood < 1.4 * WOOD_LIMIT)
        better = _largest_body(wood & wide & view.in_picture, view.step_mm)
        if better is None:
            return None
        body = better
    return Segmented(body, strange, unlike_wood)


def _strangeness(
    picture: NDArray[np.uint8], sample: NDArray[np.bool_], x: FloatArray, y: FloatArray
) -> FloatArray:
    """Distance of each pixel's colour from what the sampled surface should look like there.

    In spreads. The log colour is a quadratic surface fitted robustly; differences of brightness
    alone count less, so that shadows change nothing.
    """
    log_colour = np.log(linear_light(picture) + 0.01).astype(np.float64)
    u = 2.0 * (x - x.mean()) / np.ptp(x)
    v = 2.0 * (y - y.mean()) / np.ptp(y)
    U, V = np.meshgrid(u, v)
    design = np.stack([np.ones_like(U), U, V, U * U, U * V, V * V], axis=-1)
    places = np.flatnonzero(sample)[::17]
    rows = design.reshape(-1, 6)[places]
    colours = log_colour.reshape(-1, 3)[places]
    surface = np.zeros((6, 3))
    surface[0] = np.median(colours, axis=0)
    weight = np.ones(len(rows))
    for _ in range(12):
        gap = colours - rows @ surface
        size = np.sqrt(np.sum(gap * gap, axis=1))
        usual = max(1.48 * float(np.median(size)), 0.03)
        weight = 1.0 / (1.0 + (size / usual) ** 4)
        surface = np.linalg.solve(
            rows.T @ (weight[:, None] * rows) + 1e-6 * np.eye(6),
            rows.T @ (weight[:, None] * colours),
        )
    gap = colours - rows @ surface
    scatter = (gap * weight[:, None]).T @ gap / np.sum(weight)
    scatter = scatter + _SHADOW_SPREAD**2 / 3.0 * np.ones((3, 3)) + 0.02**2 * np.eye(3)
    everywhere = log_colour - design @ surface
    distance2 = np.einsum("ijk,kl,ijl->ij", everywhere, np.linalg.inv(scatter), everywhere)
    return np.asarray(np.sqrt(distance2), dtype=np.float64)


def _otsu(values: FloatArray) -> float:
    """The threshold that parts the values best (Otsu 1979)."""
    top = float(np.quantile(values, 0.999)) + 1e-6
    coded = np.clip(values / top * 255.0, 0, 255).astype(np.uint8)
    threshold, _ = cv2.threshold(coded.reshape(1, -1), 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    return float(threshold) / 255.0 * top


def _largest_body(mask: NDArray[np.bool_], step_mm: float) -> NDArray[np.bool_] | None:
    """The largest connected part, its holes filled; None when it is too small for a plate."""
    size = max(3, round(4.0 / step_mm) | 1)
    brush = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    tidy = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, brush)
    tidy = cv2.morphologyEx(tidy, cv2.MORPH_CLOSE, brush)
    contours, _ = cv2.findContours(tidy, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    largest = max(contours, key=cv2.contourArea)
    if cv2.contourArea(largest) * step_mm**2 < _LEAST_PLATE_MM2:
        return None
    body = np.zeros(mask.shape, dtype=np.uint8)
    cv2.drawContours(body, [largest], -1, 1, thickness=cv2.FILLED)
    return body > 0
