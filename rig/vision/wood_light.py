"""A measure of "wood, not bed" for one picture, learned from both sides of a rough outline.

Measure = a·light + b, with a and b from least squares: 0 on the bed, 1 on the wood. Shadows and
uneven light scatter the bed along its own colour, so that least squares turns away from it.
Being linear in the light, blur moves no edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray


@dataclass(frozen=True)
class WoodMeasure:
    """weights: (4,), for three colours and a constant. contrast: 0 no difference … 1 clear."""

    weights: FloatArray
    contrast: float

    def of(self, light: NDArray[np.float32]) -> FloatArray:
        """(..., 3) linear light to (...) measure."""
        return np.asarray(
            light.astype(np.float64) @ self.weights[:3] + self.weights[3], dtype=np.float64
        )


def learn_wood(wood: NDArray[np.float32], bed: NDArray[np.float32]) -> WoodMeasure | None:
    """Learn from (n, 3) light on the wood and (m, 3) beside it; None if too little is given.

    The worst-fitting fifth is left out in a second pass: tools, hands, labels.
    """
    wood = wood[np.all(np.isfinite(wood), axis=1)]
    bed = bed[np.all(np.isfinite(bed), axis=1)]
    if len(wood) < 30 or len(bed) < 30:
        return None
    colours = np.vstack([wood, bed]).astype(np.float64)
    design = np.column_stack([colours, np.ones(len(colours))])
    target = np.concatenate([np.ones(len(wood)), np.zeros(len(bed))])
    weight = np.concatenate(
        [np.full(len(wood), 1.0 / len(wood)), np.full(len(bed), 1.0 / len(bed))]
    )
    keep = np.ones(len(target), dtype=bool)
    floor = 1e-4 * float(np.mean(colours**2)) * np.diag([1.0, 1.0, 1.0, 0.0])
    weights = np.zeros(4)
    for _ in range(3):
        w = weight * keep
        normal = design.T @ (w[:, None] * design) + floor
        weights = np.linalg.solve(normal + 1e-12 * np.eye(4), design.T @ (w * target))
        miss = np.abs(design @ weights - target)
        keep = miss <= np.quantile(miss, 0.8)
    measure = design @ weights
    gap = float(np.median(measure[target > 0.5]) - np.median(measure[target < 0.5]))
    if gap <= 1e-3:
        return None
    # scaled so that the step between the two medians is one
    weights = weights / gap
    within = 0.5 * (
        float(np.std(design[(target > 0.5) & keep] @ weights))
        + float(np.std(design[(target < 0.5) & keep] @ weights))
    )
    return WoodMeasure(weights, float(1.0 / (1.0 + within)))
