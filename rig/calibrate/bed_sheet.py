"""The bed at true size on paper: which sheets show which part of it, and its markers in black.

Sheets lie side by side in the bed frame and overlap; the crosses at every full 100 mm stand on all
of them. A marker is printed only where it is whole: one that two sheets would share is cut out of
a page of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from rig.model.errors import UsageError
from rig.model.rig_settings import BedMarker, BedSettings

PAPERS_MM: dict[str, tuple[float, float]] = {
    "a4": (210.0, 297.0), "a3": (297.0, 420.0), "letter": (215.9, 279.4),
}  # fmt: skip
EDGE_MM = 8.0  # that few printers leave white
WORDS_MM = 26.0  # strip at the foot, for the bar and the words
OVERLAP_MM = 12.0
QUIET = 1.0  # white round a marker, in its own modules
CROSS_MM = 100.0

Rectangle = tuple[float, float, float, float]


@dataclass(frozen=True)
class BedTile:
    """One sheet: number, column from the left, row from the front; x0, y0: its window, bed mm."""

    number: int
    column: int
    row: int
    x0_mm: float
    y0_mm: float


@dataclass(frozen=True)
class BedSheets:
    """How a bed is spread over sheets: page_mm as it lies, window_mm of each, the markers alone.

    cuts_x_mm, cuts_y_mm: middles of the overlaps; alone: markers that no sheet shows whole.
    """

    page_mm: tuple[float, float]
    window_mm: tuple[float, float]
    tiles: tuple[BedTile, ...]
    cuts_x_mm: tuple[float, ...]
    cuts_y_mm: tuple[float, ...]
    alone: tuple[BedMarker, ...]

    def cut_window(self, tile: BedTile) -> tuple[float, float, float, float]:
        """What is left of a sheet once it is cut in the middle of its overlaps: x0, y0, x1, y1."""
        x0, x1 = _cut(self.cuts_x_mm, tile.column, tile.x0_mm, self.window_mm[0])
        y0, y1 = _cut(self.cuts_y_mm, tile.row, tile.y0_mm, self.window_mm[1])
        return x0, y0, x1, y1

    def whole_on(self, tile: BedTile, marker: BedMarker, quiet_mm: float) -> bool:
        """Whether the cut sheet shows this marker with the white round it."""
        x0, y0, x1, y1 = self.cut_window(tile)
        half = 0.5 * marker.size_mm + quiet_mm
        return (
            x0 <= marker.x_mm - half
            and marker.x_mm + half <= x1
            and y0 <= marker.y_mm - half
            and marker.y_mm + half <= y1
        )


def _cut(cuts: tuple[float, ...], place: int, start: float, shown: float) -> tuple[float, float]:
    """From where to where the sheet at this place of its row is kept."""
    low = cuts[place - 1] if place else start
    return low, cuts[place] if place < len(cuts) else start + shown


def bed_sheets(bed: BedSettings, paper: str) -> BedSheets:
    """Spread the bed over as few sheets as can be.

    Raises UsageError for an unknown paper, a bed without markers or one larger than 3 m.
    """
    if paper not in PAPERS_MM:
        raise UsageError(f"There is no paper “{paper}”.", remedy="Say a4, a3 or letter.")
    if not bed.markers:
        raise UsageError(
            "The rig file names no bed markers, so there is nothing to print.",
            remedy="Add four or more as [[bed.marker]]: id, x_mm, y_mm, size_mm.",
        )
    if max(bed.width_mm, bed.depth_mm) > 3000.0:
        raise UsageError(
            f"A bed of {bed.width_mm:g} by {bed.depth_mm:g} mm is too large to print.",
            remedy="Set width_mm and depth_mm of [bed] in millimetres.",
        )
    narrow = min(PAPERS_MM[paper]) - 2 * EDGE_MM
    for marker in bed.markers:
        if marker.size_mm + 2 * quiet_mm(bed, marker) > narrow:
            raise UsageError(
                f"Marker {marker.id}, {marker.size_mm:g} mm, is too large for this paper.",
                remedy="Choose larger paper, or a smaller size_mm: 40 mm are enough.",
            )
    ways = [_laid(bed, page) for page in (PAPERS_MM[paper], PAPERS_MM[paper][::-1])]
    return min(ways, key=lambda way: (len(way.tiles) + len(way.alone), way.page_mm[0]))


def _laid(bed: BedSettings, page: tuple[float, float]) -> BedSheets:
    room = page[0] - 2 * EDGE_MM, page[1] - 2 * EDGE_MM - WORDS_MM
    across, along = _starts(bed.width_mm, room[0]), _starts(bed.depth_mm, room[1])
    shown = min(room[0], bed.width_mm), min(room[1], bed.depth_mm)
    tiles = tuple(
        BedTile(number, column, row, across[column], along[row])
        for number, (row, column) in enumerate(
            product(range(len(along)), range(len(across))), start=1
        )
    )
    made = BedSheets(page, shown, tiles, _cuts(across, shown[0]), _cuts(along, shown[1]), ())
    alone = tuple(
        marker
        for marker in bed.markers
        if not any(made.whole_on(tile, marker, quiet_mm(bed, marker)) for tile in tiles)
    )
    return BedSheets(page, shown, tiles, made.cuts_x_mm, made.cuts_y_mm, alone)


def _starts(length: float, room: float) -> list[float]:
    if length <= room:
        return [0.0]
    count = math.ceil((length - OVERLAP_MM) / (room - OVERLAP_MM))
    return [float(v) for v in np.linspace(0.0, length - room, count)]


def _cuts(starts: list[float], shown: float) -> tuple[float, ...]:
    return tuple(0.5 * (low + shown + high) for low, high in pairwise(starts))


def modules(bed: BedSettings) -> int:
    """How many modules a marker of this dictionary has along a side, its black border included."""
    return int(bed.marker_dictionary[5]) + 2


def quiet_mm(bed: BedSettings, marker: BedMarker) -> float:
    """The white that must stay round a marker."""
    return QUIET * marker.size_mm / modules(bed)


def marker_rectangles(bed: BedSettings, marker: BedMarker) -> list[Rectangle]:
    """A marker in black: (x, y, width, height), bed mm, x, y the lower left corner.

    Raises UsageError where the dictionary has no marker of this number.
    """
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, bed.marker_dictionary))
    count = len(dictionary.bytesList)
    if marker.id >= count:
        raise UsageError(
            f"{bed.marker_dictionary} has no marker {marker.id}; its last is {count - 1}.",
            remedy="Change id in [[bed.marker]], or marker_dictionary in [bed].",
        )
    side = modules(bed)
    black = np.asarray(cv2.aruco.generateImageMarker(dictionary, marker.id, side)) < 128
    cell = marker.size_mm / side
    left, top = marker.x_mm - 0.5 * marker.size_mm, marker.y_mm + 0.5 * marker.size_mm
    return [
        (left + x * cell, top - (y + height) * cell, width * cell, height * cell)
        for x, y, width, height in _blocks(black)
    ]


def _blocks(black: np.ndarray) -> list[tuple[int, int, int, int]]:
    """Rectangles of black modules: runs of a row, joined with equal runs of the rows below."""
    open_runs: dict[tuple[int, int], tuple[int, int]] = {}
    done: list[tuple[int, int, int, int]] = []
    for y, row in enumerate([*black, np.zeros(black.shape[1], dtype=bool)]):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(np.int8), [0]])))
        runs = {(int(a), int(b - a)) for a, b in edges.reshape(-1, 2)}
        for run in [run for run in open_runs if run not in runs]:
            top, height = open_runs.pop(run)
            done.append((run[0], top, run[1], height))
        for run in runs:
            top, height = open_runs.get(run, (y, 0))
            open_runs[run] = (top, height + 1)
    return done
