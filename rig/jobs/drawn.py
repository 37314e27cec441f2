"""Maps made ready to be drawn on a screen: colours, lines and labels, nothing left to compute."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.units import FloatArray

if TYPE_CHECKING:
    from rig.field import Surface
    from rig.jobs.compare import CompareResult
    from rig.jobs.make_map import MapResult
    from rig.jobs.modes import ModesResult
    from rig.model.outline import Outline
    from rig.model.tone_map import ReadingKind

Lines = list[FloatArray]


@dataclass(frozen=True)
class Field:
    """A coloured field over the plate.

    rgba: (ny, nx, 4) uint8, rows from the lowest y upwards, nothing outside the wood; box_mm: x, y
    of the lower left corner, width, height; reach_cents: value of the last colour on either side;
    contours: lines (k, 2) in mm by level in cents.
    """

    rgba: NDArray[np.uint8]
    box_mm: tuple[float, float, float, float]
    reach_cents: float
    step_cents: float
    contours: dict[float, Lines]


@dataclass(frozen=True)
class DrawnMap:
    """A map with its fields and the borders of its high zones, in work order."""

    made: MapResult
    tone: Field
    above: Field
    zone_lines: list[Lines]


@dataclass(frozen=True)
class DrawnChange:
    """A comparison with its field and the border of what chance does not explain."""

    made: CompareResult
    change: Field
    sure_lines: Lines


@dataclass(frozen=True)
class DrawnPair:
    """Two maps of one reading in the same colours, and their values between the taps."""

    before: str
    after: str
    fields: tuple[Field, Field]
    surfaces: tuple[Surface, Surface]

    def at(self, x_mm: float, y_mm: float) -> tuple[float | None, float | None]:
        """Cents before and after at a place of the plate frame; None off the wood."""
        return (value_on(self.surfaces[0], x_mm, y_mm), value_on(self.surfaces[1], x_mm, y_mm))


@dataclass(frozen=True)
class DrawnModes:
    """Modes with their nodal lines; hz and lines run in parallel."""

    made: ModesResult
    hz: list[float]
    lines: list[Lines] = field(default_factory=list)


def drawn_map(
    folder: Path | str,
    scan: str | None = None,
    reading: ReadingKind | None = None,
    target: str | None = None,
    *,
    progress: Progress = silent,
) -> DrawnMap:
    """Map a scan and make it ready to be drawn; errors as `make_map`."""
    from rig.jobs.make_map import make_map

    made = make_map(folder, scan, reading, target, progress)
    progress(ProgressEvent("Drawing", 0, 1))
    outline, places = made.scan.outline, np.asarray(made.tone_map.places)
    rows = {tap: row for row, tap in enumerate(made.tone_map.taps)}
    zones = [
        region_lines(places, [rows[tap] for tap in zone.taps if tap in rows], outline)
        for zone in made.work_order.zones
    ]
    return DrawnMap(made, coloured(made.surface), coloured(made.excess_surface), zones)


def drawn_start(
    drawn: DrawnMap, start_mm: tuple[float, float] | None, *, progress: Progress = silent
) -> DrawnMap:
    """The same map with its work order begun where somebody put it; None: where it would be itself.

    Raises UsageError where no wood is there.
    """
    progress(ProgressEvent("Putting the zones in order", 0, 1))
    made = replace(drawn.made, start_mm=start_mm)
    _ = made.surface, made.excess_surface  # worked out here rather than when they are looked at
    lines = {
        zone.taps: of_zone
        for zone, of_zone in zip(drawn.made.work_order.zones, drawn.zone_lines, strict=True)
    }
    return replace(drawn, made=made, zone_lines=[lines[z.taps] for z in made.work_order.zones])


def drawn_change(
    folder: Path | str,
    before: str,
    after: str,
    reading: ReadingKind | None = None,
    *,
    progress: Progress = silent,
) -> DrawnChange:
    """Compare two scans and make the change ready to be drawn; errors as `compare`."""
    from rig.jobs.compare import compare

    made = compare(folder, before=before, after=after, reading=reading, progress=progress)
    progress(ProgressEvent("Drawing", 0, 1))
    sure = np.flatnonzero(np.asarray(made.comparison.significant, dtype=bool))
    places = np.asarray(made.comparison.places)
    return DrawnChange(
        made, coloured(made.surface), region_lines(places, list(sure), made.after.outline)
    )


def drawn_pair(
    folder: Path | str,
    before: str,
    after: str,
    reading: ReadingKind | None = None,
    *,
    progress: Progress = silent,
) -> DrawnPair:
    """Map two scans for a look at both, in the colours of the wider one; errors as `make_map`.

    reading None: what the later scan allows, for both.
    """
    from rig.jobs.make_map import map_of
    from rig.jobs.scan_readings import load_scan
    from rig.report.plate_drawing import colour_reach

    def mapped(scan: str, wanted: ReadingKind | None) -> MapResult:
        record = load_scan(folder, scan, progress)
        usual = map_of(record, progress=progress)  # most often it was made before and is recalled
        if wanted in (None, usual.tone_map.reading):
            return usual
        return map_of(record, (), wanted, progress=progress)

    second = mapped(after, reading)
    first = mapped(before, second.tone_map.reading)
    progress(ProgressEvent("Drawing", 0, 1))
    surfaces = first.surface, second.surface
    wide = max((colour_reach(one.cents) for one in surfaces), key=lambda reach: reach[0])
    fields = coloured(surfaces[0], wide), coloured(surfaces[1], wide)
    return DrawnPair(before, after, fields, surfaces)


def drawn_modes(
    folder: Path | str, scan: str | None = None, *, progress: Progress = silent
) -> DrawnModes:
    """Read the modes of a scan and make their nodal lines ready to be drawn; errors as `modes`."""
    from rig.jobs.modes import modes

    made = modes(folder, scan, progress=progress)
    lines = [[np.asarray(line) for line in of_one] for of_one in made.modes.nodal_lines]
    return DrawnModes(made, [mode.hz for mode in made.modes.modes], lines)


def coloured(surface: Surface, wide: tuple[float, float] | None = None) -> Field:
    """A surface in the colours of the printed maps; wide: cents of the last colour and of a step,
    its own without."""
    from contourpy import contour_generator

    from rig.report.plate_drawing import colour_reach

    reach, step = wide or colour_reach(surface.cents)
    table = map_colours()
    wood = np.isfinite(surface.cents)
    place = np.where(wood, surface.cents, 0.0) / reach
    index = np.clip(np.round((place + 1.0) / 2.0 * (len(table) - 1)), 0, len(table) - 1)
    rgba = np.zeros((*surface.cents.shape, 4), dtype=np.uint8)
    rgba[...] = table[index.astype(int)]
    rgba[..., 3] = np.where(wood, 255, 0)
    x, y = surface.x_mm, surface.y_mm
    made = contour_generator(x, y, np.ma.masked_invalid(surface.cents))
    most = round(reach / step)
    contours = {n * step: _lines(made, n * step) for n in range(-most, most + 1)}
    half = 0.5 * float(x[1] - x[0])
    box = (float(x[0]) - half, float(y[0]) - half,
           float(x[-1] - x[0]) + 2 * half, float(y[-1] - y[0]) + 2 * half)  # fmt: skip
    return Field(rgba, box, reach, step, contours)


def value_on(surface: Surface, x_mm: float, y_mm: float) -> float | None:
    """Cents of a surface at a place of the plate frame; None off the grid and off the wood."""
    step = float(surface.x_mm[1] - surface.x_mm[0])
    column = round((x_mm - float(surface.x_mm[0])) / step)
    row = round((y_mm - float(surface.y_mm[0])) / step)
    if not (0 <= row < len(surface.y_mm) and 0 <= column < len(surface.x_mm)):
        return None
    value = float(surface.cents[row, column])
    return value if np.isfinite(value) else None


def map_colours() -> NDArray[np.uint8]:
    """(257, 4) uint8 from low to high, the colours of all maps."""
    from rig.report.palette import diverging

    return np.column_stack(
        [np.round(255.0 * diverging()).astype(np.uint8), np.full(257, 255, dtype=np.uint8)]
    )


def region_lines(places: FloatArray, members: list[int], outline: Outline) -> Lines:
    """The border of the wood that belongs to the taps at rows `members` of `places`."""
    if not members:
        return []
    from contourpy import contour_generator
    from scipy.ndimage import gaussian_filter

    step = 1.0
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    x, y = np.arange(low[0], high[0] + step, step), np.arange(low[1], high[1] + step, step)
    nodes = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    gaps = np.array([np.sum((nodes - place) ** 2, axis=1) for place in places])
    near = np.sqrt(np.min(gaps[members], axis=0))
    others = np.delete(np.arange(len(places)), members)
    beside = np.sqrt(np.min(gaps[others], axis=0)) if len(others) else np.full(len(nodes), np.inf)
    depth = np.minimum(beside - near, np.median(_gaps(places)) - near)  # positive inside
    depth = np.where(outline.contains(nodes), depth, -step)
    # the cells of a grid of taps have corners; a border that is looked at runs smoothly
    smooth = gaussian_filter(depth.reshape(len(y), len(x)), 3.0 / step)
    return _lines(contour_generator(x, y, smooth), 0.0)


def _lines(generator: Any, level: float) -> Lines:
    """All lines at one level."""
    return [np.asarray(line, dtype=np.float64) for line in generator.lines(level)]


def _gaps(places: FloatArray) -> FloatArray:
    """Distance of each place to the nearest other one."""
    apart = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    nearest: FloatArray = apart.min(axis=1) if len(places) > 1 else np.array([9.0])
    return nearest
