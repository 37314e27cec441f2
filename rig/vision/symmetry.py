"""Centre line and ends of an outline: the axis about which it mirrors best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from rig.model.units import FloatArray


@dataclass(frozen=True)
class Axis:
    """origin: (2,) lower end on the centre line; up: (2,) unit vector towards the neck end.

    mirror_rms_mm: how far the mirrored curve lies from itself; narrowing: how much narrower the
    neck end is, as a part of the greatest width.
    """

    origin: FloatArray
    up: FloatArray
    mirror_rms_mm: float
    narrowing: float


def find_axis(curve: FloatArray) -> Axis:
    """Centre line of a closed (n, 2) curve in the bed frame, points evenly spaced."""
    middle = curve.mean(axis=0)
    _, _, principal = np.linalg.svd(curve - middle, full_matrices=False)
    start = float(np.arctan2(principal[0, 1], principal[0, 0]))
    tree = cKDTree(curve)
    normals = _normals(curve)

    def gaps(parameters: FloatArray) -> FloatArray:
        turn, shift = start + parameters[0] / 100.0, parameters[1]
        along = np.array([np.cos(turn), np.sin(turn)])
        across = np.array([-along[1], along[0]])
        distance = (curve - middle) @ across - shift
        mirrored = curve - 2.0 * distance[:, None] * across
        _, nearest = tree.query(mirrored)
        return np.asarray(np.sum((mirrored - curve[nearest]) * normals[nearest], axis=1))

    best = least_squares(gaps, np.zeros(2), loss="soft_l1", f_scale=0.5)
    turn = start + best.x[0] / 100.0
    up = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-up[1], up[0]])
    on_axis = middle + best.x[1] * across
    height = (curve - on_axis) @ up
    width = np.abs((curve - on_axis) @ across)
    low, high = float(height.min()), float(height.max())
    # A bout is what lies within the outer two fifths of the length.
    lower = float(width[height < low + 0.4 * (high - low)].max())
    upper = float(width[height > high - 0.4 * (high - low)].max())
    if upper > lower:
        up, low = -up, -high
    return Axis(
        origin=on_axis + low * up,
        up=up,
        mirror_rms_mm=float(np.sqrt(np.mean(np.minimum(np.abs(gaps(best.x)), 3.0) ** 2))),
        narrowing=abs(lower - upper) / max(lower, upper),
    )


def _normals(curve: FloatArray) -> FloatArray:
    tangent = np.roll(curve, -1, axis=0) - np.roll(curve, 1, axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    return np.column_stack([tangent[:, 1], -tangent[:, 0]])
