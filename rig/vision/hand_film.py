"""A small coloured marker on nail or tool, followed through a film of the bed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.vision.hand_colours import chroma
from rig.vision.hand_view import PlateView

MARKER_MM = (3.0, 20.0)  # widths of a marker, smallest and largest
_BESIDE_MM = 60.0  # of bed around the plate that is looked at
_DEPARTS = 0.35  # of log chroma from the picture without hand
_STRONG = 0.55  # chroma against white of a marker whose colour is told, at least
_STRONGEST = 1.1  # of one that is not: more than skin, wood and most sleeves have
_WHITE = 0.25  # chroma below which a colour is white or grey
_NEAR_PX = 140  # around the last place, where the marker is looked for first
_REACH = 0.42  # of log chroma, from the marker's own
_SAME_WAY = 0.85  # cosine between the colour told and the one seen
_BINS = 48
_SPAN = 3.0  # of log chroma, either way
_LEAST_PIXELS = 5
_IN_PICTURES = 0.25  # of the pictures looked at must show the marker
_FARTHEST_MM = 60.0  # between two pictures, where nearness decides between two patches

Box = tuple[slice, slice]


@dataclass(frozen=True)
class Seen:
    """The marker in one picture: (u, v) px and how many pixels it covers."""

    uv: FloatArray
    pixels: float


def box_of(view: PlateView, shape: tuple[int, int]) -> Box:
    """Rows and columns of a picture of `shape` that hold the plate and what is close to it."""
    rim = np.asarray(view.outline.rim)
    low, high = rim.min(axis=0) - _BESIDE_MM, rim.max(axis=0) + _BESIDE_MM
    corners = np.array([[x, y] for x in (low[0], high[0]) for y in (low[1], high[1])])
    uv = view.to_picture(corners)
    left, top = np.maximum(np.floor(uv.min(axis=0)).astype(int), 0)
    right, bottom = np.ceil(uv.max(axis=0)).astype(int) + 1
    return slice(int(top), min(int(bottom), shape[0])), slice(int(left), min(int(right), shape[1]))


def without_hand(pictures: Sequence[NDArray[np.uint8]]) -> NDArray[np.uint8]:
    """The bed without what moves over it: the median of pictures (rows, columns, 3), by strips."""
    out = np.empty_like(pictures[0])
    for row in range(0, out.shape[0], 120):
        strip = np.stack([picture[row : row + 120] for picture in pictures])
        out[row : row + 120] = np.median(strip, axis=0).astype(np.uint8)
    return out


def marker_colour(
    pictures: Sequence[NDArray[np.uint8]],
    still: NDArray[np.uint8],
    box: Box,
    white: FloatArray,
    told: FloatArray | None,
) -> FloatArray | None:
    """(2,) chroma of the marker as this camera sees it; None where nothing fits.

    still: the bed without hand. told: (2,) chroma against white of the colour it should have;
    None: the commonest strong colour that comes and goes.
    """
    ground = chroma(still[box])
    heap = np.zeros((_BINS, _BINS))
    shown = np.zeros((_BINS, _BINS))
    for picture in pictures:
        seen = chroma(picture[box])
        away = np.hypot(*np.moveaxis(seen - ground, -1, 0)) > _DEPARTS
        against = (seen - white.astype(np.float32))[away & (picture[box].max(axis=2) > 40)]
        keep = _may_be(against, told)
        place = np.clip((against[keep] + _SPAN) / (2.0 * _SPAN) * _BINS, 0, _BINS - 1).astype(int)
        # a patch in many pictures counts for more than one large thing in a single picture
        here = np.zeros_like(heap)
        np.add.at(here, (place[:, 0], place[:, 1]), 1.0)
        heap += np.minimum(here, 400.0)
        shown += cv2.blur(here, (3, 3)) * 9.0 >= _LEAST_PIXELS
    heap = np.asarray(cv2.GaussianBlur(heap, (0, 0), 1.0), dtype=np.float64)
    heap[shown < max(3.0, _IN_PICTURES * len(pictures))] = 0.0
    if heap.max() <= 0.0:
        return None
    top = np.unravel_index(int(np.argmax(heap)), heap.shape)
    middle = (np.array(top) + 0.5) / _BINS * 2.0 * _SPAN - _SPAN
    return np.asarray(middle + white)


def _may_be(against: NDArray[np.float32], told: FloatArray | None) -> np.ndarray:
    """Which chroma against white, (n, 2), may be the marker's."""
    size = np.hypot(against[:, 0], against[:, 1])
    if told is None:
        return np.asarray(size > _STRONGEST)
    full = float(np.hypot(*told))
    if full < _WHITE:
        return np.asarray(size < _WHITE)
    # skin is a pale red and a pale orange: the marker is at least half as strong as its name
    way = against @ told.astype(np.float32) > _SAME_WAY * size * full
    return np.asarray(way & (size > max(_STRONG, 0.5 * full)))


