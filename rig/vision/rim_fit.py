"""The exact pose: the outline, as a thing of some thickness at some height, laid on its edges.

Unknowns: place, turn, height of the upper edge of the rim, height of the side wall that shows on
the near side, a common error of size of the stored outline, and a common offset of all edges.
Only the first three are wanted; the others have expected values with spreads, so that what the
picture cannot tell widens the standard deviation instead of hiding in the place.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.model.frames import PlateXY, Pose
from rig.model.units import FloatArray
from rig.vision.lens import CameraPose
from rig.vision.rim_edges import RimEdges, find_rim_edges, picture_lines
from rig.vision.rim_points import RimPoints, longest_run, pose_about

HEIGHT_SPREAD_MM = 2.0  # of the rim about the height given
SIZE_SPREAD = 0.0009  # wood swells and shrinks, outlines are drawn with a pencil
OFFSET_SPREAD_MM = 0.12
WALL_MM = 2.0
WALL_SPREAD_MM = 1.5
MATCH_MM = 0.7  # an edge this near to the fitted rim counts as the rim's
_RELATED_MM = 9.0  # errors of edges closer than this go together
_LEAST_STRENGTH = 0.3


@dataclass(frozen=True)
class RimFit:
    """A fitted pose and how far it can be believed.

    covered: part of the rim with its edge in place; missed: part of the rim that shows a clear
    edge elsewhere; rms_mm of the edges used; sd_mm: largest standard deviation of the plate's
    middle in any direction; angle_sd_deg; height_mm: of the rim, as fitted.
    """

    pose: Pose
    covered: float
    missed: float
    longest_gap: float
    rms_mm: float
    sd_mm: float
    angle_sd_deg: float
    height_mm: float
    wall_mm: float
    size_error: float
    contrast: float


@dataclass(frozen=True)
class _State:
    """x, y, angle (deg, about the plate's middle), height, wall, size error, edge offset."""

    values: FloatArray
    face_pose: Pose

    def pose(self, points: RimPoints) -> Pose:
        return pose_about(
            points.middle, self.values[:2], float(self.values[2]), self.face_pose.face
        )


def fit_rim(
    picture: NDArray[np.uint8],
    camera: CameraPose,
    points: RimPoints,
    rough: Pose,
    rim_height_mm: float,
    reaches_mm: tuple[float, ...] = (5.0, 2.5),
) -> RimFit | None:
    """Fit from a rough pose; None when no edges of wood are found there at all."""
    middle = rough.to_bed(PlateXY(points.middle[None]))[0]
    values = np.array([*middle, rough.angle_deg, rim_height_mm, WALL_MM, 0.0, 0.0])
    state = _State(values, rough)
    expected = values.copy()
    spread = np.array(
        [np.inf, np.inf, np.inf, HEIGHT_SPREAD_MM, WALL_SPREAD_MM, SIZE_SPREAD, OFFSET_SPREAD_MM]
    )
    edges: RimEdges | None = None
    residual = np.full(len(points.places), np.nan)
    covariance = np.eye(7)
    for round_number, reach in enumerate(reaches_mm):
        places, normals = _in_bed(points, state)
        edges = find_rim_edges(picture, camera, places, normals, float(state.values[3]), reach)
        if edges is None:
            return None
        gates = (reach, 0.6 * reach, 0.4 * reach) if round_number == 0 else (1.5, 1.0, 0.8, 0.8)
        for gate in gates:
            state, residual, covariance = _step(
                camera, points, state, edges, gate, expected, spread
            )
    if edges is None:
        return None
    return _judge(points, state, edges, residual, covariance)


def _in_bed(points: RimPoints, state: _State) -> tuple[FloatArray, FloatArray]:
    """Rim places and outward normals in the bed frame, size error and offset applied."""
    pose = state.pose(points)
    grown = points.middle + (points.places - points.middle) * (1.0 + state.values[5])
    grown = grown + state.values[6] * points.normals
    places = pose.to_bed(PlateXY(grown))
    normals = pose.to_bed(PlateXY(grown + points.normals)) - places
    return places, normals


def _expected_px(
    camera: CameraPose, points: RimPoints, state: _State, edges: RimEdges
) -> FloatArray:
    """Where along each line the wood should end: at the upper edge, or at the foot of the wall."""
    places, normals = _in_bed(points, state)
    upper, direction, _ = picture_lines(camera, places, normals, float(state.values[3]))
    foot = float(state.values[3] - state.values[4])
    lower = camera.project_level(places, foot)
    beyond = np.sum((lower - upper) * direction, axis=1)
    seen = upper + np.maximum(beyond, 0.0)[:, None] * direction
    # carried to the line on which the edge was looked for
    square = np.sum(direction * edges.direction, axis=1)
    gap = np.sum((seen - edges.base_px) * direction, axis=1)
    return np.asarray(gap / np.where(np.abs(square) < 0.3, 0.3, square), dtype=np.float64)


def _step(
    camera: CameraPose,
    points: RimPoints,
    state: _State,
    edges: RimEdges,
    gate_mm: float,
    expected: FloatArray,
    spread: FloatArray,
) -> tuple[_State, FloatArray, FloatArray]:
    """Match edges within the gate, then one robust Gauss-Newton step; residuals in mm after it."""
    predicted = _expected_px(camera, points, state, edges)
    gap = edges.edge_px - predicted[:, None]
    usable = np.isfinite(gap) & (edges.strength > _LEAST_STRENGTH)
    distance = np.where(usable, np.abs(gap) * edges.mm_per_px[:, None], np.inf)
    nearest = np.argmin(distance, axis=1)
    rows = np.arange(len(gap))
    matched = distance[rows, nearest] < gate_mm
    residual = np.where(matched, gap[rows, nearest] * edges.mm_per_px, 0.0)

    nudge = np.array([0.05, 0.05, 0.02, 0.05, 0.05, 2e-4, 0.05])
    jacobian = np.empty((len(gap), 7))
    for k in range(7):
        values = state.values.copy()
        values[k] += nudge[k]
        moved = _expected_px(camera, points, replace(state, values=values), edges)
        jacobian[:, k] = (moved - predicted) * edges.mm_per_px / nudge[k]
    jacobian[~np.isfinite(jacobian)] = 0.0

    noise = (
        max(1.4826 * float(np.median(np.abs(residual[matched]))), 0.04) if matched.any() else 1.0
    )
    motion = np.zeros(7)
    normal = np.eye(7)
    related = max(_RELATED_MM / points.spacing_mm, 1.0)
    prior = 1.0 / spread**2
    for _ in range(4):
        left = residual - jacobian @ motion
        weight = matched / (1.0 + (left / (2.5 * noise)) ** 2) ** 2
        scaled = weight / (noise**2 * related)
        normal = jacobian.T @ (scaled[:, None] * jacobian) + np.diag(prior) + 1e-9 * np.eye(7)
        pull = jacobian.T @ (scaled * residual) + prior * (expected - state.values)
        motion = np.linalg.solve(normal, pull)
    values = state.values + motion
    values[4] = np.clip(values[4], 0.0, max(values[3], 0.0))
    left = np.where(matched, residual - jacobian @ motion, np.nan)
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return replace(state, values=values), left, covariance


def _judge(
    points: RimPoints,
    state: _State,
    edges: RimEdges,
    residual: FloatArray,
    covariance: FloatArray,
) -> RimFit:
    near = np.isfinite(residual) & (np.abs(residual) < MATCH_MM)
    clear = np.any(edges.strength > 0.5, axis=1)
    rms = float(np.sqrt(np.mean(residual[near] ** 2))) if near.any() else float("inf")
    sd = float(np.sqrt(np.max(np.linalg.eigvalsh(covariance[:2, :2]))))
    pose = replace(state.pose(points), sd_mm=sd, outline_rms_mm=rms)
    return RimFit(
        pose=pose,
        covered=float(np.mean(near)),
        missed=float(np.mean(clear & ~near)),
        longest_gap=longest_run(~near),
        rms_mm=rms,
        sd_mm=sd,
        angle_sd_deg=float(np.sqrt(covariance[2, 2])),
        height_mm=float(state.values[3]),
        wall_mm=float(state.values[4]),
        size_error=float(state.values[5]),
        contrast=edges.measure.contrast,
    )
