"""A lens guessed from one oblique picture of the bed markers, for rigs without a lens record.

Focal length and k1 only, principal point in the middle of the picture (Zhang, IEEE Trans. PAMI
22 (2000) 1330-1334, restricted to one plane). A picture taken from straight above does not tell
the focal length; then it is refused.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rig.model.rig_settings import LensSettings
from rig.model.units import FloatArray

LEAST_MARKERS_FOR_LENS = 4
_WORST_FOCAL_SD = 0.04


@dataclass(frozen=True)
class LensEstimate:
    """The lens, the relative standard deviation of its focal length, and a note for the user."""

    lens: LensSettings
    focal_sd: float
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
    ground3 = np.column_stack([ground, np.zeros(len(ground))]).astype(np.float32)
    image = np.vstack(in_picture).astype(np.float32)
    width, height = size_px
    start = np.array(
        [[0.85 * width, 0.0, 0.5 * (width - 1)], [0.0, 0.85 * width, 0.5 * (height - 1)], [0, 0, 1]]
    )
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_FIX_PRINCIPAL_POINT
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K2
        | cv2.CALIB_FIX_K3
    )
    try:
        rms, matrix, bend, _, _, spread, _, _ = cv2.calibrateCameraExtended(
            [ground3], [image], (width, height), start, np.zeros(5), flags=flags
        )
    except cv2.error:
        return "The rig file has no [camera.lens], and the markers do not tell the lens either."
    focal = float(matrix[0, 0])
    focal_sd = float(np.ravel(spread)[0]) / max(focal, 1.0)
    if not 0.3 * width < focal < 6.0 * width or focal_sd > _WORST_FOCAL_SD or rms > 3.0:
        return (
            "The rig file has no [camera.lens], and this picture does not tell the focal length "
            f"(uncertain by {100.0 * focal_sd:.0f} %). Take the picture at a slant, or calibrate "
            "the lens."
        )
    k1 = float(np.ravel(bend)[0])
    lens = LensSettings(
        fx=focal, fy=float(matrix[1, 1]), cx=float(matrix[0, 2]), cy=float(matrix[1, 2]), k1=k1
    )
    note = (
        f"The rig file has no [camera.lens]: focal length {focal:.0f} px "
        f"(± {100.0 * focal_sd:.1f} %) and distortion k1 {k1:.3f} were estimated from the markers "
        "of this picture. A calibrated lens is more exact."
    )
    return LensEstimate(lens, focal_sd, note)
