"""Corners of printed squares to a few hundredths of a pixel: lines along the sides, crossed.

Worked in linear light, where blur moves no edge; in coded light a black square looks smaller than
it is.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.vision.profiles import falling_edges, sample_lines

_PER_SIDE = 21
_STEP_PX = 0.25


def refine_corners(light: NDArray[np.float32], rough_px: FloatArray) -> FloatArray:
    """(4, 2) rough corners of a black square on white, in order, to (4, 2) exact ones.

    light: (rows, columns) linear. A side that shows too little edge leaves its corners as they
    were.
    """
    corners = rough_px.copy()
    for reach_px in (3.0, 1.5):
        lines = [
            _side(light, corners[k], corners[(k + 1) % 4], corners, reach_px) for k in range(4)
        ]
        crossed = corners.copy()
        for k in range(4):
            before, after = lines[k - 1], lines[k]
            if before is None or after is None:
                continue
            matrix = np.array([before[:2], after[:2]])
            if abs(np.linalg.det(matrix)) < 0.2:
                continue
            meeting = np.linalg.solve(matrix, [before[2], after[2]])
            if np.hypot(*(meeting - rough_px[k])) < 4.0:
                crossed[k] = meeting
        corners = crossed
    return corners


def _side(
    light: NDArray[np.float32],
    start: FloatArray,
    end: FloatArray,
    corners: FloatArray,
    reach_px: float,
) -> FloatArray | None:
    """The line through the edge from start to end, as (a, b, c) with a·u + b·v = c."""
    along = end - start
    length = float(np.hypot(*along))
    if length < 8.0:
        return None
    outward = np.array([along[1], -along[0]]) / length
    if np.dot(0.5 * (start + end) - corners.mean(axis=0), outward) < 0.0:
        outward = -outward
    spare = min(0.25, max(0.1, 4.0 / length))  # keep clear of the corners, where two edges meet
    base = start + np.linspace(spare, 1.0 - spare, _PER_SIDE)[:, None] * along
    offsets = np.arange(-reach_px - 2.0, reach_px + 2.0 + 1e-9, _STEP_PX)
    profile = sample_lines(light, base, np.tile(outward, (_PER_SIDE, 1)), offsets)
    place, strength = falling_edges(-profile.astype(np.float64), _STEP_PX, 0.8, most=1)
    offset = place[:, 0] + offsets[0]
    good = np.isfinite(offset) & (np.abs(offset) <= reach_px)
    good &= strength[:, 0] > 0.4 * np.max(strength[:, 0], initial=1e-9)
    if good.sum() < 8:
        return None
    points = base[good] + offset[good, None] * outward
    vx, vy, u, v = np.ravel(
        cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0.0, 1e-3, 1e-3)
    ).astype(np.float64)
    return np.array([-vy, vx, -vy * u + vx * v])
