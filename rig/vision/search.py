"""Where, roughly, does the outline lie? Every place and every turn is tried.

The edge picture is correlated with the outline's own edge directions (a matched filter on
direction vectors at double angle, done with Fourier transforms), then the best places are drawn
in by fitting to the nearest edges of the right direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from rig.model.frames import Face, Pose
from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.vision.rectify import EdgeField
from rig.vision.rim_points import RimPoints, pose_about, posed, rim_points

_TURNS = 90
_CELLS = 130  # along the longer side of the view
_CANDIDATES = 8
_SHARPENED = 5  # of twice as many, by how well they agree after a first look
_FIRST_REACHES_MM = (14.0, 9.0, 6.0)
_REACHES_MM = (7.0, 5.0, 4.0, 3.0)


@dataclass(frozen=True)
class Candidate:
    """A rough pose; agreement 0…1: how much of the rim has an edge of the right direction."""

    pose: Pose
    agreement: float


def find_candidates(field: EdgeField, outline: Outline, face: Face) -> list[Candidate]:
    """Rough poses of the outline, most convincing first."""
    points = rim_points(outline.rim, max(outline.size_mm) / 120.0)
    every_other = RimPoints(points.places[::2], points.normals[::2], 2.0 * points.spacing_mm)
    rough = _correlate(field, points, face)
    drawn = [_draw_in(field, every_other, pose, _FIRST_REACHES_MM) for pose in rough]
    drawn.sort(key=lambda c: -c.agreement)
    sharp = [_draw_in(field, points, c.pose, _REACHES_MM) for c in drawn[:_SHARPENED]]
    return sorted(sharp, key=lambda c: -c.agreement)


def _correlate(field: EdgeField, points: RimPoints, face: Face) -> list[Pose]:
    """The best few poses on a coarse grid of places and turns."""
    shrink = max(1, round(max(field.edges.shape) / _CELLS))
    cells = _cell_means(field.edges, shrink)
    cell_mm = shrink * field.view.step_mm
    shape = (
        scipy.fft.next_fast_len(cells.shape[0]),
        scipy.fft.next_fast_len(cells.shape[1]),
    )
    spectrum = scipy.fft.fft2(cells, shape)
    angles = np.arange(_TURNS) * 360.0 / _TURNS
    stamps = _stamps(points, face, angles, cell_mm, shape)
    match = scipy.fft.ifft2(spectrum[None] * np.conj(scipy.fft.fft2(stamps)), axes=(1, 2)).real
    match = match[:, : cells.shape[0], : cells.shape[1]]
    best: list[Pose] = []
    best_turn = np.argmax(match, axis=0)
    best_match = np.take_along_axis(match, best_turn[None], axis=0)[0].copy()
    reach = max(1, round(22.0 / cell_mm))
    first = np.array(field.view.origin_mm) + 0.5 * (shrink - 1) * field.view.step_mm
    for _ in range(_CANDIDATES):
        row, column = np.unravel_index(int(np.argmax(best_match)), best_match.shape)
        if best_match[row, column] <= 0.0:
            break
        centre = first + cell_mm * np.array([column, row], dtype=np.float64)
        turn = float(angles[best_turn[row, column]])
        best.append(pose_about(points.middle, centre, turn, face))
        # the same place the other way round is the likeliest mistake: try it as well
        best.append(pose_about(points.middle, centre, turn + 180.0, face))
        low, left = max(int(row) - reach, 0), max(int(column) - reach, 0)
        best_match[low : int(row) + reach + 1, left : int(column) + reach + 1] = -np.inf
    return best


def _cell_means(edges: NDArray[np.complex64], shrink: int) -> NDArray[np.complex64]:
    rows, columns = (n // shrink for n in edges.shape)
    blocks = edges[: rows * shrink, : columns * shrink].reshape(rows, shrink, columns, shrink)
    return np.asarray(blocks.mean(axis=(1, 3)), dtype=np.complex64)


def _stamps(
    points: RimPoints, face: Face, angles: FloatArray, cell_mm: float, shape: tuple[int, int]
) -> NDArray[np.complex64]:
    """The rim's double-angle normals on the cell grid, one picture per turn, centred on (0, 0)."""
    middle = np.zeros(2)
    turned = [posed(points, pose_about(points.middle, middle, float(a), face)) for a in angles]
    places = np.stack([place for place, _ in turned])
    normals = np.stack([normal for _, normal in turned])
    value = (normals[..., 0] + 1j * normals[..., 1]) ** 2 / places.shape[1]
    cell = places / cell_mm
    corner = np.floor(cell).astype(int)
    part = cell - corner
    own = np.arange(len(angles))[:, None] * (shape[0] * shape[1])
    indices, values = [], []
    for dx in (0, 1):
        for dy in (0, 1):
            share = np.abs(1 - dx - part[..., 0]) * np.abs(1 - dy - part[..., 1])
            column, row = (corner[..., 0] + dx) % shape[1], (corner[..., 1] + dy) % shape[0]
            indices.append((own + row * shape[1] + column).ravel())
            values.append((value * share).ravel())
    index, weight = np.concatenate(indices), np.concatenate(values)
    size = len(angles) * shape[0] * shape[1]
    stamps = np.empty(size, dtype=np.complex64)
    stamps.real = np.bincount(index, weight.real, size)
    stamps.imag = np.bincount(index, weight.imag, size)
    return stamps.reshape(len(angles), *shape)


