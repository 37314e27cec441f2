"""What all plate figures share: outline, field, contour lines, doubt, taps, zones, numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.report.palette import FAINT, INK, PAPER, diverging, sequential
from rig.report.sheet import SMALL_PT

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.path import Path as DrawnPath


class SurfaceLike(Protocol):
    """A field on a grid: x (nx,), y (ny,), values (ny, nx), NaN outside the wood."""

    @property
    def x_mm(self) -> FloatArray: ...
    @property
    def y_mm(self) -> FloatArray: ...
    @property
    def cents(self) -> FloatArray: ...
    @property
    def sd_cents(self) -> FloatArray: ...


SMALLEST_SHARE = 0.003  # of the wood, below which hatching would not be seen
NICE_STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0, 250.0, 500.0, 1000.0)


def nice_step(span: float, steps: int = 9) -> float:
    """Return the round contour step that cuts `span` into about `steps` parts."""
    wanted = max(span, 1e-9) / steps
    return min(NICE_STEPS, key=lambda step: abs(np.log(step / wanted)))


def colour_reach(values: FloatArray) -> tuple[float, float]:
    """Return the half width of a colour range symmetric about 0, and the contour step."""
    finite = values[np.isfinite(values)]
    reach = float(np.percentile(np.abs(finite), 99.5)) if len(finite) else 1.0
    step = nice_step(2.0 * max(reach, 1.0))
    return float(np.ceil(max(reach, 1.0) / step) * step), step


def wood_path(outline: Outline) -> DrawnPath:
    """Rim and sound holes as one path (even-odd by opposite directions)."""
    from matplotlib.path import Path as DrawnPath

    rings = [np.asarray(outline.rim)] + [np.asarray(hole)[::-1] for hole in outline.holes]
    parts = [DrawnPath(np.vstack([ring, ring[:1]]), closed=True) for ring in rings]
    return DrawnPath.make_compound_path(*parts)


def set_plate_axes(axes: Axes, outline: Outline) -> None:
    """Fit the axes to the box round the outline, with quiet mm ticks."""
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    axes.set_xlim(low[0] - 1.0, high[0] + 1.0)
    axes.set_ylim(low[1] - 1.0, high[1] + 1.0)
    axes.set_aspect("equal")
    axes.set_xticks(np.arange(np.ceil(low[0] / 50) * 50, high[0] + 0.1, 50))
    axes.set_yticks(np.arange(np.ceil(low[1] / 50) * 50, high[1] + 0.1, 50))
    axes.tick_params(length=2, width=0.5, color=FAINT, labelcolor=FAINT, labelsize=6.5, pad=1.5)
    for spine in axes.spines.values():
        spine.set_visible(False)


def draw_outline(axes: Axes, outline: Outline, *, filled: bool = False) -> None:
    """Draw rim and sound holes; the centre line as a thin dash-dot."""
    from matplotlib.patches import PathPatch, Polygon

    if filled:
        axes.add_artist(PathPatch(wood_path(outline), fc="#f6f4f0", ec="none", zorder=0))
    for hole in outline.holes:
        axes.add_artist(Polygon(np.asarray(hole), fc=PAPER, ec=INK, lw=0.7, zorder=4))
    # add_patch would measure every corner to fit the axes, which are set already
    axes.add_artist(Polygon(np.asarray(outline.rim), fc="none", ec=INK, lw=1.2, zorder=4))
    low, high = outline.rim[:, 1].min(), outline.rim[:, 1].max()
    axes.plot([0, 0], [low, high], color=FAINT, lw=0.5, ls=(0, (8, 3, 1, 3)), zorder=2)


def filled_to_rim(values: FloatArray) -> FloatArray:
    """Carry the nearest known value outwards, so that no white seam shows along the rim."""
    from scipy.ndimage import distance_transform_edt

    known = np.isfinite(values)
    if known.all() or not known.any():
        return values
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(values[tuple(nearest)], dtype=np.float64)


def draw_field(
    axes: Axes, surface: SurfaceLike, values: FloatArray, outline: Outline, *,
    low: float, high: float, signed: bool,
) -> Any:  # fmt: skip
    """Colour the wood by `values`; returns the image for a colour bar."""
    from matplotlib.colors import ListedColormap

    colours = ListedColormap(diverging() if signed else sequential())
    half_x = float(surface.x_mm[1] - surface.x_mm[0]) / 2
    half_y = float(surface.y_mm[1] - surface.y_mm[0]) / 2
    image = axes.imshow(
        filled_to_rim(values),
        origin="lower",
        extent=(
            surface.x_mm[0] - half_x,
            surface.x_mm[-1] + half_x,
            surface.y_mm[0] - half_y,
            surface.y_mm[-1] + half_y,
        ),
        cmap=colours,
        vmin=low,
        vmax=high,
        interpolation="bilinear",
        zorder=1,
        aspect="equal",
    )
    _clip_to_wood(axes, image, outline)
    return image


def draw_contours(
    axes: Axes, surface: SurfaceLike, values: FloatArray, step: float, outline: Outline, *,
    signed: bool = True, with_zero: bool = True, keep_clear: FloatArray | None = None,
    rings: FloatArray | None = None,
) -> None:  # fmt: skip
    """Draw contour lines with their numbers: above 0 solid, below 0 dashed, 0 strong.

    keep_clear: (n, 2) places in mm that numbers stay away from, if there is another place.
    rings: (n, 2) places of rings to write in: empty boxes, clear of them, instead of numbers.
    """
    finite = values[np.isfinite(values)]
    if not len(finite) or np.ptp(finite) <= 0:
        return
    levels = np.arange(np.ceil(finite.min() / step), np.floor(finite.max() / step) + 1) * step
    if not with_zero:
        levels = levels[levels != 0.0]
    if not len(levels):
        return
    lines = axes.contour(
        surface.x_mm,
        surface.y_mm,
        filled_to_rim(values),
        levels=levels,
        colors=INK,
        linewidths=[1.3 if level == 0 and signed else 0.6 for level in levels],
        linestyles=["solid" if level >= 0 else (0, (4, 2)) for level in levels],
        zorder=3,
    )
    _clip_to_wood(axes, lines, outline)
    paths = lines.get_paths()
    spots = contour_number_spots(
        [np.asarray(path.vertices, dtype=np.float64) for path in paths],
        [path.codes for path in paths],
        outline,
        keep_clear,
    )
    if rings is not None:
        for x, y in spots:
            if all(np.hypot(*(ring - (x, y))) > 12.0 for ring in rings):
                _empty_box(axes, x, y, "      ")
        return
    if not spots:
        return
    labels = axes.clabel(
        lines,
        fontsize=6.5,
        inline=True,
        inline_spacing=2,
        fmt=lambda v: signed_number(v, signed),
        manual=spots,
    )
    for label in labels:
        label.set_path_effects(halo(1.6))


def contour_number_spots(
    vertices: Sequence[FloatArray], codes: Sequence[Any], outline: Outline,
    keep_clear: FloatArray | None, *, shortest_mm: float = 28.0, every_mm: float = 220.0,
) -> list[tuple[float, float]]:  # fmt: skip
    """Choose where contour numbers stand: on wood, apart from each other and from `keep_clear`."""
    taken = [tuple(xy) for xy in keep_clear] if keep_clear is not None else []
    spots: list[tuple[float, float]] = []
    for points, marks in zip(vertices, codes, strict=True):
        starts = np.flatnonzero(np.asarray(marks) == 1)
        for run in np.split(points, starts[1:]):
            run = run[outline.contains(run)] if len(run) else run
            if len(run) < 3:
                continue
            run = run[outline.edge_distance_mm(run) > 6.0]
            if len(run) < 3:
                continue
            length = float(np.sum(np.hypot(*np.diff(run, axis=0).T)))
            if length < shortest_mm:
                continue
            for part in np.array_split(run, 1 + int(length / every_mm)):
                if not taken:
                    best = len(part) // 2
                else:
                    gaps = np.hypot(*(part[:, None] - np.array(taken)[None]).transpose(2, 0, 1))
                    best = int(np.argmax(np.minimum(gaps.min(axis=1), 30.0)))
                spot = (float(part[best, 0]), float(part[best, 1]))
                spots.append(spot)
                taken.append(spot)
    return spots


def _clip_to_wood(axes: Axes, artist: Any, outline: Outline) -> None:
    artist.set_clip_path(wood_path(outline), axes.transData)


def signed_number(value: float, signed: bool = True) -> str:
    """`+50`, `−50`, `0` with a true minus sign."""
    text = f"{value:+.0f}" if signed and round(value) != 0 else f"{abs(value):.0f}"
    if not signed and value < 0:
        text = f"−{text}"
    return text.replace("-", "−")


def plain_number(value: float) -> str:
    """`−45`, `0`, `45` with a true minus sign."""
    return f"{round(value)}".replace("-", "−")


def halo(width: float = 2.0) -> list[Any]:
    """Return a white rim round letters, so that they stay readable on the field."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width, foreground="white")]


