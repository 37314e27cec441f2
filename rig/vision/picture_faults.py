"""What may be wrong with a picture itself: too dark, burnt out, blurred, mirrored."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray

BURNT_CODE = 253  # of 255; from here on the camera could not take more light
BURNT_LIMIT = 0.35  # of the bed
_DARK_CODE = 45
_BLURRED_PX = 2.7
_FINE_PX, _COARSE_PX = 1.0, 5.0
_DIRECTIONS = 8

BURNT_REMEDY = (
    "Shorten the exposure (exposure in [camera]), turn the lamp away or down, or dim it until "
    "white paper on the bed still shows its grain."
)


def burnt_share(picture: NDArray[np.uint8], where: NDArray[np.bool_] | None = None) -> float:
    """Part of a picture, or of the places given, at which every colour is at its limit; 0…1."""
    full = picture >= BURNT_CODE
    if full.ndim == 3:
        full = np.all(full, axis=2)
    if where is not None:
        full = full[where]
    return float(np.mean(full)) if full.size else 0.0


def blur_px(grey: NDArray[np.uint8]) -> float:
    """How far the sharpest edges are smeared in the direction in which they are smeared most, px.

    As the standard deviation of a bell that would blur as much. The steepest slopes after a fine
    and after a coarse smoothing stand to each other as the widths of both with the blur's own.
    """
    small = grey.astype(np.float32)
    slopes: list[FloatArray] = []
    for sigma in (_FINE_PX, _COARSE_PX):
        smooth = cv2.GaussianBlur(small, (0, 0), sigma)
        gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=1)[::2, ::2]
        gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1)[::2, ::2]
        turns = np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS
        slopes.append(
            np.array([np.quantile(np.abs(np.cos(t) * gx + np.sin(t) * gy), 0.999) for t in turns])
        )
    ratio2 = np.maximum(slopes[0] / np.maximum(slopes[1], 0.05), 1.001) ** 2
    own2 = (_COARSE_PX**2 - _FINE_PX**2 * ratio2) / (ratio2 - 1.0)
    return float(np.sqrt(np.max(np.clip(own2, 0.0, 1e4))))


def picture_fault(grey: NDArray[np.uint8]) -> str | None:
    """Why nothing can be made out in this picture, with what to do; None where it seems sound."""
    if float(np.percentile(grey, 99)) < _DARK_CODE:
        return "The picture is too dark: give it more light, or a longer exposure."
    burnt = burnt_share(grey)
    if burnt > BURNT_LIMIT:
        return f"The picture is overexposed: {100 * burnt:.0f} % of it is burnt out. {BURNT_REMEDY}"
    blur = blur_px(grey)
    if blur > _BLURRED_PX:
        return (
            f"The picture is blurred (edges are smeared over {2.5 * blur:.0f} pixels): was the "
            "camera moved, or is it out of focus? Fix it to its stand, wait until it is still, "
            "set the focus by hand."
        )
    return None
