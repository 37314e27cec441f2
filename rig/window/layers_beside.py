"""Layers of what lies beside the maps: marks of the hand, thickness, the camera's picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from PyQt5.QtCore import QRectF

from rig.window.layers import DARK_INK, Layer, drawn_pen, label_on_line, lines_item
from rig.window.theme import type_scale
from rig.window.words import decimal, tr

if TYPE_CHECKING:
    from rig.jobs.drawn_beside import DrawnThickness, HandKept
    from rig.jobs.plate_picture import PlatePicture

HIGHER, LOWER, SAME = "#8a3d05", "#0b4f8f", "#5d6066"
_SAME_Z = 0.35  # of what is only judged: within a third of a deviation it is neither
_SAME_CENTS = 10.0
_SIZES = (11.0, 22.0)


def fill_hand(layer: Layer, record: HandKept) -> None:
    """A triangle up where the hand found it higher, down where lower, a square where the same.

    Larger where it is farther from the middle. A scratch has places close together and is thinned.
    """
    layer.clear()
    hand = record.hand
    every = max(1, len(hand.value) // 250)
    places, value = np.asarray(hand.places_mm)[::every], np.asarray(hand.value)[::every]
    same = _SAME_CENTS if hand.unit == "cents" else _SAME_Z
    most = max(float(np.max(np.abs(value))), same) if len(value) else 1.0
    size = _SIZES[0] + (_SIZES[1] - _SIZES[0]) * np.abs(value) / most
    for key, chosen, symbol, colour in (
        ("higher", value > same, "t1", HIGHER), ("lower", value < -same, "t", LOWER),
        ("same", np.abs(value) <= same, "s", SAME),
    ):  # fmt: skip
        at = [(float(x), float(y)) for x, y in places[chosen]]
        layer.dots(
            key, at, size=list(size[chosen] * type_scale()), symbol=symbol,
            pen=drawn_pen("#ffffff", width=1.5), brush=pg.mkBrush(colour),
        )  # fmt: skip


def hand_words(record: HandKept) -> str:
    """What the legend says of a record."""
    kinds = {"scratch": tr("a scratch"), "marks": tr("marks"), "judged": tr("judged places"),
             "pairs": tr("pairs")}  # fmt: skip
    return tr(
        "By hand, {0}: {1}, {2} places.  ▲ higher  ▼ lower  ■ same",
        record.name,
        kinds[record.hand.kind],
        len(record.hand.value),
    )


def fill_thickness(layer: Layer, drawn: DrawnThickness) -> None:
    """The field, its lines in mm, and a dot at every reading."""
    layer.clear()
    image = pg.ImageItem(drawn.rgba, axisOrder="row-major")
    image.setRect(QRectF(*drawn.box_mm))
    layer.add(image)
    taken: list[Any] = []
    lines = [line for of_level in drawn.contours.values() for line in of_level]
    layer.add(lines_item(lines, drawn_pen(DARK_INK, width=1)), 0.1)
    for level, of_level in drawn.contours.items():
        if of_level and len(longest := max(of_level, key=len)) > 25:
            label_on_line(layer, taken, longest, decimal(f"{level:g}"))
    places = [(float(x), float(y)) for x, y in drawn.readings.places_mm]
    layer.dots("read", places, size=6 * type_scale(), symbol="d", pen=pg.mkPen(DARK_INK),
               brush=pg.mkBrush("#ffffff"))  # fmt: skip


def fill_picture(layer: Layer, picture: PlatePicture) -> None:
    """What the camera saw, laid under the plate's own frame."""
    layer.clear()
    image = pg.ImageItem(picture.rgba, axisOrder="row-major")
    image.setRect(QRectF(*picture.box_mm))
    layer.add(image)