def _draw_in(
    field: EdgeField, points: RimPoints, pose: Pose, reaches_mm: tuple[float, ...]
) -> Candidate:
    """Fit the pose to the nearest edges of the right direction, the reach shrinking."""
    step = field.view.step_mm
    for reach in reaches_mm:
        offsets = np.arange(-reach, reach + 0.5 * step, step)
        places, normals = posed(points, pose)
        lines = places[:, None, :] + offsets[None, :, None] * normals[:, None, :]
        agreement = field.agreement(lines, np.broadcast_to(normals[:, None, :], lines.shape))
        preferred = agreement * np.exp(-0.5 * (offsets / (0.6 * reach)) ** 2)
        chosen = np.argmax(preferred, axis=1)
        rows = np.arange(len(chosen))
        weight = np.clip(agreement[rows, chosen] - 0.15, 0.0, None)
        if weight.sum() < 3.0:
            break
        pose = _moved(points, pose, places, normals, offsets[chosen], weight, reach)
    places, normals = posed(points, pose)
    lines = places[:, None, :] + np.array([-1.5, 0.0, 1.5])[None, :, None] * normals[:, None, :]
    agreement = field.agreement(lines, np.broadcast_to(normals[:, None, :], lines.shape))
    return Candidate(pose, float(np.mean(np.max(agreement, axis=1))))


def _moved(
    points: RimPoints,
    pose: Pose,
    places: FloatArray,
    normals: FloatArray,
    gap: FloatArray,
    weight: FloatArray,
    reach: float,
) -> Pose:
    """One robust least-squares step in place and turn."""
    middle = places.mean(axis=0)
    arm = places - middle
    scale = float(np.max(np.hypot(arm[:, 0], arm[:, 1])))
    lever = (arm[:, 0] * normals[:, 1] - arm[:, 1] * normals[:, 0]) / scale
    design = np.column_stack([normals, lever])
    motion = np.zeros(3)
    for _ in range(4):
        residual = gap - design @ motion
        robust = weight / (1.0 + (residual / (0.25 * reach)) ** 2)
        normal = design.T @ (robust[:, None] * design) + 1e-6 * np.eye(3)
        motion = np.linalg.solve(normal, design.T @ (robust * gap))
    turn = np.rad2deg(motion[2] / scale)
    return pose_about(points.middle, middle + motion[:2], pose.angle_deg + turn, pose.face)
