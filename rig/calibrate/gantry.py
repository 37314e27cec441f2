"""The gantry from a sheet of ink dots: where it was told to go, and where the dots lie.

Seen place = offset + matrix · commanded place + backlash/2 · side, by robust least squares. The
matrix is read as scale of both axes, rotation against the bed and skew (the axes' angle less 90°).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from rig.calibrate.positioning import Positioning, positioning_of_targets
from rig.model.errors import AnalysisError
from rig.model.frames import BedXY
from rig.model.units import FloatArray

LEAST_DOTS = 12
_OUTLIER = 4.0  # times the robust standard deviation
_FLOOR_MM = 0.02


@dataclass(frozen=True)
class Dot:
    """One planned dot: commanded place, target number along each axis, side it is come from.

    side_x, side_y: +1 coming from lower coordinates, −1 from higher ones.
    """

    x_mm: float
    y_mm: float
    target_x: int
    target_y: int
    side_x: int
    side_y: int


@dataclass(frozen=True)
class GantryCorrection:
    """From commanded places to the bed and back. matrix: (2, 2); backlash_mm: full width per axis.

    The middle of the backlash is what `offset_mm` holds.
    """

    offset_mm: tuple[float, float]
    matrix: tuple[tuple[float, float], tuple[float, float]]
    backlash_mm: tuple[float, float] = (0.0, 0.0)

    def to_bed(self, machine: FloatArray, side: FloatArray | None = None) -> BedXY:
        """(n, 2) commanded places to where the hammer comes down. side: (n, 2) of ±1 or 0."""
        lost = 0.0 if side is None else 0.5 * np.asarray(side) * np.array(self.backlash_mm)
        return BedXY(np.asarray(machine) @ np.array(self.matrix).T + self.offset_mm + lost)

    def to_machine(self, bed: BedXY, side: FloatArray | None = None) -> FloatArray:
        """(n, 2) wanted places on the bed to the places to command."""
        lost = 0.0 if side is None else 0.5 * np.asarray(side) * np.array(self.backlash_mm)
        wanted = np.asarray(bed) - self.offset_mm - lost
        return np.asarray(np.linalg.solve(np.array(self.matrix), wanted.T).T, dtype=np.float64)

    def as_values(self) -> dict[str, Any]:
        """For a record."""
        return asdict(self)

    @classmethod
    def of_values(cls, values: dict[str, Any]) -> GantryCorrection:
        """Out of a record. Raises AnalysisError for values that turn a bed into nonsense."""
        try:
            offset = tuple(float(v) for v in values["offset_mm"])
            matrix = tuple(tuple(float(v) for v in row) for row in values["matrix"])
            backlash = tuple(float(v) for v in values["backlash_mm"])
            whole = np.array(matrix).shape == (2, 2) and len(offset) == len(backlash) == 2
            if not whole or np.max(np.abs(np.array(matrix) - np.eye(2))) > 0.1:
                raise ValueError("the matrix is far from a straight gantry's")
        except (KeyError, TypeError, ValueError) as problem:
            raise AnalysisError(
                f"This is no gantry correction: {problem}.", remedy="Calibrate the gantry anew."
            ) from problem
        return cls(offset, matrix, backlash)  # type: ignore[arg-type]


@dataclass(frozen=True)
class GantryFit:
    """What the dots say; *_sd: one standard deviation.

    scale: 1 is true; rotation_deg: of the X axis against the bed's; skew_deg: 90° less the angle
    from X to Y; offset_mm: what commanded 0, 0 meets on the bed; offset_middle_mm: the same in the
    middle of the dots, where it is surest. before, after: X and Y by ISO 230-2 as commanded and
    corrected; None where the dots do not allow it. left_out: dots that do not fit.
    """

    correction: GantryCorrection
    scale: tuple[float, float]
    scale_sd: tuple[float, float]
    rotation_deg: float
    skew_deg: float
    skew_sd_deg: float
    offset_mm: tuple[float, float]
    offset_middle_mm: tuple[float, float]
    offset_middle_sd_mm: tuple[float, float]
    backlash_sd_mm: tuple[float, float]
    residual_mm: float
    dots: int
    left_out: tuple[int, ...]
    before: tuple[Positioning, Positioning] | None
    after: tuple[Positioning, Positioning] | None

    def as_values(self) -> dict[str, Any]:
        """For the record."""
        values = asdict(self)
        return values | {"correction": self.correction.as_values()}


def dot_plan(
    area_mm: tuple[float, float, float, float],
    targets: tuple[int, int] = (5, 6),
    runs: int = 3,
    pitch_mm: float = 6.0,
) -> list[Dot]:
    """Clusters of dots over the area (x0, y0, x1, y1): `runs` from below and as many from above.

    In a cluster the dots stand `pitch_mm` apart, so that they can be told apart. Dots come in an
    order that runs along the rows; each is to be reached over a detour on the side it is to be
    come from. The sheet must lie still from the first dot to the picture.
    """
    x0, y0, x1, y1 = area_mm
    wide, deep = (2 - 1) * pitch_mm, (runs - 1) * pitch_mm
    if min(targets) < 2 or runs < 2 or pitch_mm <= 0:
        raise AnalysisError("A sheet needs two targets on each axis and two runs from each side.")
    step_x = (x1 - x0 - wide) / (targets[0] - 1)
    step_y = (y1 - y0 - deep) / (targets[1] - 1)
    if step_x < wide + pitch_mm or step_y < deep + pitch_mm:
        raise AnalysisError(
            "The area is too small for so many dots.",
            remedy="Ask for fewer targets or runs, or a smaller pitch.",
        )
    dots = []
    for j in range(targets[1]):
        for i in range(targets[0]):
            for run in range(runs):
                for column, side in enumerate((1, -1)):
                    x, y = x0 + i * step_x + column * pitch_mm, y0 + j * step_y + run * pitch_mm
                    dots.append(Dot(round(x, 3), round(y, 3), i, j, side, side))
    return dots


def fit_gantry(dots: list[Dot], seen_mm: FloatArray) -> GantryFit:
    """Fit the gantry. seen_mm: (n, 2) bed places of the dots, NaN where one was not found.

    Raises AnalysisError for fewer than a dozen dots, or dots on one line.
    """
    seen = np.asarray(seen_mm, dtype=np.float64)
    if seen.shape != (len(dots), 2):
        raise AnalysisError("The dots seen are not as many as those commanded.")
    there = np.all(np.isfinite(seen), axis=1)
    if np.count_nonzero(there) < LEAST_DOTS:
        raise AnalysisError(
            f"Only {np.count_nonzero(there)} dots were found; {LEAST_DOTS} are needed.",
            remedy="Ink the hammer, lay fresh paper and light the sheet evenly.",
        )
    told = np.array([(d.x_mm, d.y_mm) for d in dots])
    side = np.array([(d.side_x, d.side_y) for d in dots], dtype=np.float64)
    middle = told[there].mean(axis=0)
    use = there.copy()
    spread = np.linalg.svd(told[there] - middle, compute_uv=False)
    if spread[1] < 0.05 * spread[0]:
        raise AnalysisError(
            "All dots lie on one line: skew cannot be told.", remedy="Mark dots over the whole bed."
        )
    design = [
        np.column_stack([np.ones(len(dots)), told - middle, 0.5 * side[:, [a]]]) for a in (0, 1)
    ]
    if all(np.ptp(side[there, a]) == 0 for a in (0, 1)):
        design = [d[:, :3] for d in design]
    for _ in range(10):
        value = [np.linalg.lstsq(design[a][use], seen[use, a], rcond=None)[0] for a in (0, 1)]
        left = np.column_stack([seen[:, a] - design[a] @ value[a] for a in (0, 1)])
        far = np.hypot(*left.T)
        robust = max(float(np.median(far[there])) / 1.1774, _FLOOR_MM)  # Rayleigh's median
        again = there & (far < _OUTLIER * robust)
        if np.array_equal(again, use):
            break
        use = again
    count = int(np.count_nonzero(use))
    if count < LEAST_DOTS:
        raise AnalysisError(
            "The dots do not fit a straight gantry.",
            remedy="Was the sheet moved while it was marked, or is it the plan of another sheet?",
        )
    sd = []
    for a in (0, 1):
        variance = float(np.sum(left[use, a] ** 2)) / max(count - design[a].shape[1], 1)
        sd.append(np.sqrt(variance * np.diag(np.linalg.pinv(design[a][use].T @ design[a][use]))))
    matrix = np.array([value[0][1:3], value[1][1:3]])
    at_middle = np.array([value[0][0], value[1][0]])
    offset = at_middle - matrix @ middle
    has_sides = design[0].shape[1] == 4
    backlash = tuple(float(value[a][3]) if has_sides else 0.0 for a in (0, 1))
    correction = GantryCorrection(
        (float(offset[0]), float(offset[1])),
        ((float(matrix[0, 0]), float(matrix[0, 1])), (float(matrix[1, 0]), float(matrix[1, 1]))),
        (backlash[0], backlash[1]),
    )
    x_turn = np.arctan2(matrix[1, 0], matrix[0, 0])
    y_turn = np.arctan2(-matrix[0, 1], matrix[1, 1])
    before, after = _by_standard(dots, told, seen, use, correction, float(x_turn), float(y_turn))
    shift = at_middle - middle
    return GantryFit(
        correction,
        (float(np.hypot(*matrix[:, 0])), float(np.hypot(*matrix[:, 1]))),
        (float(sd[0][1]), float(sd[1][2])),
        float(np.degrees(x_turn)),
        float(np.degrees(x_turn - y_turn)),
        float(np.degrees(np.hypot(sd[1][1], sd[0][2]))),
        correction.offset_mm,
        (float(shift[0]), float(shift[1])),
        (float(sd[0][0]), float(sd[1][0])),
        (float(sd[0][3]), float(sd[1][3])) if has_sides else (0.0, 0.0),
        float(np.sqrt(np.mean(np.sum(left[use] ** 2, axis=1)))),
        count,
        tuple(int(i) for i in np.flatnonzero(there & ~use)),
        before,
        after,
    )


def _by_standard(
    dots: list[Dot],
    told: FloatArray,
    seen: FloatArray,
    use: FloatArray,
    correction: GantryCorrection,
    x_turn: float,
    y_turn: float,
) -> tuple[tuple[Positioning, Positioning] | None, tuple[Positioning, Positioning] | None]:
    """Both axes as they came, along themselves, and as they come with the correction.

    The standard looks along one axis: rotation and skew are not of it and are taken off first.
    """
    lean = np.array([[np.cos(x_turn), -np.sin(y_turn)], [np.sin(x_turn), np.cos(y_turn)]])
    along = np.linalg.solve(lean, (seen - correction.offset_mm).T).T - told
    side = np.array([(d.side_x, d.side_y) for d in dots], dtype=np.float64)
    after = correction.to_machine(BedXY(seen), side) - told
    numbers = np.array([(d.target_x, d.target_y) for d in dots])
    try:
        pairs = [
            tuple(
                positioning_of_targets(what[use, a], numbers[use, a], side[use, a]) for a in (0, 1)
            )
            for what in (along, after)
        ]
    except AnalysisError:
        return None, None
    return pairs[0], pairs[1]  # type: ignore[return-value]


def match_dots(dots: list[Dot], seen_mm: FloatArray, reach_mm: float = 20.0) -> FloatArray:
    """Put each dot seen to the one commanded; (n, 2) with NaN where none was seen.

    The common shift (hammer against gantry origin) may be up to `reach_mm`: the shift that
    explains most dots is taken. Raises AnalysisError where two shifts explain them as well.
    """
    from scipy.spatial import cKDTree

    told = np.array([(d.x_mm, d.y_mm) for d in dots])
    seen = np.asarray(seen_mm, dtype=np.float64).reshape(-1, 2)
    result = np.full((len(dots), 2), np.nan)
    if len(seen) < LEAST_DOTS:
        return result
    closest = float(np.median(np.asarray(cKDTree(told).query(told, k=2)[0])[:, 1]))
    radius = 0.3 * closest
    tree = cKDTree(seen)
    steps = np.arange(-reach_mm, reach_mm + 0.1, radius)
    trials = []
    for shift in np.array([(x, y) for x in steps for y in steps]):
        far = np.asarray(tree.query(told + shift, distance_upper_bound=radius)[0])
        near = np.isfinite(far)
        trials.append((int(np.count_nonzero(near)), -float(np.sum(far[near])), *shift))
    trials.sort(reverse=True)
    most, shift = trials[0][0], np.array(trials[0][2:])
    rivals = [t for t in trials if np.hypot(*(np.array(t[2:]) - shift)) > 0.6 * closest]
    if most < LEAST_DOTS or (rivals and rivals[0][0] > 0.97 * most):
        raise AnalysisError(
            "It cannot be told which dot is which.",
            remedy="See that all dots are inked and in the picture, and that it is this plan's.",
        )
    affine = np.vstack([np.eye(2), shift])
    around = np.column_stack([told, np.ones(len(told))])
    for _ in range(4):
        expected = around @ affine
        answer = tree.query(expected, distance_upper_bound=0.4 * closest)
        far, index = np.asarray(answer[0]), np.asarray(answer[1])
        found = np.flatnonzero(np.isfinite(far))
        _, first = np.unique(index[found[np.argsort(far[found])]], return_index=True)
        found = found[np.argsort(far[found])][first]  # each dot seen once, to the nearest
        if len(found) < LEAST_DOTS:
            break
        affine = np.linalg.lstsq(around[found], seen[index[found]], rcond=None)[0]
    result[found] = seen[index[found]]
    return result