class MarkerFinder:
    """Finds the marker in one picture after the other.

    still: the bed without hand; colour: (2,) chroma as the camera sees it.
    """

    def __init__(
        self, still: NDArray[np.uint8], box: Box, colour: FloatArray, view: PlateView
    ) -> None:
        self._box = box
        self._ground = chroma(still[box])
        self._colour = colour.astype(np.float32)
        scale = view.px_per_mm()
        # a slanting camera sees half of a round marker, a shaded one less
        self._least = max(_LEAST_PIXELS, 0.25 * (MARKER_MM[0] * scale) ** 2)
        self._most = 1.5 * (MARKER_MM[1] * scale) ** 2
        self._farthest_px = _FARTHEST_MM * scale

    def find(self, picture: NDArray[np.uint8], last: FloatArray | None = None) -> Seen | None:
        """The marker; None where it is hidden. last: (u, v) where it was seen before."""
        if last is not None:
            found = self._look(picture, self._near(last), last)
            if found is not None:
                return found
        return self._look(picture, self._box, last)

    def _near(self, last: FloatArray) -> Box:
        u, v = round(float(last[0])), round(float(last[1]))
        rows, columns = self._box
        return (
            slice(max(rows.start, v - _NEAR_PX), min(rows.stop, v + _NEAR_PX)),
            slice(max(columns.start, u - _NEAR_PX), min(columns.stop, u + _NEAR_PX)),
        )

    def _look(self, picture: NDArray[np.uint8], box: Box, last: FloatArray | None) -> Seen | None:
        part = picture[box]
        if part.size == 0:
            return None
        corner = np.array([box[1].start, box[0].start], dtype=np.float64)
        ground = self._ground[
            box[0].start - self._box[0].start : box[0].stop - self._box[0].start,
            box[1].start - self._box[1].start : box[1].stop - self._box[1].start,
        ]
        seen = chroma(part)
        off = np.hypot(*np.moveaxis(seen - self._colour, -1, 0))
        away = np.hypot(*np.moveaxis(seen - ground, -1, 0)) > _DEPARTS
        like = ((off < _REACH) & away & (part.max(axis=2) > 30)).astype(np.uint8)
        like = cv2.morphologyEx(like, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
        count, label, stats, centres = cv2.connectedComponentsWithStats(like, connectivity=8)
        best, merit = None, 0.0
        for k in range(1, count):
            pixels = float(stats[k, cv2.CC_STAT_AREA])
            if not self._least <= pixels <= self._most:
                continue
            worth = np.sqrt(pixels)
            if last is not None:
                gap = float(np.hypot(*(centres[k] + corner - last)))
                worth *= np.exp(-0.5 * (gap / self._farthest_px) ** 2) + 0.05
            if worth > merit:
                best, merit = k, worth
        if best is None:
            return None
        left, top, width, height, _ = stats[best]
        near = np.s_[max(top - 2, 0) : top + height + 2, max(left - 2, 0) : left + width + 2]
        # the edge counts by how much of it is marker: finer than a pixel
        share = np.clip(1.5 - off[near] / _REACH, 0.0, 1.0) * away[near] * (label[near] == best)
        rows, columns = np.mgrid[near[0].start : near[0].start + share.shape[0],
                                 near[1].start : near[1].start + share.shape[1]]  # fmt: skip
        total = float(share.sum())
        uv = np.array([float((share * columns).sum()), float((share * rows).sum())]) / total
        return Seen(uv + corner, total)


def without_strays(time_s: FloatArray, places: FloatArray, most_mm: float = 8.0) -> np.ndarray:
    """(n,) which places keep to the path: not further than `most_mm` from the line between the
    medians of the three before and the three after, where these agree with each other.
    """
    n = len(places)
    keep = np.ones(n, dtype=bool)
    for k in range(n):
        before, after = places[max(0, k - 3) : k], places[k + 1 : k + 4]
        if len(before) < 2 or len(after) < 2 or time_s[min(k + 3, n - 1)] - time_s[k] > 0.5:
            continue
        a, b = np.median(before, axis=0), np.median(after, axis=0)
        wide = float(np.hypot(*(b - a)))
        if float(np.hypot(*(places[k] - 0.5 * (a + b)))) > most_mm + wide:
            keep[k] = False
    return keep
