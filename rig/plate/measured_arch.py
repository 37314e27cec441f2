"""An arch through measured heights: the template fitted to them, and a smooth correction.

The template has its height and one measure of fullness. The correction is a Gaussian process on
the arch's own splines (C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine
Learning (2006), ch. 2): between sparse points it falls back to the template and does not swing,
close to them it is as good as they are, and what is known of it goes into the fit as a precision
matrix. The surface may sink and tilt as a whole, for only its curvature stiffens a plate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.arch_heights import ArchHeights
from rig.model.outline import Outline
from rig.model.polygon import distance_to_edge_mm
from rig.model.units import FloatArray
from rig.plate.arching import ArchSurface, template_heights

_FULLNESS = (-0.45, -0.25, 0.0, 0.3, 0.7, 1.2, 1.8, 2.6)
GAUGE_SD_MM = 0.2  # of one measured height, the scraped surface's own roughness included
# How an arch strays from the template: shares of its whole sd, and their lengths in mm.
STRAYING = ((1.0, 50.0), (0.3, 22.0))
_SINK_SD_MM, _TILT_SD_MM = 10.0, 3.0  # the whole surface; the tilt at the outline's half size
_WILD_MM, _WILD_SD = 1.5, 6.0  # off its neighbours: a slip of pen or gauge
_MOST_WILD = 0.1
_NEAR_RIM_MM = 8.0


@dataclass(frozen=True)
class MeasuredArch:
    """coefficients_mm (l,): of the outer surface over its rim; precision (l, l) in 1/mm²: what
    the points add to the knowledge of them; crown_mm: the highest place; rim_mm: how high the
    points put the rim, which was taken off; wild: heights left out, (x, y, height).
    """

    coefficients_mm: FloatArray
    precision: FloatArray
    crown_mm: float
    rim_mm: float
    wild: ArchHeights


def arch_through(
    outline: Outline,
    surface: ArchSurface,
    support_mm: FloatArray,
    points: ArchHeights,
    within: float,
) -> MeasuredArch:
    """The surface through measured heights.

    support_mm (p, 2): places all over the wood; within: sd of an arch's deviation from the
    template as a share of its crown.
    """
    xyz = np.asarray(points, dtype=np.float64)
    unit_heights = template_heights(outline, support_mm)
    templates = [surface.field.fitted(support_mm, _filled(unit_heights, q)) for q in _FULLNESS]
    unit: FloatArray = np.asarray(
        np.linalg.inv(surface.field.covariance(STRAYING)), dtype=np.float64
    )
    used = np.ones(len(xyz), dtype=bool)
    while True:
        some = _Surface(outline, surface, templates, unit, xyz[used], within)
        stray, sd = some.left_out()
        doubt = np.abs(stray) / sd
        worst = int(np.argmax(doubt * (np.abs(stray) > _WILD_MM)))
        spent = np.sum(~used) + 1 > _MOST_WILD * len(xyz)
        if abs(stray[worst]) <= _WILD_MM or doubt[worst] <= _WILD_SD or spent:
            break
        used[np.flatnonzero(used)[worst]] = False
    heights = surface.field.matrix(support_mm) @ some.coefficients_mm
    rim = distance_to_edge_mm(outline.rim, xyz[:, :2]) < _NEAR_RIM_MM
    moved = some.moved(xyz[rim, :2])
    return MeasuredArch(
        coefficients_mm=some.coefficients_mm,
        precision=some.precision,
        crown_mm=float(np.max(heights)),
        rim_mm=float(np.median(moved)) if len(moved) else some.sink_mm,
        wild=tuple((float(x), float(y), float(z)) for x, y, z in xyz[~used]),
    )


def _filled(heights: FloatArray, fullness: float) -> FloatArray:
    """A template of crown 1 made fuller, or for fullness below 0 more peaked."""
    return np.asarray((1.0 + fullness) * heights / (1.0 + fullness * heights))


class _Surface:
    """Splines, sinking and tilt through one choice of points."""

    def __init__(
        self,
        outline: Outline,
        surface: ArchSurface,
        templates: list[FloatArray],
        unit: FloatArray,
        xyz: FloatArray,
        within: float,
    ) -> None:
        low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
        self._middle, self._half = 0.5 * (low + high), 0.5 * (high - low)
        splines = surface.field.matrix(xyz[:, :2]).toarray()
        whole = self._whole(xyz[:, :2])
        free: FloatArray = np.diag(np.array([_SINK_SD_MM, _TILT_SD_MM, _TILT_SD_MM]) ** -2.0)
        self._rows = np.hstack([splines, whole])
        # Scale and fullness by likelihood, the correction being noise about the template.
        crown = max(float(np.ptp(xyz[:, 2])), 1.0)
        shapes = splines @ np.column_stack(templates)
        spread = splines @ np.linalg.solve(unit, splines.T) * (within * crown) ** 2
        spread += whole @ np.linalg.inv(free) @ whole.T + GAUGE_SD_MM**2 * np.eye(len(xyz))
        told = np.linalg.solve(spread, np.column_stack([shapes, xyz[:, 2]]))
        seen = np.sum(shapes * told[:, -1:], axis=0)
        known = np.maximum(np.sum(shapes * told[:, :-1], axis=0), 1e-12)
        best = int(np.argmax(seen**2 / known * (seen > 0)))
        scale = float(np.clip(seen[best] / known[best], 0.3 * crown, 1.5 * crown))
        template = templates[best]
        size = len(template)
        inverse = np.zeros((size + 3, size + 3))
        inverse[:size, :size] = unit / (within * scale) ** 2
        inverse[size:, size:] = free
        inverse += self._rows.T @ self._rows / GAUGE_SD_MM**2
        mean = np.concatenate([scale * template, np.zeros(3)])
        self._off = xyz[:, 2] - self._rows @ mean
        self._covariance = np.linalg.inv(inverse)
        change = self._covariance @ (self._rows.T @ self._off) / GAUGE_SD_MM**2
        self._off = self._off - self._rows @ change
        self.coefficients_mm: FloatArray = mean[:size] + change[:size]
        self._shift = change[size:]
        # what the points say once the sinking and the tilt are left free
        against = np.linalg.solve(whole.T @ whole + GAUGE_SD_MM**2 * free, whole.T @ splines)
        self.precision = splines.T @ (splines - whole @ against) / GAUGE_SD_MM**2

    def _whole(self, xy_mm: FloatArray) -> FloatArray:
        return np.column_stack([np.ones(len(xy_mm)), (xy_mm - self._middle) / self._half])

    @property
    def sink_mm(self) -> float:
        """How high the points stand as a whole."""
        return float(self._shift[0])

    def moved(self, xy_mm: FloatArray) -> FloatArray:
        """How high they stand at places (k, 2), their tilt included."""
        return np.asarray(self._whole(xy_mm) @ self._shift)

    def left_out(self) -> tuple[FloatArray, FloatArray]:
        """Every point against the surface through all others, and the sd of that."""
        share = np.einsum("ij,jk,ik->i", self._rows, self._covariance, self._rows)
        rest = np.maximum(1.0 - share / GAUGE_SD_MM**2, 1e-6)
        return self._off / rest, GAUGE_SD_MM / np.sqrt(rest)
