"""Invented outlines of other instruments, and the hand that makes each of them a little uneven."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline

from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.virtual.shapes import violin_outline

# Right half from the lower end up, in runs that meet at corners (mm).
_CELLO = (
    ((0, 0), (70, 5), (135, 30), (185, 78), (214, 140), (218, 190), (208, 240), (192, 268),
     (190, 284)),
    ((190, 284), (172, 296), (146, 325), (125, 372), (118, 415), (123, 452), (138, 478),
     (160, 495)),
    ((160, 495), (159, 510), (166, 540), (171, 582), (169, 628), (152, 680), (112, 724),
     (62, 746), (22, 754), (0, 755)),
)  # fmt: skip
_GUITAR = (
    ((0, 0), (60, 3), (115, 22), (160, 66), (184, 125), (180, 178), (153, 228), (128, 265),
     (119, 300), (123, 332), (136, 372), (140, 405), (130, 442), (100, 472), (55, 487), (0, 490)),
)  # fmt: skip


def by_hand(outline: Outline, rng: np.random.Generator) -> Outline:
    """The same pattern out of another hand: proportions and both sides differ a little.

    Up to about 2 % between bouts, 0.5 mm between left and right.
    """
    low, high = outline.rim[:, 1].min(), outline.rim[:, 1].max()
    wave = rng.normal(0.0, 0.01, size=3)
    stretch = rng.normal(0.0, 0.012, size=2)
    uneven = rng.normal(0.0, 0.35, size=2)

    def drawn(xy: FloatArray) -> FloatArray:
        t = (xy[:, 1] - low) / (high - low)
        width = 1.0 + stretch[0] + sum(w * np.cos(np.pi * k * t) for k, w in enumerate(wave, 1))
        side = np.tanh(xy[:, 0] / 15.0)
        x = xy[:, 0] * width + (uneven[0] * np.sin(np.pi * t) + uneven[1] * np.sin(2 * np.pi * t)
                                ) * (side + 1.0) * 0.5  # fmt: skip
        return np.column_stack([x, low + (xy[:, 1] - low) * (1.0 + stretch[1])])

    return Outline.checked(
        drawn(outline.rim), tuple(drawn(hole) for hole in outline.holes), where="virtual outline"
    )


def cello_outline() -> Outline:
    """A cello-sized plate without sound holes, 755 mm × about 436 mm."""
    return _mirrored(_CELLO, 4.0)


def guitar_outline(*, sound_hole: bool = False) -> Outline:
    """A guitar-sized plate without corners, 490 mm × about 368 mm."""
    holes: tuple[FloatArray, ...] = ()
    if sound_hole:
        turn = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
        holes = (np.column_stack([43.0 * np.cos(turn), 328.0 + 43.0 * np.sin(turn)]),)
    return _mirrored(_GUITAR, 3.0, holes)


def small_violin_outline() -> Outline:
    """A violin for a child, 290 mm."""
    return violin_outline(size=290.0 / 355.0)


def _mirrored(
    runs: tuple[tuple[tuple[int, int], ...], ...],
    step_mm: float,
    holes: tuple[FloatArray, ...] = (),
) -> Outline:
    pieces = []
    for run in runs:
        xy = np.array(run, dtype=np.float64)
        chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        # both ends of the plate lie square to the centre line
        curve = CubicSpline(
            chord, xy, bc_type=(
                (1, [1.0, 0.0]) if run is runs[0] else (2, [0.0, 0.0]),
                (1, [-1.0, 0.0]) if run is runs[-1] else (2, [0.0, 0.0]),
            ),
        )  # fmt: skip
        count = max(2, int(chord[-1] / step_mm))
        pieces.append(curve(np.linspace(0.0, chord[-1], count, endpoint=False)))
    right = np.vstack(pieces)
    left = right[:0:-1] * np.array([-1.0, 1.0])
    top = np.array([[0.0, runs[-1][-1][1]]])
    return Outline.checked(np.vstack([right, top, left]), holes, where="virtual outline")
