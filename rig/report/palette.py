"""Colours of the maps: blue for low, near-white for the middle, orange-brown for high.

Built in CIELAB (CIE 15:2004, D65) so that lightness falls evenly and equally to both sides: equal
steps in cents look equally strong, and blue and orange stay apart for eyes that do not tell red
from green. Grey prints lose the sign, so figures also write signs on the contour lines.
"""

from __future__ import annotations

import numpy as np

from rig.model.units import FloatArray

LIGHTNESS_MIDDLE = 96.0
LIGHTNESS_END = 40.0
_CHROMA_END = (42.0, 50.0)  # low side, high side
_HUE_DEG = (275.0, 58.0)
_WHITE_D65 = np.array([0.95047, 1.0, 1.08883])
_XYZ_TO_RGB = np.array(  # IEC 61966-2-1
    [
        [3.2404542, -1.5371385, -0.4985314],
        [-0.9692660, 1.8760108, 0.0415560],
        [0.0556434, -0.2040259, 1.0572252],
    ]
)

INK = "#222222"
FAINT = "#8a8a8a"
PAPER = "#ffffff"
WARNING = "#9c2a00"


def diverging(count: int = 257) -> FloatArray:
    """Return (count, 3) sRGB values in 0…1 from low to high."""
    t = np.linspace(-1.0, 1.0, count)
    side = (t > 0).astype(int)
    reach = np.abs(t)
    chroma = np.array(_CHROMA_END)[side] * reach**0.85
    hue = np.deg2rad(np.array(_HUE_DEG)[side])
    lightness = LIGHTNESS_MIDDLE + (LIGHTNESS_END - LIGHTNESS_MIDDLE) * reach
    return lab_to_srgb(np.column_stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)]))


def sequential(count: int = 257) -> FloatArray:
    """Return (count, 3) sRGB values in 0…1, white to dark grey-violet, for uncertainty."""
    t = np.linspace(0.0, 1.0, count)
    hue = np.deg2rad(310.0)
    chroma = 30.0 * t
    return lab_to_srgb(
        np.column_stack([97.0 - 57.0 * t, chroma * np.cos(hue), chroma * np.sin(hue)])
    )


def lab_to_srgb(lab: FloatArray) -> FloatArray:
    """Carry (n, 3) CIELAB to (n, 3) sRGB, clipped into the gamut."""
    fy = (lab[:, 0] + 16.0) / 116.0
    f = np.column_stack([fy + lab[:, 1] / 500.0, fy, fy - lab[:, 2] / 200.0])
    xyz = np.where(f > 6.0 / 29.0, f**3, 3.0 * (6.0 / 29.0) ** 2 * (f - 4.0 / 29.0)) * _WHITE_D65
    linear = np.clip(xyz @ _XYZ_TO_RGB.T, 0.0, 1.0)
    curved = 1.055 * linear ** (1.0 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, curved), dtype=np.float64)


def srgb_to_linear(rgb: FloatArray) -> FloatArray:
    """Carry (n, 3) sRGB to linear light (IEC 61966-2-1)."""
    return np.asarray(
        np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4), dtype=np.float64
    )


def lightness_of(rgb: FloatArray) -> FloatArray:
    """CIELAB lightness of (n, 3) sRGB values; (n,)."""
    y = srgb_to_linear(rgb) @ np.array([0.2126729, 0.7151522, 0.0721750])
    cube = np.cbrt(y)
    f = np.where(y > (6.0 / 29.0) ** 3, cube, y * (29.0 / 6.0) ** 2 / 3.0 + 4.0 / 29.0)
    return np.asarray(116.0 * f - 16.0, dtype=np.float64)
