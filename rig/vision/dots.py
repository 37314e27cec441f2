"""Ink dots on pale paper: where on the bed each one lies, to a fraction of a pixel.

The ink is what is darker than the paper around it; the centre is the middle of its darkness, in
linear light, so that neither the threshold nor the camera's coding moves it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.vision.lens import CameraPose, linear_light

_LEAST_CONTRAST = 0.12  # of the paper's own light
_LEAST_PIXELS = 3.0


@dataclass(frozen=True)
class DotsSeen:
    """places_mm: (n, 2) on the bed; pixels: (n, 2); diameter_mm: (n,) of a disc of that area."""

    places_mm: FloatArray
    pixels: FloatArray
    diameter_mm: FloatArray


def find_dots(
    grey: NDArray[np.uint8],
    camera: CameraPose,
    *,
    diameter_mm: tuple[float, float] = (0.6, 4.0),
    area_mm: tuple[float, float, float, float] | None = None,
    height_mm: float = 0.1,
) -> DotsSeen:
    """Find all round dark dots of such a diameter.

    grey: (rows, columns) uint8. area_mm: x0, y0, x1, y1 on the bed, outside of which nothing is
    sought; height_mm: of the paper's face above the bed. Blots that are not round are left out.
    """
    light = linear_light(grey)
    scale_px = _pixels_per_mm(camera, grey.shape, area_mm)
    size = int(min(max(2 * round(2.5 * diameter_mm[1] * scale_px) + 1, 9), 255))
    small = cv2.morphologyEx(
        light, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    )
    paper = np.maximum(cv2.GaussianBlur(small, (0, 0), size / 4.0), 1e-4)
    darkness = (1.0 - light / paper).astype(np.float32)  # noise on bare paper: either sign
    ink = (darkness > _LEAST_CONTRAST).astype(np.uint8)
    count, numbered, stats, _ = cv2.connectedComponentsWithStats(ink, connectivity=8)
    labels = np.asarray(numbered, dtype=np.int32)
    pixels, areas = [], []
    for number in range(1, count):
        x, y, width, height, area = (int(v) for v in stats[number])
        biggest = (1.6 * diameter_mm[1] * scale_px) ** 2
        if not (_LEAST_PIXELS <= area <= biggest) or max(width, height) > 4 * min(width, height):
            continue
        if x < 2 or y < 2 or x + width > grey.shape[1] - 2 or y + height > grey.shape[0] - 2:
            continue
        found = _centre(darkness, labels, number, (x, y, width, height))
        if found is not None:
            pixels.append(found[:2])
            areas.append(found[2])
    if not pixels:
        empty = np.empty((0, 2))
        return DotsSeen(empty, empty, np.empty(0))
    at = np.array(pixels)
    places = camera.meet_level(at, height_mm)
    diameter = np.sqrt(4.0 / np.pi * np.array(areas) * _mm2_per_pixel(camera, at, height_mm))
    good = (diameter >= diameter_mm[0]) & (diameter <= diameter_mm[1])
    if area_mm is not None:
        x0, y0, x1, y1 = area_mm
        good &= (places[:, 0] >= x0) & (places[:, 0] <= x1)
        good &= (places[:, 1] >= y0) & (places[:, 1] <= y1)
    return DotsSeen(places[good], at[good], diameter[good])


def _centre(
    darkness: NDArray[np.float32],
    labels: NDArray[np.int32],
    number: int,
    box: tuple[int, int, int, int],
) -> tuple[float, float, float] | None:
    """Middle of the darkness (x, y) and its area in pixels of full ink; None if it is no disc."""
    x, y, width, height = box
    window = (slice(y - 2, y + height + 2), slice(x - 2, x + width + 2))
    own = labels[window] == number
    grown = cv2.dilate(own.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    others = (labels[window] > 0) & ~own
    weight = np.where(grown & ~others, np.clip(darkness[window], 0.0, 1.0), 0.0).astype(np.float64)
    total = float(weight.sum())
    if total <= 0.0:
        return None
    rows, columns = np.indices(weight.shape)
    cx, cy = float((weight * columns).sum() / total), float((weight * rows).sum() / total)
    dx, dy = columns - cx, rows - cy
    spread = np.array(
        [
            [(weight * dx * dx).sum(), (weight * dx * dy).sum()],
            [(weight * dx * dy).sum(), (weight * dy * dy).sum()],
        ]
    )
    least, most = np.linalg.eigvalsh(spread / total)
    area = total / max(float(np.percentile(weight[own], 95)), 1e-6)
    # a disc seen aslant is an ellipse; a stroke or a letter has far more spread for its area
    if least <= 0.0 or most > 9.0 * least:
        return None
    filled = area / (4.0 * np.pi * np.sqrt(least * most))
    if filled < 0.35:  # a sharp disc has 1, a dot as small as the lens's blur 0.5
        return None
    cx, cy = _settled(darkness, labels, number, (cx + x - 2, cy + y - 2), spread / total)
    return cx, cy, area


def _settled(
    darkness: NDArray[np.float32],
    labels: NDArray[np.int32],
    number: int,
    start: tuple[float, float],
    spread: FloatArray,
) -> tuple[float, float]:
    """The centre under a bell of the dot's own width, found anew until it stands still.

    The bell gives the noisy outskirts little weight and no pixel a say of all or nothing, as the
    edge of a window would (adaptive moments: Bernstein & Jarvis, Astron. J. 123 (2002) 583). Each
    step is doubled, for under a bell as wide as the dot the middle moves half the way.
    """
    precision = np.linalg.inv(spread + 0.1 * np.eye(2))
    reach = int(np.ceil(3.0 * np.sqrt(np.linalg.eigvalsh(spread)[1]))) + 1
    cx, cy = start
    x, y = round(cx), round(cy)
    rows, columns = darkness.shape
    window = (slice(max(y - reach, 0), min(y + reach + 1, rows)),
              slice(max(x - reach, 0), min(x + reach + 1, columns)))  # fmt: skip
    ink = labels[window]
    light = np.where((ink == 0) | (ink == number), darkness[window], 0.0).astype(np.float64)
    v, u = np.mgrid[window]
    for _ in range(6):
        du, dv = u - cx, v - cy
        far = precision[0, 0] * du * du + 2 * precision[0, 1] * du * dv + precision[1, 1] * dv * dv
        weight = light * np.exp(-0.5 * far)
        total = float(weight.sum())
        if total <= 0.0:
            return start
        cx += 2.0 * float((weight * du).sum()) / total
        cy += 2.0 * float((weight * dv).sum()) / total
    if np.hypot(cx - start[0], cy - start[1]) > 1.0:
        return start
    return cx, cy


def _mm2_per_pixel(camera: CameraPose, at: FloatArray, height_mm: float) -> FloatArray:
    here = camera.meet_level(at, height_mm)
    right = camera.meet_level(at + np.array([1.0, 0.0]), height_mm) - here
    down = camera.meet_level(at + np.array([0.0, 1.0]), height_mm) - here
    return np.abs(right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0])


def _pixels_per_mm(
    camera: CameraPose, shape: tuple[int, ...], area_mm: tuple[float, float, float, float] | None
) -> float:
    """About the middle of the area, or of the picture."""
    if area_mm is None:
        middle = np.array([[0.5 * shape[1], 0.5 * shape[0]]])
    else:
        place = np.array([[0.5 * (area_mm[0] + area_mm[2]), 0.5 * (area_mm[1] + area_mm[3])]])
        middle = camera.project_level(place, 0.0)
    area = float(_mm2_per_pixel(camera, middle, 0.0)[0])
    return float(1.0 / np.sqrt(max(area, 1e-6)))
