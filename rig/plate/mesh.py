"""Triangles over the wood of an outline, sound holes left out.

Interior points on a hexagonal grid, rim and holes resampled at even steps with their corners
kept, Delaunay, a few smoothing passes; edges that Delaunay misses are split until all are there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.errors import OutlineError
from rig.model.outline import Outline
from rig.model.units import FloatArray

_CORNER_RAD = np.deg2rad(35.0)


@dataclass(frozen=True)
class PlateMesh:
    """points_mm (n, 2); triangles (m, 3) counter-clockwise, indices into points_mm."""

    points_mm: FloatArray
    triangles: NDArray[np.intp]

    @property
    def area_mm2(self) -> float:
        """Area covered by the triangles."""
        return float(np.sum(self._doubled_areas()) / 2.0)

    def _doubled_areas(self) -> FloatArray:
        a, b, c = (self.points_mm[self.triangles[:, i]] for i in range(3))
        return np.asarray(
            (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
        )

    def locate(self, xy_mm: FloatArray) -> NDArray[np.intp]:
        """Triangle that holds each of the (k, 2) places, the nearest for places just outside."""
        corner = self.points_mm[self.triangles]
        doubled = self._doubled_areas()
        found = np.empty(len(xy_mm), dtype=np.intp)
        for start in range(0, len(xy_mm), 256):
            x = xy_mm[start : start + 256, 0][:, None]
            y = xy_mm[start : start + 256, 1][:, None]
            inside = np.full((len(x), len(doubled)), np.inf)
            for i in range(3):
                p, q = corner[:, (i + 1) % 3], corner[:, (i + 2) % 3]
                side = (q[:, 0] - p[:, 0]) * (y - p[:, 1]) - (q[:, 1] - p[:, 1]) * (x - p[:, 0])
                inside = np.minimum(inside, side / doubled)
            found[start : start + 256] = np.argmax(inside, axis=1)
        return found


def mesh_of(outline: Outline, size_mm: float = 12.0) -> PlateMesh:
    """Mesh the wood with triangles of about `size_mm`; OutlineError when that cannot be done."""
    rings = [_resampled(outline.rim, size_mm)]
    rings += [_resampled(hole, min(size_mm, 6.0)) for hole in outline.holes]
    interior = _hexagonal_points(outline, size_mm)
    segments, boundary = _segments(rings)
    for _ in range(12):
        points = np.vstack([boundary, interior])
        triangles = _wood_triangles(points, rings)
        present = _edge_keys(triangles)
        missing = [s for s in segments if (min(s), max(s)) not in present]
        if not missing:
            break
        boundary, segments = _split(boundary, segments, set(missing))
    else:
        raise OutlineError(
            "The outline could not be covered with triangles: its edges lie too close together.",
            remedy="Look for a narrow neck between rim and sound hole, or a spike in the outline.",
        )
    points, triangles = _smoothed(boundary, interior, rings)
    return PlateMesh(points_mm=points, triangles=triangles)


def _resampled(ring: FloatArray, step_mm: float) -> FloatArray:
    """Even steps along a closed ring between its corners; each chord keeps the area of its arc."""
    corners = _corner_indices(ring, step_mm)
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    total = along[-1]
    stops = [along[i] for i in corners] or [0.0]
    places: list[float] = []
    for start, end in zip(stops, [*stops[1:], stops[0] + total], strict=True):
        count = max(1, round((end - start) / step_mm))
        if len(stops) == 1:
            count = max(3, count)
        places.extend(start + (end - start) * np.arange(count) / count)
    s = np.array(places)
    nodes = np.column_stack([np.interp(s % total, along, closed[:, k]) for k in (0, 1)])
    is_corner = np.isin(s, np.array(stops)) if corners else np.zeros(len(s), dtype=bool)
    return _area_kept(ring, along, s, nodes, is_corner)


def _corner_indices(ring: FloatArray, step_mm: float) -> list[int]:
    """Vertices where the rim turns by more than 35° within half a step either way."""
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    total = along[-1]
    reach = min(0.35 * step_mm, total / 20.0)

    def at(s: FloatArray) -> FloatArray:
        return np.column_stack([np.interp(s % total, along, closed[:, k]) for k in (0, 1)])

    here = along[:-1]
    before, after = ring - at(here - reach), at(here + reach) - ring
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.abs(np.arctan2(cross, np.sum(before * after, axis=1)))
    corners: list[int] = []
    for index in np.argsort(-turn):
        if turn[index] < _CORNER_RAD:
            break
        gaps = [abs((here[index] - here[k] + total / 2) % total - total / 2) for k in corners]
        if all(gap > 2.0 * reach for gap in gaps):
            corners.append(int(index))
    return sorted(corners)


def _area_kept(
    ring: FloatArray,
    along: FloatArray,
    s: FloatArray,
    nodes: FloatArray,
    is_corner: np.ndarray,
) -> FloatArray:
    """Push nodes outwards so that straight chords enclose the area of the curve they replace."""
    total = along[-1]
    closed = np.vstack([ring, ring[:1]])
    ends = np.append(s[1:], s[0] + total)
    defect = np.empty(len(s))
    for k, (start, end) in enumerate(zip(s, ends, strict=True)):
        places = np.linspace(start, end, 9) % total
        arc = np.column_stack([np.interp(places, along, closed[:, i]) for i in (0, 1)])
        x, y = arc[:, 0], arc[:, 1]
        defect[k] = 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)
    chord = np.roll(nodes, -1, axis=0) - nodes
    length = np.hypot(*chord.T)
    outward = np.column_stack([chord[:, 1], -chord[:, 0]]) / length[:, None]
    push = defect / length
    previous_push, previous_out = np.roll(push, 1), np.roll(outward, 1, axis=0)
    direction = outward + previous_out
    direction /= np.maximum(np.hypot(*direction.T), 1e-9)[:, None]
    shift = 0.5 * (push + previous_push)[:, None] * direction
    return nodes + np.where(is_corner[:, None], 0.0, shift)


def _hexagonal_points(outline: Outline, size_mm: float) -> FloatArray:
    """Interior grid points that keep clear of the rim, and of the holes by less."""
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    middle = 0.5 * (low + high)
    rise = size_mm * np.sqrt(0.75)
    rows = np.arange(-int((high - low)[1] / rise), int((high - low)[1] / rise) + 1)
    columns = np.arange(-int((high - low)[0] / size_mm), int((high - low)[0] / size_mm) + 1)
    row, column = np.meshgrid(rows, columns, indexing="ij")
    x = middle[0] + size_mm * (column + 0.5 * (row % 2))
    grid = np.column_stack([x.ravel(), (middle[1] + rise * row).ravel()])
    grid = grid[outline.contains(grid)]
    rim_only = Outline(rim=outline.rim)
    keep = rim_only.edge_distance_mm(grid) > 0.6 * size_mm
    for hole in outline.holes:
        keep &= Outline(rim=hole).edge_distance_mm(grid) > 0.4 * size_mm
    return grid[keep]


def _segments(rings: list[FloatArray]) -> tuple[list[tuple[int, int]], FloatArray]:
    segments: list[tuple[int, int]] = []
    start = 0
    for ring in rings:
        n = len(ring)
        segments.extend((start + i, start + (i + 1) % n) for i in range(n))
        start += n
    return segments, np.vstack(rings)


def _split(
    boundary: FloatArray, segments: list[tuple[int, int]], missing: set[tuple[int, int]]
) -> tuple[FloatArray, list[tuple[int, int]]]:
    """Halve the missing segments."""
    added: list[FloatArray] = []
    out: list[tuple[int, int]] = []
    for a, b in segments:
        if (a, b) in missing:
            middle = len(boundary) + len(added)
            added.append(0.5 * (boundary[a] + boundary[b]))
            out.extend([(a, middle), (middle, b)])
        else:
            out.append((a, b))
    return np.vstack([boundary, *added]), out


def _wood_triangles(points: FloatArray, rings: list[FloatArray]) -> NDArray[np.intp]:
    from scipy.spatial import Delaunay

    triangles = Delaunay(points).simplices.astype(np.intp)
    a, b, c = (points[triangles[:, i]] for i in range(3))
    doubled = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    triangles[doubled < 0] = triangles[doubled < 0][:, ::-1]
    wood = Outline(rim=rings[0], holes=tuple(rings[1:]))  # type: ignore[arg-type]
    inside = wood.contains((a + b + c) / 3.0) & (np.abs(doubled) > 1e-6)
    return triangles[inside]


def _edge_keys(triangles: NDArray[np.intp]) -> set[tuple[int, int]]:
    edges = np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    edges.sort(axis=1)
    return set(map(tuple, edges.tolist()))


def _smoothed(
    boundary: FloatArray, interior: FloatArray, rings: list[FloatArray], passes: int = 6
) -> tuple[FloatArray, NDArray[np.intp]]:
    """Move every interior point to the middle of its neighbours; the rim stays."""
    fixed = len(boundary)
    points = np.vstack([boundary, interior])
    triangles = _wood_triangles(points, rings)
    edges = np.array(sorted(_edge_keys(triangles)))
    for _ in range(passes):
        count = np.zeros(len(points))
        total = np.zeros_like(points)
        for a, b in ((0, 1), (1, 0)):
            np.add.at(count, edges[:, a], 1.0)
            np.add.at(total, edges[:, a], points[edges[:, b]])
        target = total / np.maximum(count, 1.0)[:, None]
        points[fixed:] += 0.6 * (target[fixed:] - points[fixed:])
    used = np.unique(triangles)
    renumbered = np.full(len(points), -1, dtype=np.intp)
    renumbered[used] = np.arange(len(used))
    mesh = PlateMesh(points_mm=points[used], triangles=renumbered[triangles])
    if np.min(mesh._doubled_areas()) <= 0:
        raise OutlineError("The outline could not be covered with triangles.")
    return mesh.points_mm, mesh.triangles