def doubt_limit_cents(sd_cents: FloatArray) -> float:
    """Standard deviation above which a place counts as doubtful: twice the map's median."""
    finite = sd_cents[np.isfinite(sd_cents)]
    return float(2.0 * np.median(finite)) if len(finite) else float("inf")


def draw_doubt(axes: Axes, surface: SurfaceLike, outline: Outline, limit_cents: float) -> bool:
    """Hatch where the standard deviation is large; says whether anything was hatched."""
    sd = filled_to_rim(surface.sd_cents)
    share = float(np.mean(surface.sd_cents[np.isfinite(surface.sd_cents)] > limit_cents))
    if not np.isfinite(sd).all() or share < SMALLEST_SHARE:
        return False
    hatched = axes.contourf(
        surface.x_mm,
        surface.y_mm,
        sd,
        levels=[limit_cents, max(float(sd.max()), limit_cents) * 1.01],
        colors="none",
        hatches=["////"],
        zorder=1.5,
    )
    hatched.set_edgecolor(FAINT)
    hatched.set_linewidth(0.0)
    _clip_to_wood(axes, hatched, outline)
    return True


def draw_taps(axes: Axes, places: FloatArray) -> None:
    """One small dot where the hammer struck."""
    axes.plot(places[:, 0], places[:, 1], ".", ms=1.4, color=INK, alpha=0.55, mew=0, zorder=2.2)


