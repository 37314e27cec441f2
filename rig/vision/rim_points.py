"""The rim of an outline as evenly spaced points with outward normals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.frames import Face, PlateXY, Pose
from rig.model.units import FloatArray


@dataclass(frozen=True)
class RimPoints:
    """places, normals: (n, 2), plate frame; spacing_mm: distance along the rim."""

    places: FloatArray
    normals: FloatArray
    spacing_mm: float

    @property
    def middle(self) -> FloatArray:
        """Mean of the places, (2,): the point about which a pose is turned."""
        return np.asarray(self.places.mean(axis=0), dtype=np.float64)


def rim_points(rim: FloatArray, spacing_mm: float) -> RimPoints:
    """Points along a counter-clockwise closed polygon, about `spacing_mm` apart.

    Normals are those of the edges, smoothed over the neighbouring points; at sharp corners they
    point along the bisector.
    """
    step = np.roll(rim, -1, axis=0) - rim
    length = np.hypot(step[:, 0], step[:, 1])
    along = np.concatenate([[0.0], np.cumsum(length)])
    count = max(round(float(along[-1]) / spacing_mm), 8)
    s = (np.arange(count) + 0.5) * along[-1] / count
    closed = np.vstack([rim, rim[:1]])
    places = np.column_stack([np.interp(s, along, closed[:, i]) for i in range(2)])
    ahead = s + 1.0
    behind = s - 1.0
    tangent = np.column_stack(
        [
            np.interp(ahead % along[-1], along, closed[:, i])
            - np.interp(behind % along[-1], along, closed[:, i])
            for i in range(2)
        ]
    )
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    normals = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    return RimPoints(places, normals, float(along[-1] / count))


def posed(points: RimPoints, pose: Pose) -> tuple[FloatArray, FloatArray]:
    """Places and outward normals in the bed frame; (n, 2) each."""
    places = pose.to_bed(PlateXY(points.places))
    ends = pose.to_bed(PlateXY(points.places + points.normals))
    return places, ends - places


def pose_about(
    middle_plate: FloatArray, middle_bed: FloatArray, angle_deg: float, face: Face
) -> Pose:
    """The pose that turns by this angle and lays one plate place on one bed place."""
    turned = Pose(0.0, 0.0, angle_deg, face).to_bed(PlateXY(middle_plate[None]))[0]
    x, y = middle_bed - turned
    return Pose(float(x), float(y), float((angle_deg + 180.0) % 360.0 - 180.0), face)


def longest_run(flags: NDArray[np.bool_]) -> float:
    """Longest run of True around the ring, as a part of the whole."""
    if flags.all():
        return 1.0
    twice = np.concatenate([flags, flags])
    ends = np.flatnonzero(~twice)
    return float(np.max(np.diff(ends), initial=1) - 1) / len(flags)
