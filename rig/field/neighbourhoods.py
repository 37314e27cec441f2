"""Which taps are read together around a place, and which of these groups have the same shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.outline import Outline
from rig.model.units import FloatArray

_ROUND_MM = 0.5  # places closer than this to a shape share its matrices


@dataclass(frozen=True)
class Neighbourhood:
    """Taps read together around several centres that see them in the same arrangement.

    centres: (c,) indices into the places asked for; members: (c, n) indices of taps;
    offset_mm: (n, 2) from the centre; edge: the rim nearby, None where it is far.
    """

    centres: NDArray[np.int64]
    members: NDArray[np.int64]
    offset_mm: FloatArray
    edge: EdgeNearby | None = None


@dataclass(frozen=True)
class EdgeNearby:
    """The nearest stretch of rim as a straight line.

    inward: unit normal (2,) pointing into the wood; depth_mm, along_mm: (n,) of the members.
    """

    inward: FloatArray
    depth_mm: FloatArray
    along_mm: FloatArray


def neighbourhoods(
    places: FloatArray,
    centres: FloatArray,
    outline: Outline,
    *,
    radius_mm: float,
    edge_reach_mm: float,
    fewest: int = 12,
    most: int = 40,
) -> list[Neighbourhood]:
    """Group `centres` (c, 2) by the arrangement of `places` (n, 2) around them.

    A neighbour counts only when the straight way to it lies on wood. Where fewer than `fewest`
    lie within the radius, the next nearest up to 1.5 radii are taken too.
    """
    from scipy.spatial import cKDTree

    tree = cKDTree(places)
    depth = outline.edge_distance_mm(centres)
    place_depth = outline.edge_distance_mm(places)
    near = tree.query_ball_point(centres, 1.5 * radius_mm)
    groups: dict[tuple[object, ...], tuple[list[int], list[NDArray[np.int64]], FloatArray]] = {}
    edges: dict[tuple[object, ...], EdgeNearby | None] = {}
    for c, found in enumerate(near):
        index = np.asarray(found, dtype=np.int64)
        offset = places[index] - centres[c]
        gap = np.hypot(offset[:, 0], offset[:, 1])
        doubtful = depth[c] + place_depth[index] < gap
        if doubtful.any():
            clear = ~doubtful
            ends = places[index[doubtful]]
            clear[doubtful] = straight_way(outline, np.broadcast_to(centres[c], ends.shape), ends)
            index, offset, gap = index[clear], offset[clear], gap[clear]
        order = np.argsort(gap, kind="stable")
        inside = int(np.sum(gap <= radius_mm))
        order = order[: min(max(inside, fewest), most)]
        index, offset = index[order], offset[order]
        rounded = np.round(offset / _ROUND_MM).astype(int)
        order = np.lexsort((rounded[:, 0], rounded[:, 1]))
        index, offset, rounded = index[order], offset[order], rounded[order]
        edge = None
        key: tuple[object, ...] = (len(index), rounded.tobytes())
        if depth[c] < edge_reach_mm and len(index):
            edge = _edge_near(outline, centres[c], places[index], place_depth[index])
            key = (*key, c)
        if key not in groups:
            groups[key] = ([], [], offset)
            edges[key] = edge
        groups[key][0].append(c)
        groups[key][1].append(index)
    return [
        Neighbourhood(
            centres=np.array(mine, dtype=np.int64),
            members=np.array(members, dtype=np.int64).reshape(len(mine), -1),
            offset_mm=offset,
            edge=edges[key],
        )
        for key, (mine, members, offset) in groups.items()
    ]


def straight_way(outline: Outline, starts: FloatArray, ends: FloatArray) -> NDArray[np.bool_]:
    """Whether the straight lines between paired places (m, 2) stay on wood; (m,)."""
    share = (np.arange(5) + 1.0) / 6.0
    points = starts + share[:, None, None] * (ends - starts)
    inside = outline.contains(points.reshape(-1, 2)).reshape(5, -1)
    return np.asarray(inside.all(axis=0))


def _edge_near(
    outline: Outline, centre: FloatArray, members: FloatArray, depth_mm: FloatArray
) -> EdgeNearby:
    inward = _inward_normal(outline, centre)
    along = np.array([-inward[1], inward[0]])
    return EdgeNearby(inward=inward, depth_mm=depth_mm, along_mm=(members - centre) @ along)


def _inward_normal(outline: Outline, point: FloatArray) -> FloatArray:
    """Unit vector from the nearest point of any edge towards `point` (2,)."""
    best, vector = np.inf, np.array([1.0, 0.0])
    for ring in (outline.rim, *outline.holes):
        step = np.roll(ring, -1, axis=0) - ring
        length2 = np.maximum(np.sum(step * step, axis=1), 1e-12)
        along = np.clip(np.sum((point - ring) * step, axis=1) / length2, 0.0, 1.0)
        gap = point - ring - along[:, None] * step
        size = np.hypot(gap[:, 0], gap[:, 1])
        k = int(np.argmin(size))
        if size[k] < best:
            best, vector = float(size[k]), gap[k] / max(size[k], 1e-9)
    return np.asarray(vector, dtype=np.float64)
