"""Chalk or sticker marks on a plate: where they lie, and which of two colours they have.

The face is seen from above in its own frame, the arch taken off. A mark is a patch whose colour
departs from that of the wood around, has the size of a mark, keeps off edges and sound holes and
has an edge of its own; grain and flame change light more than colour, glare has no edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.frames import PlateXY
from rig.model.units import FloatArray
from rig.vision.hand_colours import chroma, white_of
from rig.vision.hand_view import PlateView
from rig.vision.lens import linear_light

Side = Literal["higher", "lower"]

_STEP_MM = 0.5
_EDGE_MM = 4.0  # rim and purfling
_HOLE_MM = 2.5
_WOOD_MM = 45.0  # reach of "the wood around"
_LEAST_STEP = 0.20  # of log chroma: a fifth less blue, say; chalk rubbed thin
_SDS = 6.0
_GLARE = 250
_LONGEST = 3.0  # length over width
_LEAST_FULL = 0.18  # of its hull; a cross or a ring of chalk
_EDGE_SHARE = 0.35  # of the step must happen within 1.5 mm of the edge
_LIKE = 0.80  # cosine between the change of colour and the one expected
_BRIGHT = 0.3  # of the wood's light: no hole
_DARK = 0.12  # of the wood's light: a hole, or its shadow


@dataclass(frozen=True)
class MarkSeen:
    """One mark: place (x, y) mm of the plate frame, side, width mm, and its colour against white.

    surety: 0…1, how much better it fits its own colour than the other.
    """

    x_mm: float
    y_mm: float
    side: Side
    width_mm: float
    chroma: tuple[float, float]
    surety: float


@dataclass(frozen=True)
class MarksSeen:
    """The marks, and what was left out, in words."""

    marks: tuple[MarkSeen, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Patch:
    place: FloatArray
    width_mm: float
    change: FloatArray  # of chroma against the wood around
    own: FloatArray  # chroma against white
    wood: FloatArray


def find_marks(
    picture: NDArray[np.uint8],
    view: PlateView,
    *,
    higher: FloatArray | None,
    lower: FloatArray | None,
    size_mm: tuple[float, float],
) -> MarksSeen:
    """Find the marks on the face that is up.

    higher, lower: (2,) chroma of the two colours against white; both None: warm colours (red,
    orange, yellow) mean higher, cool ones (green, blue, white) lower. size_mm: smallest and
    largest width of a mark.
    """
    white = white_of(picture, view.markers)
    patches, notes = _patches(picture, view, white, size_mm)
    marks, strange = [], []
    for patch in patches:
        side, surety = _side(patch, higher, lower)
        if side is None:
            strange.append(patch)
            continue
        marks.append(
            MarkSeen(
                float(patch.place[0]), float(patch.place[1]), side, patch.width_mm,
                (float(patch.own[0]), float(patch.own[1])), surety,
            )
        )  # fmt: skip
    if strange:
        where = ", ".join(f"x {p.place[0]:.0f}, y {p.place[1]:.0f} mm" for p in strange[:4])
        notes.append(f"{len(strange)} patches have neither of the two colours: left out ({where}).")
    if marks and higher is None and lower is None:
        notes.append("Warm colours were taken for higher, cool ones for lower.")
    return MarksSeen(tuple(marks), tuple(notes))


def _side(
    patch: _Patch, higher: FloatArray | None, lower: FloatArray | None
) -> tuple[Side | None, float]:
    """Which colour the patch has, and how sure that is.

    Chalk lets wood shine through: not the colour itself is compared but the way it departs from
    the wood.
    """
    if higher is None and lower is None:
        # towards red or away from blue is warm
        warmth = float(patch.change[0] - patch.change[1])
        size = float(np.hypot(*patch.change))
        return ("higher" if warmth > 0.0 else "lower"), min(abs(warmth) / size, 1.0)
    likes: list[tuple[float, Side]] = []
    told: tuple[tuple[FloatArray | None, Side], ...] = ((higher, "higher"), (lower, "lower"))
    for colour, side in told:
        if colour is None:
            continue
        way = colour - patch.wood
        norm = float(np.hypot(*way) * np.hypot(*patch.change))
        likes.append((float(way @ patch.change) / norm if norm > 0.0 else -1.0, side))
    likes.sort(reverse=True)
    best = likes[0]
    if best[0] < _LIKE:
        return None, 0.0
    rival = likes[1][0] if len(likes) > 1 else 0.0
    return best[1], float(np.clip(best[0] - rival, 0.0, 1.0))


def _patches(
    picture: NDArray[np.uint8], view: PlateView, white: FloatArray, size_mm: tuple[float, float]
) -> tuple[list[_Patch], list[str]]:
    low, flat = _seen_from_above(picture, view)
    rows, columns = flat.shape[:2]
    X, Y = np.meshgrid(low[0] + _STEP_MM * np.arange(columns), low[1] + _STEP_MM * np.arange(rows))
    light = linear_light(flat).max(axis=2)
    wood = _wood_mask(view, low, light)
    blurred = cv2.GaussianBlur(chroma(flat), (0, 0), 0.8)
    tint = np.asarray(blurred - white, dtype=np.float32)
    glare = cv2.dilate((flat.max(axis=2) >= _GLARE).astype(np.uint8), np.ones((5, 5), np.uint8))
    usual_light = float(np.median(light[wood])) if wood.any() else 1.0
    use = wood & (glare == 0) & (light > _DARK * usual_light)
    around = _around(tint, use)
    away = tint - around
    size = np.hypot(away[..., 0], away[..., 1])
    scatter = 1.4826 * float(np.median(size[use])) if use.any() else 0.0
    step = max(_LEAST_STEP, _SDS * scatter / np.sqrt(2.0 * np.log(2.0)))
    hit = ((size > step) & use).astype(np.uint8)
    hit = cv2.morphologyEx(hit, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    reach = round(3.0 / _STEP_MM) | 1
    joined = cv2.morphologyEx(
        hit, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    )
    count, label, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    found: list[_Patch] = []
    left = {"small": 0, "large": 0, "long": 0, "soft": 0}
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] * _STEP_MM**2 < 0.15 * size_mm[0] ** 2:
            left["small"] += 1
            continue
        body = (label == k) & (hit > 0)
        if body.any():  # the edge is where half of the change is gone
            body &= size > 0.5 * np.percentile(size[body], 75)
        points = np.column_stack([X[body], Y[body]]).astype(np.float32)
        if len(points) < 8:
            continue
        hull = cv2.convexHull(points)
        area = float(cv2.contourArea(hull))
        width = float(np.sqrt(4.0 * area / np.pi))
        _, sides, _ = cv2.minAreaRect(hull)
        if width < size_mm[0] or width > size_mm[1]:
            left["small" if width < size_mm[0] else "large"] += 1
            continue
        full = len(points) * _STEP_MM**2 / area
        if max(sides) > _LONGEST * max(min(sides), 1e-6) or full < _LEAST_FULL:
            left["long"] += 1
            continue
        if _edge_share(size, label == k, body) < _EDGE_SHARE:
            left["soft"] += 1
            continue
        weight = size[body]
        strong = weight >= np.percentile(weight, 50)
        inner = tint[body][strong].mean(axis=0)
        ground = around[body].mean(axis=0)
        ring = hull[:, 0, :].astype(np.float64)
        found.append(_Patch(_centre(ring), width, inner - ground, inner, ground))
    return found, _left_out(left, size_mm)


def _seen_from_above(
    picture: NDArray[np.uint8], view: PlateView
) -> tuple[FloatArray, NDArray[np.uint8]]:
    """The face as a raster of 0.5 mm in the plate frame, row y, column x; its first place."""
    rim = np.asarray(view.outline.rim)
    low = rim.min(axis=0) - 2.0
    columns, rows = np.ceil((np.ptp(rim, axis=0) + 4.0) / _STEP_MM).astype(int)
    coarse = 8
    x = np.arange(0, columns + coarse, coarse)
    y = np.arange(0, rows + coarse, coarse)
    gx, gy = np.meshgrid(low[0] + _STEP_MM * x, low[1] + _STEP_MM * y)
    uv = view.to_picture(np.column_stack([gx.ravel(), gy.ravel()]))
    uv = np.nan_to_num(uv, nan=-1e4).astype(np.float32)
    shrink = np.array([[1.0 / coarse, 0.0, 0.0], [0.0, 1.0 / coarse, 0.0]])
    u, v = (
        cv2.warpAffine(
            uv[:, i].reshape(gx.shape), shrink, (int(columns), int(rows)),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
        )
        for i in range(2)
    )  # fmt: skip
    flat = cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(low), np.asarray(flat, dtype=np.uint8)


def _wood_mask(view: PlateView, low: FloatArray, light: NDArray[np.float32]) -> np.ndarray:
    """(rows, columns) wood that lies clear of the rim and of sound holes.

    Of holes that only the picture shows a bright one is a sticker.
    """
    inside = np.zeros(light.shape, dtype=np.uint8)
    cv2.fillPoly(inside, [_corners(np.asarray(view.outline.rim), low)], 1, shift=4)
    clear = cv2.distanceTransform(inside, cv2.DIST_L2, 5) * _STEP_MM > _EDGE_MM
    usual = float(np.median(light[clear])) if clear.any() else 1.0
    for hole in view.outline.holes:
        open_ = np.ones(light.shape, dtype=np.uint8)
        cv2.fillPoly(open_, [_corners(np.asarray(hole), low)], 0, shift=4)
        bright = np.median(light[open_ == 0]) > _BRIGHT * usual if np.any(open_ == 0) else True
        if view.holes_known or not bright:
            clear &= cv2.distanceTransform(open_, cv2.DIST_L2, 5) * _STEP_MM > _HOLE_MM
    return np.asarray(clear)


def _corners(ring: FloatArray, low: FloatArray) -> NDArray[np.int32]:
    return np.round((ring - low) / _STEP_MM * 16.0).astype(np.int32)


def _around(tint: NDArray[np.float32], use: np.ndarray) -> NDArray[np.float32]:
    """Usual chroma of the wood around each place: medians of cells, then smoothed.

    A median does not mind marks that cover less than half of its cell.
    """
    cell = round(0.5 * _WOOD_MM / _STEP_MM)
    rows, columns = use.shape
    ny, nx = -(-rows // cell), -(-columns // cell)
    middle = np.zeros((ny, nx, 2), dtype=np.float32)
    weight = np.zeros((ny, nx), dtype=np.float32)
    overall = np.median(tint[use], axis=0) if use.any() else np.zeros(2)
    for r in range(ny):
        for c in range(nx):
            box = np.s_[r * cell : (r + 1) * cell, c * cell : (c + 1) * cell]
            inside = use[box]
            if inside.sum() >= 60:
                middle[r, c] = np.median(tint[box][inside], axis=0)
                weight[r, c] = float(inside.sum())
    total = cv2.GaussianBlur(middle * weight[..., None], (0, 0), 1.0) + 1e-3 * overall
    even = cv2.GaussianBlur(weight, (0, 0), 1.0)[..., None] + 1e-3
    smooth = (total / even).astype(np.float32)
    where = (np.arange(columns, dtype=np.float32) + 0.5) / cell - 0.5
    where_y = (np.arange(rows, dtype=np.float32) + 0.5) / cell - 0.5
    u, v = np.meshgrid(where, where_y)
    return np.asarray(
        cv2.remap(smooth, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32
    )


def _edge_share(size: NDArray[np.float32], region: np.ndarray, body: np.ndarray) -> float:
    """How much of the change of colour is gone 1.5 mm outside the patch, against its inside."""
    reach = round(1.5 / _STEP_MM)
    brush = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    grown = cv2.dilate(region.astype(np.uint8), brush) > 0
    rim = grown & (cv2.erode(grown.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
    inside = float(np.percentile(size[body], 75))
    return 1.0 - float(np.median(size[rim])) / inside if rim.any() and inside > 0.0 else 0.0


def _centre(ring: FloatArray) -> PlateXY:
    """Centre of area of a hull."""
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    area = float(cross.sum())
    centre = [float(np.sum((q + np.roll(q, -1)) * cross)) / (3.0 * area) for q in (x, y)]
    return PlateXY(ring[0] + np.array(centre))


def _left_out(left: dict[str, int], size_mm: tuple[float, float]) -> list[str]:
    notes = []
    if left["large"]:
        notes.append(f"{left['large']} coloured patches wider than {size_mm[1]:g} mm: left out.")
    if left["long"]:
        notes.append(f"{left['long']} coloured streaks or thin nets of lines: left out.")
    if left["soft"]:
        notes.append(f"{left['soft']} patches without an edge (light, glare or stain): left out.")
    return notes