def region_depth(
    places: FloatArray, members: Sequence[int] | np.ndarray, outline: Outline
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """A field whose level line is the border of the wood of the taps at rows `members`.

    Returns x_mm (nx,), y_mm (ny,), the field (ny, nx) and its level.
    """
    from scipy.ndimage import distance_transform_edt, gaussian_filter

    step, reach = 1.0, 0.78 * typical_spacing_mm(places)
    low, high = outline.rim.min(axis=0) - 20.0, outline.rim.max(axis=0) + 20.0
    x, y = np.arange(low[0], high[0], step), np.arange(low[1], high[1], step)
    away = np.ones((len(y), len(x)), dtype=bool)
    for px, py in np.asarray(places)[np.asarray(members, dtype=int)]:
        away[round((py - low[1]) / step), round((px - low[0]) / step)] = False
    # Closing: grown by twice the reach and shrunk by once, so that the edge runs smoothly.
    grown = distance_transform_edt(away) * step <= 2.0 * reach
    inside = gaussian_filter(distance_transform_edt(grown) * step, 3.5 / step)
    return x, y, inside, reach


def draw_region(
    axes: Axes, places: FloatArray, members: Sequence[int] | np.ndarray, outline: Outline,
    *, dashed: bool = False,
) -> FloatArray:  # fmt: skip
    """Outline the wood that belongs to the taps at rows `members` of `places`.

    Returns (n, 2) points of the line, for numbers to keep clear of.
    """
    x, y, inside, reach = region_depth(places, members, outline)
    for width, colour in ((3.4, "white"), (1.8, INK)):
        edge = axes.contour(
            x, y, inside, levels=[reach], colors=colour, linewidths=width,
            linestyles="--" if dashed and colour == INK else "-", zorder=5,
        )  # fmt: skip
        _clip_to_wood(axes, edge, outline)
    return np.vstack([path.vertices for path in edge.get_paths()])[::8]


def typical_spacing_mm(places: FloatArray) -> float:
    """Median distance to the nearest other place."""
    if len(places) < 2:
        return 9.0
    gaps = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(gaps, np.inf)
    return float(np.median(gaps.min(axis=1)))


def number_badge(axes: Axes, x_mm: float, y_mm: float, number: int, note: str) -> None:
    """Write a zone's rank in a circle and its excess below it."""
    axes.text(
        x_mm, y_mm, str(number), ha="center", va="center", fontsize=8.5, fontweight="bold",
        color=INK, zorder=7,
        bbox={"boxstyle": "circle,pad=0.22", "fc": "white", "ec": INK, "lw": 1.1},
    )  # fmt: skip
    axes.annotate(
        note, (x_mm, y_mm), xytext=(0, -10), textcoords="offset points", ha="center", va="top",
        fontsize=SMALL_PT, fontweight="bold", color=INK, zorder=7, path_effects=halo(2.4),
    )  # fmt: skip


def empty_badge(axes: Axes, x_mm: float, y_mm: float) -> None:
    """A ring to write a zone's rank in by hand."""
    axes.plot([x_mm], [y_mm], "o", ms=19.0, mfc=PAPER, mec=INK, mew=1.1, zorder=7)


def _empty_box(axes: Axes, x_mm: float, y_mm: float, room: str) -> None:
    axes.text(
        x_mm, y_mm, room, ha="center", va="center", fontsize=8.5, zorder=6,
        bbox={"boxstyle": "square,pad=0.35", "fc": PAPER, "ec": FAINT, "lw": 0.6},
    )  # fmt: skip


def badge_places(spot_mm: tuple[float, float]) -> FloatArray:
    """(n, 2) places that a badge and its note cover, for contour numbers to keep clear of."""
    x, y = spot_mm
    return np.array([(x, y), (x - 10, y - 7), (x, y - 7), (x + 10, y - 7)], dtype=np.float64)
