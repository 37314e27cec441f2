"""What the virtual camera looks at: wood, bed, markers and light, as rasters of linear light.

Colours are linear red, green, blue; 1 is white paper in full light.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.spatial import cKDTree

from rig.model import polygon
from rig.model.frames import Face
from rig.model.outline import Outline
from rig.model.rig_settings import BedSettings
from rig.model.units import FloatArray

Raster = NDArray[np.floating[Any]]  # float32 wherever memory matters
Colour = tuple[float, float, float]

SHAPE_STEP_MM = 0.5
WOOD_STEP_MM = 0.25
MARKER_STEP_MM = 0.2
_EXACT_BAND_MM = 2.5
_MARGIN_MM = 12.0


@dataclass(frozen=True)
class Look:
    """What plate and bed are made of."""

    wood: Literal["maple", "spruce"] = "maple"
    flame: float = 0.6  # strength of the curl across the grain, 0…1
    varnish: float = 0.0  # 0 white wood … 1 red-brown and glossy
    gloss: float = 0.5  # light that varnish throws back straight
    gloss_power: float = 60.0  # the higher, the smaller and sharper its patch
    arching_mm: float = 14.0
    edge_thickness_mm: float = 2.5  # height of the visible side wall
    bed_colour: Colour = (0.045, 0.075, 0.075)  # matte dark green-grey
    bed_grain: float = 0.0  # streaks of a wooden bed
    table_colour: Colour = (0.02, 0.02, 0.022)


@dataclass(frozen=True)
class Light:
    """One main lamp, sky light, and the unevenness of both."""

    towards: tuple[float, float, float] = (-0.35, 0.45, 0.82)  # bed frame, to the lamp
    sky: float = 0.45  # part of the light that comes from everywhere
    level: float = 0.95
    tint: Colour = (1.0, 0.97, 0.91)
    slope: tuple[float, float] = (-0.25, 0.2)  # relative change per metre along X and Y
    spot_mm: tuple[float, float] = (200.0, 380.0)  # where the lamp shines brightest
    spot_width_mm: float = 420.0
    spot_strength: float = 0.35
    shadows: tuple[tuple[float, float, float, float, float], ...] = ()
    # soft shadows on everything: x, y, direction in degrees, half width, depth 0…1


@dataclass(frozen=True)
class Occluder:
    """A thing between plate and camera: a capsule from one place to another, level, at a height."""

    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    radius_mm: float
    height_mm: float
    colour: Colour = (0.35, 0.36, 0.38)


@dataclass(frozen=True)
class PlateRaster:
    """The plate in its own frame: signed distance to the rim, height of the arch, colour.

    edge_mm: positive inside the wood (sound holes are outside); (rows y, columns x).
    """

    origin_mm: tuple[float, float]
    edge_mm: Raster
    rim_mm: Raster
    height_mm: Raster
    colour: Raster = field(repr=False)

    def shape_place(self, x: Raster, y: Raster) -> tuple[Raster, Raster]:
        """Plate-frame mm to map coordinates of the shape rasters."""
        return _place(x, y, self.origin_mm, SHAPE_STEP_MM)

    def colour_place(self, x: Raster, y: Raster) -> tuple[Raster, Raster]:
        """Plate-frame mm to map coordinates of the colour raster."""
        return _place(x, y, self.origin_mm, WOOD_STEP_MM)


def _place(x: Raster, y: Raster, origin: tuple[float, float], step: float) -> tuple[Raster, Raster]:
    return (
        ((x - origin[0]) / step - 0.5).astype(np.float32),
        ((y - origin[1]) / step - 0.5).astype(np.float32),
    )


def signed_distance(ring: FloatArray, x_mm: FloatArray, y_mm: FloatArray) -> Raster:
    """Distance to a closed ring, positive inside; (len(y), len(x)). Exact near the edge.

    Beyond 2.5 mm it is OpenCV's distance transform of the same shape, good to a step or so.
    """
    X, Y = np.meshgrid(x_mm, y_mm)
    xy = np.column_stack([X.ravel(), Y.ravel()])
    step = np.roll(ring, -1, axis=0) - ring
    length = np.hypot(*step.T)
    pieces = np.maximum(np.ceil(length / 0.3).astype(int), 1)
    edge = np.repeat(np.arange(len(ring)), pieces)
    part = np.concatenate([(np.arange(int(n)) + 0.5) / int(n) for n in pieces])
    dense = ring[edge] + part[:, None] * step[edge]
    coarse, nearest = cKDTree(dense).query(xy, distance_upper_bound=_EXACT_BAND_MM)
    near = np.isfinite(coarse)
    chosen = edge[np.asarray(nearest)[near]]
    offset = np.asarray(xy[near] - ring[chosen])
    along = np.clip(np.sum(offset * step[chosen], axis=1) / length[chosen] ** 2, 0.0, 1.0)
    gap = np.hypot(*(offset - along[:, None] * step[chosen]).T)
    inside_near = np.concatenate(
        [
            polygon.contains(ring, block)
            for block in np.array_split(xy[near], 1 + near.sum() // 4000)
        ]
    )
    spacing = float(x_mm[1] - x_mm[0])
    grid = np.round((ring - [x_mm[0], y_mm[0]]) / spacing * 256.0).astype(np.int32)
    filled = np.zeros(X.shape, dtype=np.uint8)
    cv2.fillPoly(filled, [grid], 1, shift=8)
    filled.ravel()[near] = inside_near
    far_in = cv2.distanceTransform(filled, cv2.DIST_L2, 5)
    far_out = cv2.distanceTransform(1 - filled, cv2.DIST_L2, 5)
    distance = ((far_in - far_out) * spacing).astype(np.float32)
    distance.ravel()[near] = np.where(inside_near, gap, -gap)
    return distance


def plate_raster(outline: Outline, face: Face, look: Look, rng: np.random.Generator) -> PlateRaster:
    """Shape, arching and wood of one face, drawn in the plate frame."""
    low = outline.rim.min(axis=0) - _MARGIN_MM
    size = np.ceil(np.ptp(outline.rim, axis=0) + 2.0 * _MARGIN_MM)
    columns, rows = (size / SHAPE_STEP_MM).astype(int)
    x = low[0] + SHAPE_STEP_MM * (np.arange(columns) + 0.5)
    y = low[1] + SHAPE_STEP_MM * (np.arange(rows) + 0.5)
    rim = signed_distance(outline.rim, x, y)
    edge = rim.copy()
    for hole in outline.holes:
        edge = np.minimum(edge, -signed_distance(hole, x, y))
    depth = np.clip((rim - 6.0) / 85.0, 0.0, 1.0)
    height = look.arching_mm * np.sin(0.5 * np.pi * depth) ** 1.5
    height = gaussian_filter(height, 5.0 / SHAPE_STEP_MM).astype(np.float32)
    if face == "inner":
        height = -height
    fine_x = low[0] + WOOD_STEP_MM * (np.arange(2 * columns) + 0.5)
    fine_y = low[1] + WOOD_STEP_MM * (np.arange(2 * rows) + 0.5)
    colour = _wood(look, face, fine_x, fine_y, rng)
    fine_rim = cv2.resize(rim, (2 * columns, 2 * rows), interpolation=cv2.INTER_LINEAR)
    if face == "outer" and look.varnish < 0.3:
        worn = np.exp(-((fine_rim / 1.5) ** 2))[:, :, None]
        colour *= (1.0 - 0.06 * worn).astype(np.float32)  # handled edge, slightly darker
    origin = (float(low[0]), float(low[1]))
    return PlateRaster(origin, edge, rim, height, colour)


def _wood(look: Look, face: Face, x: FloatArray, y: FloatArray, rng: np.random.Generator) -> Raster:
    """Flamed maple or straight-grained spruce in two book-matched halves; (len(y), len(x), 3)."""
    folded = np.abs(x + 0.4)  # the joint lies a little beside the centre line
    if look.wood == "maple":
        base = np.array([0.56, 0.36, 0.185])
        wander = gaussian_filter1d(rng.normal(size=len(y) + 400), 90.0)[: len(y)]
        wander *= 6.0 / max(float(np.std(wander)), 1e-9)
        slant = y[:, None] + 0.35 * folded[None, :] + 0.25 * wander[:, None]
        curl = np.sin(2 * np.pi * slant / 9.0 + 0.8 * np.sin(2 * np.pi * slant / 41.0 + 0.7))
        patchy = gaussian_filter(rng.normal(size=(len(y) // 8 + 1, len(x) // 8 + 1)), (4, 10))
        patchy = cv2.resize(patchy / patchy.std(), (len(x), len(y)))
        figure = 0.13 * look.flame * curl * np.clip(1.0 + 0.4 * patchy, 0.0, 2.0)
        grain = 0.03 * _streaks(rng, x, y, (14.0, 0.9)) / 0.07
    else:
        base = np.array([0.66, 0.48, 0.27])
        ring_mm = 0.9 + 0.007 * folded + 0.05 * gaussian_filter1d(rng.normal(size=len(x)), 30.0)
        phase = np.cumsum(WOOD_STEP_MM / ring_mm)
        phase = np.interp(folded, np.arange(len(x)) * WOOD_STEP_MM, phase)
        late = (0.5 + 0.5 * np.sin(2 * np.pi * phase)) ** 4
        figure = np.broadcast_to(-0.22 * late[None, :], (len(y), len(x)))
        grain = 0.03 * _streaks(rng, x, y, (20.0, 0.7)) / 0.06
    if face == "inner":
        base = base * 0.75 + 0.25 * np.array([0.78, 0.68, 0.5])  # freshly scraped, paler
        scraped = _streaks(rng, x, y, (2.0, 6.0))
        grain = grain + 0.03 * scraped / scraped.std()
    elif look.varnish > 0.0:
        base = base * (1.0 - look.varnish) + look.varnish * np.array([0.36, 0.135, 0.035])
    shade = 1.0 + np.clip(figure + grain, -0.5, 0.5)
    joint = 1.0 - 0.25 * np.exp(-((folded / 0.25) ** 2))
    pale = (shade * joint[None, :])[:, :, None]
    # the figure is stronger in blue than in red, as in real wood
    return np.asarray(base * pale ** np.array([0.85, 1.0, 1.2]), dtype=np.float32)


def _streaks(
    rng: np.random.Generator, x: FloatArray, y: FloatArray, sigma: tuple[float, float]
) -> Raster:
    """Noise smoothed by so many steps down and across; (len(y), len(x))."""
    noise = rng.normal(size=(len(y), len(x))).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(noise, (0, 0), sigmaX=sigma[1], sigmaY=sigma[0]))


@dataclass(frozen=True)
class MarkerRaster:
    """Printed labels on the bed: how much of each cell is paper, and how white it is."""

    origin_mm: tuple[float, float]
    paper: NDArray[np.uint8]
    white: NDArray[np.uint8]

    def place(self, x: Raster, y: Raster) -> tuple[Raster, Raster]:
        """Bed-frame mm to map coordinates."""
        return _place(x, y, self.origin_mm, MARKER_STEP_MM)


def marker_raster(bed: BedSettings, missing: tuple[int, ...]) -> MarkerRaster:
    """Draw every marker that is there, its own up towards bed +Y, on a white label."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, bed.marker_dictionary))
    margin = 40.0
    columns = int((bed.width_mm + 2 * margin) / MARKER_STEP_MM)
    rows = int((bed.depth_mm + 2 * margin) / MARKER_STEP_MM)
    origin = (-margin, -margin)
    paper = np.zeros((rows, columns), dtype=np.uint8)
    white = np.zeros((rows, columns), dtype=np.uint8)
    for marker in bed.markers:
        if marker.id in missing:
            continue
        label_mm = 1.36 * marker.size_mm
        reach = int(np.ceil((0.5 * label_mm + 1.0) / MARKER_STEP_MM))
        column0 = int((marker.x_mm + margin) / MARKER_STEP_MM) - reach
        row0 = int((marker.y_mm + margin) / MARKER_STEP_MM) - reach
        side = 2 * reach + 1
        # sample each raster cell 5 × 5 times, so that edges fall where they are printed
        sample = (np.arange(5 * side) + 0.5) / 5.0 * MARKER_STEP_MM
        dx = origin[0] + column0 * MARKER_STEP_MM + sample - marker.x_mm
        dy = origin[1] + row0 * MARKER_STEP_MM + sample - marker.y_mm
        modules = dictionary.markerSize + 2
        pattern = cv2.aruco.generateImageMarker(dictionary, marker.id, modules, borderBits=1)
        column = np.floor((dx / marker.size_mm + 0.5) * modules).astype(int)
        row = np.floor((0.5 - dy / marker.size_mm) * modules).astype(int)
        ink = pattern[np.clip(row, 0, modules - 1)][:, np.clip(column, 0, modules - 1)]
        on_marker = np.outer((row >= 0) & (row < modules), (column >= 0) & (column < modules))
        print_white = np.where(on_marker, ink, 255).astype(np.float32)
        on_paper = np.outer(np.abs(dy) < 0.5 * label_mm, np.abs(dx) < 0.5 * label_mm)
        window = np.s_[row0 : row0 + side, column0 : column0 + side]
        if min(row0, column0) < 0 or row0 + side > rows or column0 + side > columns:
            continue  # a label this far outside the bed is not drawn
        shrink = (side, side)
        paper[window] = cv2.resize(
            255.0 * on_paper.astype(np.float32), shrink, interpolation=cv2.INTER_AREA
        ).round()
        white[window] = cv2.resize(print_white, shrink, interpolation=cv2.INTER_AREA).round()
    return MarkerRaster(origin, paper, white)
