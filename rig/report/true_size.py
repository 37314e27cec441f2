"""The map as large as the plate: how it is spread over sheets of paper, and what stands on them.

The sheets are laid under the plate, so they are drawn as it lies: with the inner face up they are
mirrored. Where one sheet is too small several overlap, with the same crosses on both.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from rig.model.frames import Face
from rig.model.outline import Outline
from rig.model.tone_map import HighZone
from rig.model.units import FloatArray
from rig.report.plate_drawing import SurfaceLike
from rig.report.sheet import PAPER_MM, Paper

EDGE_MM = 7.0  # that few printers leave white
WORDS_MM = 56.0  # least width of the column of words at the right
STRIP_MM = 40.0  # height of the words at the top, where there is no room for a column
OVERLAP_MM = 14.0  # at least, where two sheets meet
BAR_MM = 100.0
_BORDER_MM = 1.0  # round the outline


@dataclass(frozen=True)
class TrueSizeMap:
    """A map to be printed 1:1; face_up: as the plate lies on the sheets."""

    title: str
    lines: tuple[str, ...]
    outline: Outline
    surface: SurfaceLike
    places: FloatArray
    zones: tuple[HighZone, ...]
    zone_rows: tuple[tuple[int, ...], ...]  # rows of `places` that belong to each zone
    start_mm: tuple[float, float] | None
    face_up: Face
    paper: Paper
    simulated: bool


@dataclass(frozen=True)
class Tile:
    """One sheet: the window of the drawing that it shows, x0, y0 its lower left corner, mm."""

    number: int
    column: int
    row: int
    x0_mm: float
    y0_mm: float


@dataclass(frozen=True)
class Tiling:
    """How a drawing of box_mm (x0, y0, width, height) is spread over sheets.

    page_mm: width and height of the sheet as it lies; window_mm: of the part that shows the
    drawing, its upper left corner at corner_mm on the page; joins_x_mm, joins_y_mm: middles of the
    overlaps; words_beside: whether the words stand in a column at the right, else at the top.
    """

    box_mm: tuple[float, float, float, float]
    page_mm: tuple[float, float]
    corner_mm: tuple[float, float]
    window_mm: tuple[float, float]
    tiles: tuple[Tile, ...]
    joins_x_mm: tuple[float, ...]
    joins_y_mm: tuple[float, ...]
    words_beside: bool

    def on_page(self, tile: Tile, xy_mm: FloatArray) -> FloatArray:
        """Places (n, 2) of the drawing in mm from the upper left corner of the page."""
        xy = np.asarray(xy_mm, dtype=np.float64).reshape(-1, 2)
        across = self.corner_mm[0] + xy[:, 0] - tile.x0_mm
        down = self.corner_mm[1] + self.window_mm[1] - (xy[:, 1] - tile.y0_mm)
        return np.column_stack([across, down])


def as_it_lies(xy_mm: FloatArray, face_up: Face) -> FloatArray:
    """Plate-frame places as they lie under the plate: mirrored where the inner face is up."""
    return np.asarray(xy_mm, dtype=np.float64) * ((1.0, 1.0) if face_up == "outer" else (-1.0, 1.0))


def tiling(outline: Outline, face_up: Face, paper: Paper) -> Tiling:
    """Choose how the sheets lie and where they overlap: as few sheets as can be."""
    rim = as_it_lies(np.asarray(outline.rim), face_up)
    low = rim.min(axis=0) - _BORDER_MM
    width, height = np.ptp(rim, axis=0) + 2 * _BORDER_MM
    box = float(low[0]), float(low[1]), float(width), float(height)
    ways = [_laid(box, paper, turned, beside) for turned, beside in product((0, 1), (1, 0))]
    return min(ways, key=lambda way: len(way.tiles))


def _laid(box: tuple[float, float, float, float], paper: Paper, turned: int, beside: int) -> Tiling:
    page = PAPER_MM[paper][::-1] if turned else PAPER_MM[paper]
    room = page[0] - 2 * EDGE_MM, page[1] - 2 * EDGE_MM
    room = (room[0] - WORDS_MM, room[1]) if beside else (room[0], room[1] - STRIP_MM)
    x0, y0, width, height = box
    across, shown_x = _spread(width, room[0])
    up, shown_y = _spread(height, room[1])
    tiles = [
        Tile(number, column, row, x0 + across[column], y0 + up[-1 - row])
        for number, (row, column) in enumerate(product(range(len(up)), range(len(across))), start=1)
    ]
    top = EDGE_MM if beside else EDGE_MM + STRIP_MM
    return Tiling(
        box, page, (EDGE_MM, top), (shown_x, shown_y), tuple(tiles),
        _joins(x0, across, shown_x), _joins(y0, up, shown_y), bool(beside),
    )  # fmt: skip


def _spread(length: float, room: float) -> tuple[list[float], float]:
    """Starts of the windows along one side, and how much each shows."""
    if length <= room:
        return [0.0], length
    count = int(np.ceil((length - OVERLAP_MM) / (room - OVERLAP_MM)))
    return [float(v) for v in np.linspace(0.0, length - room, count)], room


def _joins(start: float, windows: list[float], shown: float) -> tuple[float, ...]:
    """Middles of the overlaps of neighbouring windows."""
    return tuple(start + 0.5 * (a + shown + b) for a, b in pairwise(windows))
