"""Which taps are read together around a place, and which of these groups have the same shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.outline import Outline
from rig.model.units import FloatArray

_STRETCH_MM = 50.0  # of edge on either side that counts as the edge nearby
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
    """The nearest stretch of edge, in a frame at its point nearest to the centre.

    inward: unit normal (2,) in the plate frame, pointing into the wood; the frame's first axis
    points that way, its second 90° to the left. member_mm, foot_mm: (n, 2) members and their own
    nearest points of the edge in this frame; depth_mm: (n,) between the two.
    """

    inward: FloatArray
    member_mm: FloatArray
    foot_mm: FloatArray
    depth_mm: FloatArray


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
            edge = _edge_near(outline, centres[c], places[index])
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


def _edge_near(outline: Outline, centre: FloatArray, members: FloatArray) -> EdgeNearby:
    """The stretch of edge next to `centre` (2,), and where the members (n, 2) lie beside it."""
    best, foot, stretch = np.inf, centre, outline.rim[:2]
    for ring in (outline.rim, *outline.holes):
        ends = np.roll(ring, -1, axis=0)
        step = ends - ring
        length2 = np.maximum(np.sum(step * step, axis=1), 1e-12)
        along = np.clip(np.sum((centre - ring) * step, axis=1) / length2, 0.0, 1.0)
        nearest = ring + along[:, None] * step
        size = np.hypot(*(centre - nearest).T)
        k = int(np.argmin(size))
        if size[k] < best:
            best, foot = float(size[k]), nearest[k]
            close = np.hypot(*(ring - foot).T) <= _STRETCH_MM
            close[k] = True
            stretch = np.stack([ring[close], ends[close]], axis=1)
    inward = (centre - foot) / max(best, 1e-9)
    turn = np.column_stack([inward, [-inward[1], inward[0]]])
    start, step = stretch[:, 0], stretch[:, 1] - stretch[:, 0]
    offset = members[:, None, :] - start
    length2 = np.maximum(np.sum(step * step, axis=1), 1e-12)
    along = np.clip(np.sum(offset * step, axis=2) / length2, 0.0, 1.0)
    gap = offset - along[:, :, None] * step
    size2 = np.sum(gap * gap, axis=2)
    nearest = np.argmin(size2, axis=1)
    rows = np.arange(len(members))
    feet = members - gap[rows, nearest]
    return EdgeNearby(
        inward=inward,
        member_mm=(members - foot) @ turn,
        foot_mm=(feet - foot) @ turn,
        depth_mm=np.sqrt(size2[rows, nearest]),
    )
