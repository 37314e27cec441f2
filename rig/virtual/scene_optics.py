"""Pinhole camera with radial distortion, written for the virtual world alone.

The product has its own optics in `rig/vision/`; sharing them would let a common mistake cancel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.rig_settings import LensSettings
from rig.model.units import FloatArray

PICTURE_WIDTH_PX = 1920
PICTURE_HEIGHT_PX = 1080


@dataclass(frozen=True)
class View:
    """Where the camera hangs and looks, bed frame in mm (z up); roll about its own axis."""

    eye_mm: tuple[float, float, float]
    target_mm: tuple[float, float, float]
    roll_deg: float = 0.0

    def rotation(self) -> FloatArray:
        """(3, 3): rows are the camera's right, down and forward axes in the bed frame."""
        forward = np.subtract(self.target_mm, self.eye_mm).astype(np.float64)
        forward /= np.linalg.norm(forward)
        straight_down = abs(forward[2]) > 1.0 - 1e-9
        right = np.cross(forward, [0.0, 1.0, 0.0] if straight_down else [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        c, s = np.cos(np.deg2rad(self.roll_deg)), np.sin(np.deg2rad(self.roll_deg))
        return np.vstack([c * right + s * down, -s * right + c * down, forward])


def project(points_mm: FloatArray, view: View, lens: LensSettings) -> FloatArray:
    """Carry (n, 3) points of the bed frame into the picture; (n, 2) px."""
    camera = (points_mm - np.array(view.eye_mm)) @ view.rotation().T
    x, y = camera[:, 0] / camera[:, 2], camera[:, 1] / camera[:, 2]
    r2 = x * x + y * y
    stretch = 1.0 + lens.k1 * r2 + lens.k2 * r2 * r2
    return np.column_stack([lens.fx * x * stretch + lens.cx, lens.fy * y * stretch + lens.cy])


def undistortion_polynomial(lens: LensSettings) -> FloatArray:
    """Coefficients (highest first) of x_ideal / x_seen as a polynomial in the seen radius squared.

    Fitted over the whole picture; its error is far below a hundredth of a pixel.
    """
    u = max(lens.cx, PICTURE_WIDTH_PX - lens.cx) / lens.fx
    v = max(lens.cy, PICTURE_HEIGHT_PX - lens.cy) / lens.fy
    ideal = np.linspace(0.0, 1.25 * np.hypot(u, v), 600)
    seen = ideal * (1.0 + lens.k1 * ideal**2 + lens.k2 * ideal**4)
    turned_back = np.flatnonzero(np.diff(seen) <= 0.0)
    last = int(turned_back[0]) if len(turned_back) else len(ideal)
    ratio = np.ones(last)
    ratio[1:] = ideal[1:last] / seen[1:last]
    return np.asarray(np.polyfit(seen[:last] ** 2, ratio, 7), dtype=np.float64)


@dataclass(frozen=True)
class Rays:
    """Directions of light for a band of sample rows, as they leave the eye; (rows, columns)."""

    eye_mm: FloatArray
    x: FloatArray
    y: FloatArray
    z: FloatArray

    def meet_plane(self, height_mm: float) -> tuple[FloatArray, FloatArray]:
        """Bed-frame X and Y, float32, where the rays meet the level plane at this height."""
        reach = (height_mm - self.eye_mm[2]) / np.minimum(self.z, -1e-3)
        x = (self.eye_mm[0] + reach * self.x).astype(np.float32)
        y = (self.eye_mm[1] + reach * self.y).astype(np.float32)
        return x, y


def rays(view: View, lens: LensSettings, rows: range, oversampling: int) -> Rays:
    """Rays through the sub-pixel samples of these sample rows (pixel centres at whole numbers)."""
    u = (np.arange(PICTURE_WIDTH_PX * oversampling) + 0.5) / oversampling - 0.5
    v = (np.array(rows) + 0.5) / oversampling - 0.5
    x = ((u - lens.cx) / lens.fx)[None, :]
    y = ((v - lens.cy) / lens.fy)[:, None]
    ratio = np.polyval(undistortion_polynomial(lens), x * x + y * y)
    x, y = x * ratio, y * ratio
    axes = view.rotation()
    return Rays(
        np.array(view.eye_mm),
        *(x * axes[0, i] + y * axes[1, i] + axes[2, i] for i in range(3)),
    )


def view_from(
    *, azimuth_deg: float, tilt_deg: float, roll_deg: float, target_mm: tuple[float, float, float],
    distance_mm: float,
) -> View:  # fmt: skip
    """A view by direction: azimuth counter-clockwise from bed +X, tilt away from straight down."""
    azimuth, tilt = np.deg2rad(azimuth_deg), np.deg2rad(tilt_deg)
    offset = distance_mm * np.array(
        [np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)]
    )
    eye = np.array(target_mm) + offset
    return View((float(eye[0]), float(eye[1]), float(eye[2])), target_mm, roll_deg)


def view_of_bed(
    width_mm: float,
    depth_mm: float,
    lens: LensSettings,
    *,
    azimuth_deg: float = -6.0,
    tilt_deg: float = 33.0,
    roll_deg: float = 2.0,
    spare: float = 1.03,
) -> View:
    """The nearest view from this direction that still shows the whole bed, times `spare`."""
    corners = np.array(
        [[0, 0, 0], [width_mm, 0, 0], [0, depth_mm, 0], [width_mm, depth_mm, 0]], dtype=np.float64
    )
    target = (0.5 * width_mm, 0.5 * depth_mm, 0.0)
    near, far = 0.5 * max(width_mm, depth_mm), 20.0 * max(width_mm, depth_mm)
    for _ in range(40):
        middle = 0.5 * (near + far)
        view = view_from(
            azimuth_deg=azimuth_deg, tilt_deg=tilt_deg, roll_deg=roll_deg, target_mm=target,
            distance_mm=middle,
        )  # fmt: skip
        seen = project(corners, view, lens)
        in_front = np.all((corners - np.array(view.eye_mm)) @ view.rotation()[2] > 1.0)
        fits = (
            bool(in_front)
            and bool(np.all(seen > 12.0))
            and bool(np.all(seen < [PICTURE_WIDTH_PX - 12.0, PICTURE_HEIGHT_PX - 12.0]))
        )
        near, far = (near, middle) if fits else (middle, far)
    return view_from(
        azimuth_deg=azimuth_deg, tilt_deg=tilt_deg, roll_deg=roll_deg, target_mm=target,
        distance_mm=far * spare,
    )  # fmt: skip
