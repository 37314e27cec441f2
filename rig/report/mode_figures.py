"""The plate's modes as small figures on one sheet: shape, nodal lines, frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.field.plate_modes import PlateMode, PlateModes
from rig.model.outline import Outline
from rig.model.units import FloatArray
from rig.report import plate_drawing as draw
from rig.report.palette import FAINT, INK, WARNING, diverging
from rig.report.sheet import SCALES, SMALL_PT, TEXT_PT, Heading, Sheet, scale_bar
from rig.report.words import count, face_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_CELL_MM = 46.0
_LONGEST_MM = 90.0
_WORDS_MM = 12.5
_STEP_MM = 1.5
_KEY_MM = 18.0
_NORMALISED = {
    "force": "divided by the force of the strike",
    "strike speed": "divided by the speed of the strike; its force is not known",
    "nothing": "strikes taken as equally hard; their force is not known",
}


@dataclass(frozen=True)
class _Field:
    """Shapes of all modes on a grid over the plate: values (ny, nx, modes)."""

    x_mm: FloatArray
    y_mm: FloatArray
    values: FloatArray


def modes_sheet(
    modes: PlateModes, alike: Sequence[float | None] | None = None, against: str | None = None
) -> Sheet:
    """Draw every mode of a scan, by frequency.

    alike: the assurance criterion of each mode with its partner in the scan `against`.
    """
    outline = modes.outline
    width, length = outline.size_mm
    scale = next(
        (s for s in SCALES if width / s <= _CELL_MM - 4.0 and length / s <= _LONGEST_MM),
        max(width / (_CELL_MM - 4.0), length / _LONGEST_MM),
    )
    columns = int(np.clip(np.ceil(np.sqrt(1.5 * len(modes.modes))), 4, 6))
    rows = max(-(-len(modes.modes) // columns), 1)
    row_mm = length / scale + _WORDS_MM
    lines = (
        f"Scan {modes.scan}, {face_words(modes.face)} · {count(len(modes.modes), 'mode')} from "
        f"{count(len(modes.taps), 'tap')} · amplitudes {_NORMALISED[modes.normalised]}",
        "Each mode against its own greatest amplitude · seen from the outer face, neck end up",
        "" if against is None else f"Likeness to {against}: modal assurance criterion, 0 to 1",
    )
    sheet = Sheet(
        columns * _CELL_MM, rows * row_mm + _KEY_MM, Heading("Plate modes", lines),
        simulated=modes.simulated,
    )  # fmt: skip
    field = _field(modes, outline) if modes.modes else None
    for number, mode in enumerate(modes.modes):
        left = (number % columns) * _CELL_MM
        top = (number // columns) * row_mm
        _words(sheet, left, top, mode, None if alike is None else alike[number], against)
        inset = 0.5 * (_CELL_MM - width / scale)
        axes = sheet.axes(left + inset, top + _WORDS_MM - 2.0, width / scale, length / scale)
        assert field is not None
        _draw(axes, modes, number, field)
        if modes.simulated:
            axes.text(
                0.5, 0.5, "SIMULATED", transform=axes.transAxes, ha="center", va="center",
                rotation=60, fontsize=15, fontweight="bold", color=INK, alpha=0.13, zorder=2.5,
            )  # fmt: skip
    _key(sheet, rows * row_mm, scale)
    return sheet


def _field(modes: PlateModes, outline: Outline) -> _Field:
    low, high = outline.rim.min(axis=0) - 2.0, outline.rim.max(axis=0) + 2.0
    x = np.arange(low[0], high[0] + _STEP_MM, _STEP_MM)
    y = np.arange(low[1], high[1] + _STEP_MM, _STEP_MM)
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    values = modes.shape.at(grid).reshape(len(y), len(x), -1)
    return _Field(x, y, values / _greatest(values, outline, grid))


def _greatest(values: FloatArray, outline: Outline, grid: FloatArray) -> FloatArray:
    """Greatest amplitude of each mode on the wood, at least 1, so that no colour runs over."""
    wood = outline.contains(grid).reshape(values.shape[:2])
    return np.asarray(np.maximum(np.max(np.abs(values[wood]), axis=0), 1.0))


def _draw(axes: Axes, modes: PlateModes, number: int, field: _Field) -> None:
    """Signed amplitude, contour lines (below 0 dashed), nodal lines, outline."""
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import PathPatch

    outline, values = modes.outline, field.values[..., number]
    half = 0.5 * _STEP_MM
    clip = PathPatch(draw.wood_path(outline), transform=axes.transData, fc="none", ec="none")
    axes.add_patch(clip)
    image = axes.imshow(
        values, origin="lower", cmap=ListedColormap(diverging()), vmin=-1.0, vmax=1.0, zorder=1,
        extent=(field.x_mm[0] - half, field.x_mm[-1] + half,
                field.y_mm[0] - half, field.y_mm[-1] + half),
        interpolation="bilinear", aspect="equal",
    )  # fmt: skip
    image.set_clip_path(clip)
    for levels, style in (((0.25, 0.5, 0.75), "solid"), ((-0.75, -0.5, -0.25), (0, (4, 2)))):
        lines = axes.contour(
            field.x_mm, field.y_mm, values, levels=levels, colors=INK, linewidths=0.35,
            linestyles=[style], zorder=2,
        )  # fmt: skip
        lines.set_clip_path(clip)
    for line in modes.nodal_lines[number]:
        axes.plot(line[:, 0], line[:, 1], color="white", lw=2.2, zorder=3)
        axes.plot(line[:, 0], line[:, 1], color=INK, lw=1.1, zorder=3.1)
    draw.draw_outline(axes, outline)
    draw.set_plate_axes(axes, outline)
    axes.set_xticks([])
    axes.set_yticks([])


def _words(
    sheet: Sheet, left: float, top: float, mode: PlateMode, alike: float | None,
    against: str | None,
) -> None:  # fmt: skip
    """Frequency as the title, and what it is worth."""
    middle = left + 0.5 * _CELL_MM
    doubtful = mode.quality == "doubtful"
    sheet.text(
        middle, top, f"{mode.hz:.1f} Hz", fontsize=TEXT_PT + 1.0, fontweight="bold", ha="center",
        color=WARNING if doubtful else INK,
    )  # fmt: skip
    digits = 2 if mode.sd_hz >= 0.01 else 3
    words = f"± {mode.sd_hz:.{digits}f} Hz · decay {mode.decay_s * 1000:.0f} ms"
    sheet.text(middle, top + 4.2, words, ha="center")
    note = f"{100.0 * mode.in_phase_share:.0f} % in phase"
    if against is not None:
        note += " · no partner" if alike is None else f" · {against}: {alike:.2f}"
    if doubtful:
        note += " · doubtful"
    sheet.text(middle, top + 7.2, note, ha="center", color=WARNING if doubtful else FAINT)


def _key(sheet: Sheet, top: float, scale: float) -> None:
    """Colour bar, what the lines mean, scale."""
    bar = sheet.axes(2.0, top + 3.0, 52.0, 3.0)
    bar.imshow(diverging()[None, :, :], aspect="auto", extent=(-1.0, 1.0, 0.0, 1.0))
    bar.set_yticks([])
    bar.set_xticks([-1.0, -0.5, 0.0, 0.5, 1.0], labels=["−1", "−0.5", "0", "+0.5", "+1"])
    bar.tick_params(labelsize=SMALL_PT, length=2, width=0.5, pad=1.5)
    for spine in bar.spines.values():
        spine.set_linewidth(0.5)
    words = (
        "Bold line: at rest (nodal line). Thin lines: ¼, ½ and ¾ of the greatest amplitude, dashed "
        "below 0: there the wood moves down while the rest moves up. The sign itself is free."
    )
    sheet.text(60.0, top + 2.0, "\n".join(sheet.wrapped(words, 78.0)))
    sheet.simulated_tag(2.0, top + 13.0)
    scale_bar(sheet, 145.0, top + 3.0, scale)
