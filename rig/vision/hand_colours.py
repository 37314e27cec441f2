"""Colours of chalk, stickers and markers: by name, by number, and as the camera sees them.

A colour is told by its chroma: (log red/green, log blue/green) of linear light, against white. It
stays the same in light and shade, and scatter of brightness (wood grain) hardly moves it.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from rig.model.errors import UsageError
from rig.model.units import FloatArray
from rig.vision.bed import MarkerSeen
from rig.vision.lens import linear_light

# Ordinary paints and chalks as linear red, green, blue; common practice, no source.
_NAMED = {
    "red": (0.55, 0.06, 0.05),
    "orange": (0.75, 0.25, 0.03),
    "yellow": (0.80, 0.62, 0.06),
    "green": (0.06, 0.35, 0.10),
    "blue": (0.04, 0.14, 0.50),
    "violet": (0.25, 0.08, 0.42),
    "pink": (0.80, 0.22, 0.38),
    "white": (0.85, 0.85, 0.85),
}
COLOUR_NAMES = tuple(_NAMED)
_HEX = re.compile(r"#?([0-9a-fA-F]{6})")
_DARKEST = 2.0 / 255.0 / 12.92  # light of code 2: below it the colour is noise


def chroma_of_name(name: str) -> FloatArray:
    """(2,) chroma of a named colour or of "#rrggbb" (sRGB); raises UsageError."""
    word = name.strip().lower()
    if word in _NAMED:
        light = np.array(_NAMED[word])
    else:
        number = _HEX.fullmatch(name.strip())
        if number is None:
            raise UsageError(
                f"There is no colour “{name}”.",
                remedy=f"Say {', '.join(COLOUR_NAMES)}, or #rrggbb.",
            )
        code = np.array([[int(number[1][k : k + 2], 16) for k in (0, 2, 4)]], dtype=np.uint8)
        light = linear_light(code)[0].astype(np.float64)
    red, green, blue = np.log(np.maximum(light, _DARKEST))
    return np.array([red - green, blue - green])


def chroma(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    """(rows, columns, 2) log red/green and log blue/green of a blue-green-red picture."""
    blue, green, red = (_LOG[picture[..., k]] for k in range(3))
    return np.stack([red - green, blue - green], axis=-1)


def _log_table() -> NDArray[np.float32]:
    light = linear_light(np.arange(256, dtype=np.uint8))
    return np.log(np.maximum(light, _DARKEST)).astype(np.float32)


_LOG = _log_table()


def white_of(picture: NDArray[np.uint8], markers: tuple[MarkerSeen, ...]) -> FloatArray:
    """(2,) chroma of white in this light, from the paper of the bed markers; 0, 0 without any.

    The brighter pixels within each marker are its paper.
    """
    found = []
    for marker in markers:
        corners = marker.corners_px
        low = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
        high = np.ceil(corners.max(axis=0)).astype(int) + 1
        patch = picture[low[1] : high[1], low[0] : high[0]]
        if patch.size < 300:
            continue
        grey = patch.mean(axis=2)
        paper = (grey > 0.8 * np.percentile(grey, 95)) & (patch.max(axis=2) < 254)
        if paper.sum() >= 30:
            found.append(np.median(chroma(patch)[paper], axis=0))
    return np.asarray(np.median(found, axis=0), dtype=np.float64) if found else np.zeros(2)
