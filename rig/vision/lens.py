"""Pinhole camera with radial distortion, in OpenCV's convention, and the coding of light.

Pixel centres lie at whole numbers. Distortion: x_seen = x·(1 + k1·r² + k2·r⁴), likewise y.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.rig_settings import LensSettings
from rig.model.units import FloatArray


def distort(ideal: FloatArray, lens: LensSettings) -> FloatArray:
    """(n, 2) ideal coordinates (x/z, y/z) to (n, 2) pixels."""
    r2 = np.sum(ideal * ideal, axis=1)
    stretch = 1.0 + lens.k1 * r2 + lens.k2 * r2 * r2
    seen = ideal * stretch[:, None]
    return np.column_stack([lens.fx * seen[:, 0] + lens.cx, lens.fy * seen[:, 1] + lens.cy])


def undistort(pixels: FloatArray, lens: LensSettings) -> FloatArray:
    """(n, 2) pixels to (n, 2) ideal coordinates, by Newton's method on the radius."""
    seen = np.column_stack([(pixels[:, 0] - lens.cx) / lens.fx, (pixels[:, 1] - lens.cy) / lens.fy])
    r_seen = np.hypot(seen[:, 0], seen[:, 1])
    r = r_seen.copy()
    for _ in range(12):
        error = r * (1.0 + lens.k1 * r**2 + lens.k2 * r**4) - r_seen
        slope = 1.0 + 3.0 * lens.k1 * r**2 + 5.0 * lens.k2 * r**4
        r = r - error / np.maximum(slope, 0.1)
    ratio = np.where(r_seen > 1e-12, r / np.maximum(r_seen, 1e-12), 1.0)
    return np.asarray(seen * ratio[:, None], dtype=np.float64)


@dataclass(frozen=True)
class CameraPose:
    """A camera over the bed: ideal camera coordinates = rotation · bed point + shift.

    rotation: (3, 3); shift_mm: (3,); bed points are (n, 3) mm with z upwards.
    """

    lens: LensSettings
    rotation: FloatArray
    shift_mm: FloatArray

    @property
    def eye_mm(self) -> FloatArray:
        """Where the camera is, bed frame; (3,)."""
        return np.asarray(-self.rotation.T @ self.shift_mm, dtype=np.float64)

    def project(self, points_mm: FloatArray) -> FloatArray:
        """(n, 3) bed-frame points to (n, 2) pixels; NaN behind the camera."""
        camera = points_mm @ self.rotation.T + self.shift_mm
        depth = np.where(camera[:, 2] > 1.0, camera[:, 2], np.nan)
        return distort(camera[:, :2] / depth[:, None], self.lens)

    def project_level(self, xy_mm: FloatArray, height_mm: float) -> FloatArray:
        """(n, 2) bed-frame places at one height to (n, 2) pixels."""
        return self.project(np.column_stack([xy_mm, np.full(len(xy_mm), height_mm)]))

    def meet_level(self, pixels: FloatArray, height_mm: float) -> FloatArray:
        """(n, 2) pixels to the (n, 2) bed-frame places at this height that they show."""
        ideal = undistort(pixels, self.lens)
        rays = np.column_stack([ideal, np.ones(len(ideal))]) @ self.rotation
        eye = self.eye_mm
        reach = (height_mm - eye[2]) / rays[:, 2]
        return np.asarray(eye[:2] + reach[:, None] * rays[:, :2], dtype=np.float64)


def linear_light(coded: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Undo the sRGB curve (IEC 61966-2-1): 0…255 to light 0…1, same shape."""
    if coded.ndim in (2, 3) and coded.size:
        return np.asarray(cv2.LUT(coded, _LINEAR), dtype=np.float32)  # ten times as fast
    return _LINEAR[coded]


def _linear_table() -> NDArray[np.float32]:
    value = np.arange(256) / 255.0
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return light.astype(np.float32)


_LINEAR = _linear_table()
