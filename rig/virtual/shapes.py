"""Invented outlines for the virtual world: a violin-sized plate and a pair of sound holes."""

from __future__ import annotations

import numpy as np

from rig.model.outline import Outline
from rig.model.units import FloatArray

# Right half, from the lower end up, in three smooth runs that meet at the two corners (mm).
_LOWER_BOUT = (
    (0, 0), (30, 2), (60, 12), (84, 31), (99, 57), (103.5, 81), (101, 103), (94, 121),
    (90.5, 129), (92, 136),
)  # fmt: skip
_WAIST = (
    (92, 136), (84, 141), (70, 152), (59.5, 170), (55.5, 190), (57, 206), (64, 219), (76, 229),
)  # fmt: skip
_UPPER_BOUT = (
    (76, 229), (75.5, 236), (78.5, 247), (82.5, 262), (84, 280), (81, 302), (72, 323), (55, 340),
    (32, 350.5), (12, 354.5), (0, 355),
)  # fmt: skip


def violin_outline(*, sound_holes: bool = False, size: float = 1.0) -> Outline:
    """Return a violin-sized plate (355 mm × about 207 mm at size 1), slightly uneven by hand.

    The left half is 1 % narrower below and its upper corner 1.5 mm higher, as hand work is, so
    that a plate turned over can be told from one that was not.
    """
    right = np.vstack([_smooth_run(run) for run in (_LOWER_BOUT, _WAIST, _UPPER_BOUT)])
    left = right[::-1].copy()
    left[:, 0] *= -1.0
    left[:, 0] *= 1.0 - 0.01 * np.exp(-(((left[:, 1] - 80.0) / 60.0) ** 2))
    left[:, 1] += 1.5 * np.exp(-(((left[:, 1] - 229.0) / 12.0) ** 2))
    holes: tuple[FloatArray, ...] = ()
    if sound_holes:
        holes = (_sound_hole() * size, _sound_hole(mirrored=True) * size)
    return Outline.checked(np.vstack([right, left]) * size, holes, where="virtual outline")


def viola_outline() -> Outline:
    """The same hand at viola size (405 mm)."""
    return violin_outline(size=405.0 / 355.0)


def _smooth_run(points: tuple[tuple[float, float], ...], step_mm: float = 2.0) -> FloatArray:
    """Sample a cubic spline through the points about every `step_mm`, end left off."""
    from scipy.interpolate import CubicSpline

    xy = np.array(points, dtype=np.float64)
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    curve = CubicSpline(chord, xy)
    count = max(2, int(chord[-1] / step_mm))
    return np.asarray(curve(np.linspace(0.0, chord[-1], count, endpoint=False)), dtype=np.float64)


def _sound_hole(*, mirrored: bool = False) -> FloatArray:
    """A slim s-shaped hole of constant width, leaning outwards below; (n, 2) mm."""
    spine_y = np.linspace(158.0, 224.0, 40)
    t = (spine_y - 191.0) / 33.0
    spine_x = 36.0 - 10.0 * t - 3.0 * np.sin(np.pi * t)
    tangent = np.column_stack([np.gradient(spine_x), np.gradient(spine_y)])
    tangent /= np.hypot(*tangent.T)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    half_width = 2.4 + 1.0 * t**4
    spine = np.column_stack([spine_x, spine_y])
    hole = np.vstack(
        [spine + normal * half_width[:, None], (spine - normal * half_width[:, None])[::-1]]
    )
    if mirrored:
        hole[:, 0] *= -1.0
    return hole
