"""What a hand draws on the plate with the left button: who asks first has it, else the plate moves.

Somebody who wants drags is an object with `begin(x, y, modifiers) -> bool`, `move(x, y)` and
`end(x, y)`, all in mm of the plate frame.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
import pyqtgraph as pg
from PyQt5.QtCore import Qt

from rig.model.units import FloatArray


class Hand(Protocol):
    """Takes drags on the plate."""

    def begin(self, x_mm: float, y_mm: float, modifiers: Any) -> bool:
        """Whether this drag is wanted."""

    def move(self, x_mm: float, y_mm: float) -> None:
        """The drag goes on."""

    def end(self, x_mm: float, y_mm: float) -> None:
        """The button was let go."""


class PlateBox(pg.ViewBox):
    """A view whose left drags may be taken by a hand."""

    def __init__(self) -> None:
        super().__init__()
        self.hands: list[Hand] = []
        self._in_hand: Hand | None = None

    def mouseDragEvent(self, event: Any, axis: Any = None) -> None:
        """Offer the drag to the hands; move the plate where none wants it."""
        if event.button() != Qt.LeftButton or axis is not None:
            super().mouseDragEvent(event, axis)
            return
        if event.isStart():
            at = self.mapSceneToView(event.buttonDownScenePos())
            self._in_hand = next(
                (h for h in self.hands if h.begin(at.x(), at.y(), event.modifiers())), None
            )
        if self._in_hand is None:
            super().mouseDragEvent(event, axis)
            return
        event.accept()
        now = self.mapSceneToView(event.scenePos())
        if event.isFinish():
            hand, self._in_hand = self._in_hand, None
            hand.end(now.x(), now.y())
        else:
            self._in_hand.move(now.x(), now.y())


def taps_along(path_mm: FloatArray, places: dict[int, tuple[float, float]]) -> list[int]:
    """The taps that a path (n, 2) passes, in the order in which it comes nearest to them.

    A tap is passed where the path comes nearer to it than 0.6 of the usual distance to its
    neighbour, so that a straight stroke along a row hears that row and no other.
    """
    if not len(path_mm) or not places:
        return []
    numbers = list(places)
    at = np.array([places[number] for number in numbers])
    legs = np.diff(path_mm, axis=0)
    steps = np.maximum(1, np.ceil(np.hypot(*legs.T)).astype(int))
    fine = [path_mm[:1]]
    for start, leg, count in zip(path_mm, legs, steps, strict=False):
        fine.append(start + leg * (np.arange(1, count + 1) / count)[:, None])
    points = np.vstack(fine)
    apart = np.hypot(*(at[:, None, :] - at[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    reach = 0.6 * float(np.median(apart.min(axis=1))) if len(at) > 1 else 10.0
    passed = []
    for number, place in zip(numbers, at, strict=True):  # a scribble has thousands of points
        gaps = np.hypot(*(points - place).T)
        nearest = int(np.argmin(gaps))
        if gaps[nearest] < reach:
            passed.append((nearest, number))
    return [number for _, number in sorted(passed)]
