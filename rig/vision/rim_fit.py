"""The exact pose: the outline, as a thing of some thickness at some height, laid on its edges.

Unknowns: place, turn, height of the upper edge of the rim, height of the side wall that shows on
the near side, a common error of size of the stored outline, a common offset of all edges, and a
further one of those beside burnt-out light.
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

UNKNOWNS = 8
HEIGHT_SPREAD_MM = 2.0  # of the rim about the height given, while it is doubted
TOLD_SPREAD_MM = 0.5  # and once the picture bears it out
SIZE_SPREAD = 0.0005  # wood swells and shrinks, outlines are drawn with a pencil
OFFSET_SPREAD_MM = 0.12
BURNT_SPREAD_MM = 0.4  # more for edges beside light that the camera could not take
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
    middle in any direction; angle_sd_deg; height_mm: of the rim, as fitted; burnt: part of the rim
    beside light that the camera could not take.
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
    burnt: float


@dataclass(frozen=True)
class _State:
    """x, y, angle (deg, about the plate's middle), height, wall, size error, edge offset, burnt."""

    values: FloatArray
    face_pose: Pose

    def pose(self, points: RimPoints) -> Pose:
        return pose_about(
            points.middle, self.values[:2], float(self.values[2]), self.face_pose.face
        )


def fit_rim(
    light: NDArray[np.float32],
    camera: CameraPose,
    points: RimPoints,
    rough: Pose,
    rim_height_mm: float,
    reaches_mm: tuple[float, ...] = (5.0, 2.5),
    *,
    along_lines: float = 0.0,
) -> RimFit | None:
    """Fit from a rough pose; None when no edges of wood are found there at all.

    light: (rows, columns, 3) linear. The height given is doubted at first. When the picture bears
    it out it is believed, which makes the place surer; when not, that of the picture stands.
    """
    middle = rough.to_bed(PlateXY(points.middle[None]))[0]
    values = np.array([*middle, rough.angle_deg, rim_height_mm, WALL_MM, 0.0, 0.0, 0.0])
    state = _State(values, rough)
    expected = values.copy()
    spread = np.array(
        [np.inf, np.inf, np.inf, HEIGHT_SPREAD_MM, WALL_SPREAD_MM, SIZE_SPREAD, OFFSET_SPREAD_MM,
         BURNT_SPREAD_MM]
    )  # fmt: skip
    edges: RimEdges | None = None
    fitted = _Fitted(np.full(len(points.places), np.nan), np.eye(UNKNOWNS))
    for round_number, reach in enumerate(reaches_mm):
        places, normals = _in_bed(points, state)
        edges = find_rim_edges(
            light, camera, places, normals, float(state.values[3]), reach, along_lines=along_lines
        )
        if edges is None:
            return None
        gates = (reach, 0.6 * reach, 0.4 * reach) if round_number == 0 else (1.5, 1.0, 0.8)
        for gate in gates:
            state, fitted = _step(camera, points, state, edges, gate, expected, spread)
    if edges is None:
        return None
    doubt = float(np.hypot(np.sqrt(fitted.covariance[3, 3]), TOLD_SPREAD_MM))
    if abs(state.values[3] - rim_height_mm) < 2.0 * doubt:
        spread[3] = TOLD_SPREAD_MM
    for gate in (0.8, 0.8):
        state, fitted = _step(camera, points, state, edges, gate, expected, spread)
    return _judge(points, state, edges, fitted.residual, fitted.covariance)


def _in_bed(points: RimPoints, state: _State) -> tuple[FloatArray, FloatArray]:
    """Rim places and outward normals in the bed frame, size error and offset applied."""
    pose = state.pose(points)
    grown = points.middle + (points.places - points.middle) * (1.0 + state.values[5])
    grown = grown + state.values[6] * points.normals
    places = pose.to_bed(PlateXY(grown))
    normals = pose.to_bed(PlateXY(grown + points.normals)) - places
    return places, normals


@dataclass(frozen=True)
class _Fitted:
    """residual: (n,) mm, NaN where no edge was taken; covariance: (UNKNOWNS, UNKNOWNS)."""

    residual: FloatArray
    covariance: FloatArray


def _expected_px(
    camera: CameraPose,
    edges: RimEdges,
    places: FloatArray,
    normals: FloatArray,
    height_mm: float,
    wall_mm: float,
) -> tuple[FloatArray, FloatArray]:
    """Where along each line the wood should end: at the upper edge, or at the foot of the wall.

    And the cosine between that line and the one on which the edge was looked for; (n,) each.
    """
    upper, direction, _ = picture_lines(camera, places, normals, height_mm)
    lower = camera.project_level(places, height_mm - wall_mm)
    beyond = np.sum((lower - upper) * direction, axis=1)
    seen = upper + np.maximum(beyond, 0.0)[:, None] * direction
    # carried to the line on which the edge was looked for
    square = np.sum(direction * edges.direction, axis=1)
    square = np.where(np.abs(square) < 0.3, 0.3, square)
    gap = np.sum((seen - edges.base_px) * direction, axis=1)
    return np.asarray(gap / square, dtype=np.float64), square


def _step(
    camera: CameraPose,
    points: RimPoints,
    state: _State,
    edges: RimEdges,
    gate_mm: float,
    expected: FloatArray,
    spread: FloatArray,
) -> tuple[_State, _Fitted]:
    """Match edges within the gate, then one robust Gauss-Newton step; residuals in mm after it."""
    places, normals = _in_bed(points, state)
    height, wall = float(state.values[3]), float(state.values[4])
    level, square = _expected_px(camera, edges, places, normals, height, wall)
    predicted = level + state.values[7] * edges.burnt / edges.mm_per_px
    gap = edges.edge_px - predicted[:, None]
    usable = np.isfinite(gap) & (edges.strength > _LEAST_STRENGTH)
    distance = np.where(usable, np.abs(gap) * edges.mm_per_px[:, None], np.inf)
    nearest = np.argmin(distance, axis=1)
    rows = np.arange(len(gap))
    matched = distance[rows, nearest] < gate_mm
    residual = np.where(matched, gap[rows, nearest] * edges.mm_per_px, 0.0)

    # What moves the rim level moves an edge by its part along the normal; only height and wall
    # take a second and a third look through the camera.
    arm = places - state.values[:2]
    turned = np.deg2rad(1.0) * np.column_stack([-arm[:, 1], arm[:, 0]])
    higher, _ = _expected_px(camera, edges, places, normals, height + 0.1, wall)
    thicker, _ = _expected_px(camera, edges, places, normals, height, wall + 0.1)
    jacobian = np.column_stack([
        normals / square[:, None],
        np.sum(turned * normals, axis=1) / square,
        (higher - level) * edges.mm_per_px / 0.1,
        (thicker - level) * edges.mm_per_px / 0.1,
        np.sum(arm * normals, axis=1) / square,
        1.0 / square,
        edges.burnt,
    ])  # fmt: skip
    jacobian[~np.isfinite(jacobian)] = 0.0

    noise = (
        max(1.4826 * float(np.median(np.abs(residual[matched]))), 0.04) if matched.any() else 1.0
    )
    motion = np.zeros(UNKNOWNS)
    normal = np.eye(UNKNOWNS)
    related = max(_RELATED_MM / points.spacing_mm, 1.0)
    prior = 1.0 / spread**2
    for _ in range(4):
        left = residual - jacobian @ motion
        weight = matched / (1.0 + (left / (2.5 * noise)) ** 2) ** 2
        scaled = weight / (noise**2 * related)
        normal = jacobian.T @ (scaled[:, None] * jacobian) + np.diag(prior + 1e-9)
        pull = jacobian.T @ (scaled * residual) + prior * (expected - state.values)
        motion = np.linalg.solve(normal, pull)
    values = state.values + motion
    values[4] = np.clip(values[4], 0.0, max(values[3], 0.0))
    left = np.where(matched, residual - jacobian @ motion, np.nan)
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return replace(state, values=values), _Fitted(left, covariance)


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
        burnt=edges.burnt_share,
    )
