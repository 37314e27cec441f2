"""Triangles for a plate: an outline and its holes filled with well-shaped elements.

Boundary points are spread along each ring (corners kept), interior points start on a hexagonal
grid, finer near sound holes, and are smoothed between Delaunay triangulations (Persson and Strang,
SIAM Rev. 46 (2004) 329, is the idea; no force balance is needed at this size).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay, cKDTree

from rig.model import polygon
from rig.model.errors import OutlineError
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.units import FloatArray

IntArray = NDArray[np.int64]
Size = Callable[[FloatArray], FloatArray]  # wanted edge length (n,) mm at (n, 2) places

_CORNER_DEG = 35.0
_SMOOTHING_PASSES = 12


@dataclass(frozen=True)
class TriangleMesh:
    """points_mm (n, 2); triangles (m, 3), counter-clockwise, the corner numbers of each."""

    points_mm: FloatArray
    triangles: IntArray

    @property
    def areas_mm2(self) -> FloatArray:
        """Area of every triangle, (m,)."""
        a, b, c = (self.points_mm[self.triangles[:, k]] for k in range(3))
        cross = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
        return np.asarray(0.5 * cross, dtype=np.float64)

    @property
    def quality(self) -> FloatArray:
        """4·√3·area ÷ sum of squared sides, (m,): 1 if equilateral, 0 for a sliver."""
        corners = self.points_mm[self.triangles]
        sides2 = np.sum((corners - np.roll(corners, 1, axis=1)) ** 2, axis=(1, 2))
        return np.asarray(4.0 * np.sqrt(3.0) * self.areas_mm2 / sides2, dtype=np.float64)


def triangulate(
    outline: Outline, size_mm: float, hole_size_mm: float | None = None
) -> TriangleMesh:
    """Fill the outline with triangles of about `size_mm`, smaller near its holes.

    Raises OutlineError when the rim cannot be followed at this size.
    """
    near_holes = min(size_mm, hole_size_mm if hole_size_mm is not None else 0.4 * size_mm)

    def wanted(xy: FloatArray) -> FloatArray:
        if not outline.holes:
            return np.full(len(xy), size_mm)
        gap = np.min([polygon.distance_to_edge_mm(h, xy) for h in outline.holes], axis=0)
        return np.asarray(np.minimum(size_mm, near_holes + 0.35 * gap), dtype=np.float64)

    rings = [_spread(np.asarray(ring), wanted) for ring in (outline.rim, *outline.holes)]
    for _attempt in range(4):
        mesh, missing = _fill(rings, wanted)
        if not missing:
            return mesh
        offsets = np.cumsum([0, *(len(ring) for ring in rings[:-1])])
        rings = [_split(r, missing, int(start)) for r, start in zip(rings, offsets, strict=True)]
    raise OutlineError(
        "The rim cannot be followed by a mesh of this size.",
        remedy="Use a smaller element size or a smoother outline.",
    )


def _spread(ring: FloatArray, wanted: Size) -> FloatArray:
    """Spread points along a ring, about the wanted size apart; corners stay, area is kept."""
    corner_at = np.flatnonzero(_turn_deg(ring) > _CORNER_DEG)
    if len(corner_at) == 0:
        corner_at = np.array([0])
    points: list[FloatArray] = []
    for start, stop in zip(corner_at, np.roll(corner_at, -1), strict=True):
        stop = stop if stop > start else stop + len(ring)
        run = ring[np.arange(start, stop + 1) % len(ring)]
        points.append(_spread_run(run, wanted))
    return np.vstack(points)


def _turn_deg(ring: FloatArray) -> FloatArray:
    ahead = np.roll(ring, -1, axis=0) - ring
    behind = ring - np.roll(ring, 1, axis=0)
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    return np.asarray(np.abs(np.rad2deg(np.arctan2(cross, np.sum(ahead * behind, axis=1)))))


def _spread_run(run: FloatArray, wanted: Size) -> FloatArray:
    """Points of one smooth run, its last corner left off.

    Inner points are moved outwards by two thirds of the neighbouring chords' sagitta, so that the
    straight-sided mesh keeps the area of the curved plate to second order.
    """
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(run, axis=0).T))])
    fine = np.linspace(0.0, arc[-1], max(8, int(arc[-1])))
    xy = np.column_stack([np.interp(fine, arc, run[:, k]) for k in range(2)])
    density = 1.0 / wanted(xy)
    cumulative = np.concatenate(
        [[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(fine))]
    )
    count = max(1, round(cumulative[-1]))
    at = np.interp(np.linspace(0.0, cumulative[-1], count + 1), cumulative, fine)
    middle = 0.5 * (at[1:] + at[:-1])

    def place(s: FloatArray) -> FloatArray:
        return np.column_stack([np.interp(s, arc, run[:, k]) for k in range(2)])

    nodes = place(at)
    chord = np.diff(nodes, axis=0)
    outwards = np.column_stack([chord[:, 1], -chord[:, 0]]) / np.hypot(*chord.T)[:, None]
    sagitta = (place(middle) - 0.5 * (nodes[1:] + nodes[:-1])) * outwards
    bulge = np.sum(sagitta, axis=1)[:, None] * outwards
    nodes[1:-1] += (2.0 / 3.0) * 0.5 * (bulge[1:] + bulge[:-1])
    return nodes[:-1]


def _split(points: FloatArray, missing: set[int], offset: int) -> FloatArray:
    """Halve the boundary edges that the triangulation did not follow."""
    out = []
    for i, point in enumerate(points):
        out.append(point)
        if offset + i in missing:
            out.append(0.5 * (point + points[(i + 1) % len(points)]))
    return np.array(out)


def _fill(rings: list[FloatArray], wanted: Size) -> tuple[TriangleMesh, set[int]]:
    """Mesh between the rings, and the first points of boundary edges that it does not follow."""
    boundary = np.vstack(rings)
    follower = Outline(PlateXY(rings[0]), tuple(PlateXY(ring) for ring in rings[1:]))
    points = np.vstack([boundary, _seed_points(follower, boundary, wanted)])
    triangles = _inside(points, follower)
    for _pass in range(_SMOOTHING_PASSES):
        points = _smoothed(points, triangles, len(boundary), wanted)
        triangles = _inside(points, follower)
    triangles = _counter_clockwise(points, triangles)
    sides = np.sort(np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]))
    edges = {(int(a), int(b)) for a, b in sides}
    missing: set[int] = set()
    start = 0
    for ring in rings:
        for i in range(len(ring)):
            a, b = start + i, start + (i + 1) % len(ring)
            if (min(a, b), max(a, b)) not in edges:
                missing.add(a)
        start += len(ring)
    used = np.unique(triangles)
    renumber = np.full(len(points), -1)
    renumber[used] = np.arange(len(used))
    return TriangleMesh(points[used], renumber[triangles]), missing


def _seed_points(outline: Outline, boundary: FloatArray, wanted: Size) -> FloatArray:
    """Hexagonal grids of growing spacing, each where its spacing is wanted."""
    low, high = boundary.min(axis=0), boundary.max(axis=0)
    coarsest = float(np.max(wanted(boundary)))
    chosen: list[FloatArray] = []
    taken = cKDTree(boundary)
    spacing = float(np.min(wanted(boundary))) * 0.5
    levels = []
    while spacing < coarsest * 1.001:
        levels.append(spacing)
        spacing *= 1.19
    for step in [*levels, coarsest]:
        xs = np.arange(low[0], high[0] + step, step)
        ys = np.arange(low[1], high[1] + step, step * np.sqrt(3.0) / 2.0)
        gx, gy = np.meshgrid(xs, ys)
        gx[1::2] += 0.5 * step
        grid = np.column_stack([gx.ravel(), gy.ravel()])
        grid = grid[outline.contains(grid)]
        if len(grid) == 0:
            continue
        size = wanted(grid)
        grid = grid[(size >= step * 0.98) & ((size < step * 1.19) | (step == coarsest))]
        if len(grid) == 0:
            continue
        grid = grid[taken.query(grid)[0] > 0.72 * step]
        if len(grid):
            chosen.append(grid)
            taken = cKDTree(np.vstack([boundary, *chosen]))
    return np.vstack(chosen) if chosen else np.empty((0, 2))


def _inside(points: FloatArray, outline: Outline) -> IntArray:
    triangles = Delaunay(points).simplices.astype(np.int64)
    centroids = points[triangles].mean(axis=1)
    corners = points[triangles]
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    area = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    longest = np.max(np.sum((corners - np.roll(corners, 1, axis=1)) ** 2, axis=2), axis=1)
    kept = outline.contains(centroids) & (area > 1e-3 * longest)
    return np.asarray(triangles[kept], dtype=np.int64)


def _smoothed(points: FloatArray, triangles: IntArray, fixed: int, wanted: Size) -> FloatArray:
    """Move every inner point to the size-weighted mean of its triangles' centroids."""
    centroids = points[triangles].mean(axis=1)
    corners = points[triangles]
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    area = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    weight = area / wanted(centroids) ** 2
    total = np.zeros(len(points))
    moved = np.zeros_like(points)
    for k in range(3):
        np.add.at(total, triangles[:, k], weight)
        np.add.at(moved, triangles[:, k], weight[:, None] * centroids)
    out = points.copy()
    inner = np.flatnonzero(total > 0)
    inner = inner[inner >= fixed]
    out[inner] = moved[inner] / total[inner][:, None]
    return out


def _counter_clockwise(points: FloatArray, triangles: IntArray) -> IntArray:
    a, b, c = (points[triangles[:, k]] for k in range(3))
    clockwise = (b - a)[:, 0] * (c - a)[:, 1] < (b - a)[:, 1] * (c - a)[:, 0]
    out = triangles.copy()
    out[clockwise] = out[clockwise][:, [0, 2, 1]]
    return out
