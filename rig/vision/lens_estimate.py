"""A lens estimated from one picture of the bed markers, for rigs without a lens record.

Focal length, principal point and radial distortion are fitted together with the camera's place to
all marker corners (as in Zhang, IEEE Trans. PAMI 22 (2000) 1330-1334, but from one plane in one
view). What one view cannot tell is held by what lenses usually are: principal point near the
middle, small distortion. Whether the result may be used is judged by how far the places on the
bed, at the height of a rim, remain uncertain.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import least_squares

from rig.model.rig_settings import LensSettings
from rig.model.units import FloatArray
from rig.vision.lens import CameraPose

LEAST_MARKERS_FOR_LENS = 4
WORST_PLACE_SD_MM = 0.8
_CORNER_SD_PX = 0.15
_CENTRE_SPREAD = 0.015  # of the principal point, as a part of the picture's width
_K1_SPREAD, _K2_SPREAD = 0.2, 0.06
_RIM_MM = 5.0  # height at which the uncertainty of places is judged


@dataclass(frozen=True)
class LensEstimate:
    """focal_sd: relative; place_sd_mm: of a place in the middle of the markers, 5 mm up."""

    lens: LensSettings
    focal_sd: float
    place_sd_mm: float
    note: str


def estimate_lens(
    on_bed: list[FloatArray], in_picture: list[FloatArray], size_px: tuple[int, int]
) -> LensEstimate | str:
    """Estimate the lens from marker corners ((4, 2) mm and (4, 2) px each); or say why not."""
    if len(on_bed) < LEAST_MARKERS_FOR_LENS:
        return (
            "The rig file has no [camera.lens], and from fewer than "
            f"{LEAST_MARKERS_FOR_LENS} markers the lens cannot be estimated. "
            "Calibrate the lens, or show more markers."
        )
    ground = np.vstack(on_bed)
    ground3 = np.column_stack([ground, np.zeros(len(ground))])
    image = np.vstack(in_picture)
    fits = [_fit(ground3, image, size_px, start) for start in (0.65, 0.95, 1.5)]
    good = [f for f in fits if f is not None]
    if not good:
        return "The rig file has no [camera.lens], and the markers do not tell the lens either."
    _, values, covariance, rms_px = min(good, key=lambda f: f[0])
    focal_sd = float(np.sqrt(covariance[0, 0]))
    place_sd = _place_sd(values, covariance, ground.mean(axis=0))
    if rms_px > 2.0 or place_sd > WORST_PLACE_SD_MM:
        return (
            "The rig file has no [camera.lens], and the markers in this picture do not tell the "
            f"lens well enough (focal length ± {100.0 * focal_sd:.0f} %, places "
            f"± {place_sd:.1f} mm). Calibrate the lens."
        )
    lens = _camera(values).lens
    note = (
        f"The rig file has no [camera.lens]: focal length {lens.fx:.0f} px "
        f"(± {100.0 * focal_sd:.1f} %) and distortion k1 {lens.k1:.3f} were estimated from the "
        "markers of this picture. A calibrated lens is more exact."
    )
    return LensEstimate(lens, focal_sd, place_sd, note)


def _camera(values: FloatArray) -> CameraPose:
    """values: ln f, cx, cy, k1, k2, turn vector (3), shift (3)."""
    focal = float(np.exp(values[0]))
    lens = LensSettings(
        fx=focal,
        fy=focal,
        cx=float(values[1]),
        cy=float(values[2]),
        k1=float(values[3]),
        k2=float(values[4]),
    )
    rotation = np.asarray(cv2.Rodrigues(values[5:8])[0], dtype=np.float64)
    return CameraPose(lens, rotation, np.asarray(values[8:11], dtype=np.float64))


def _fit(
    ground3: FloatArray, image: FloatArray, size_px: tuple[int, int], start: float
) -> tuple[float, FloatArray, FloatArray, float] | None:
    """Cost, values, covariance and rms in pixels, from one starting focal length."""
    width, height = size_px
    middle = np.array([0.5 * (width - 1), 0.5 * (height - 1)])
    matrix = np.array([[start * width, 0, middle[0]], [0, start * width, middle[1]], [0, 0, 1.0]])
    try:
        ok, turn, shift = cv2.solvePnP(ground3, image, matrix, np.zeros(4), flags=cv2.SOLVEPNP_IPPE)
    except cv2.error:
        return None
    if not ok:
        return None
    usual = np.array([np.log(0.85 * width), *middle, 0.0, 0.0])
    spread = np.array([0.6, _CENTRE_SPREAD * width, _CENTRE_SPREAD * width, _K1_SPREAD, _K2_SPREAD])

    def misfit(values: FloatArray) -> FloatArray:
        gap = (_camera(values).project(ground3) - image) / _CORNER_SD_PX
        beyond = (values[:5] - usual) / spread
        both = np.nan_to_num(np.concatenate([gap.ravel(), beyond]), nan=1e4)
        return np.asarray(both, dtype=np.float64)

    first = np.concatenate(
        [[np.log(start * width)], middle, [0.0, 0.0], np.ravel(turn), np.ravel(shift)]
    )
    scale = np.array([0.1, 10.0, 10.0, 0.05, 0.05, 0.05, 0.05, 0.05, 20.0, 20.0, 20.0])
    try:
        best = least_squares(misfit, first, x_scale=scale, loss="soft_l1", max_nfev=60)
    except (ValueError, np.linalg.LinAlgError):
        return None
    rms = float(np.sqrt(np.mean(misfit(best.x)[:-5] ** 2))) * _CORNER_SD_PX
    worse = max(1.0, (rms / _CORNER_SD_PX) ** 2)
    jacobian = np.asarray(best.jac, dtype=np.float64)
    covariance = np.asarray(np.linalg.pinv(jacobian.T @ jacobian) * worse, dtype=np.float64)
    return float(best.cost), np.asarray(best.x, dtype=np.float64), covariance, rms


def _place_sd(values: FloatArray, covariance: FloatArray, place: FloatArray) -> float:
    """Standard deviation of where the camera says a raised place is, mm."""
    pixel = _camera(values).project_level(place[None], _RIM_MM)
    nudges = np.sqrt(np.maximum(np.diag(covariance), 1e-18)) * 0.1
    slope = np.empty((2, len(values)))
    for k, nudge in enumerate(nudges):
        moved = values.copy()
        moved[k] += nudge
        slope[:, k] = (_camera(moved).meet_level(pixel, _RIM_MM)[0] - place) / nudge
    return float(np.sqrt(np.max(np.linalg.eigvalsh(slope @ covariance @ slope.T))))
