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
from rig.report.sheet import (
    BODY_MM,
    SCALES,
    SMALL_PT,
    TEXT_PT,
    Heading,
    Paper,
    Sheet,
    scale_bar,
)
from rig.report.words import count, face_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_CELL_MM = 46.0
_LONGEST_MM = 90.0
_PAGE_CELL_MM = 37.0  # in a report
_WORDS_MM = 12.5
_STEP_MM = 2.0
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


@dataclass(frozen=True)
class _Cells:
    """Modes side by side: columns, width of a cell and height of a row in mm, reduction."""

    columns: int
    cell_mm: float
    row_mm: float
    scale: float


Alike = Sequence[float | None]


def modes_sheet(modes: PlateModes, alike: Alike | None = None, against: str | None = None) -> Sheet:
    """Draw every mode of a scan, by frequency.

    alike: the assurance criterion of each mode with its partner in the scan `against`.
    """
    columns = int(np.clip(np.ceil(np.sqrt(1.5 * len(modes.modes))), 4, 6))
    cells = _cells(modes.outline, columns, _CELL_MM, _LONGEST_MM)
    rows = max(-(-len(modes.modes) // columns), 1)
    sheet = Sheet(
        columns * _CELL_MM, rows * cells.row_mm + _KEY_MM,
        Heading("Plate modes", modes_lines(modes, against)), simulated=modes.simulated,
    )  # fmt: skip
    _fill(sheet, modes, range(len(modes.modes)), cells, alike, against)
    return sheet


def modes_pages(
    modes: PlateModes, paper: Paper, alike: Alike | None = None, against: str | None = None
) -> list[Sheet]:
    """The same on as many pages of a report as are needed, without a heading."""
    width, height = BODY_MM[paper]
    columns = int(width // _PAGE_CELL_MM)
    cells = _cells(modes.outline, columns, width / columns, (height - _KEY_MM) / 3.0 - _WORDS_MM)
    rows = max(int((height - _KEY_MM) // cells.row_mm), 1)
    sheets = []
    for first in range(0, len(modes.modes), rows * columns):
        numbers = range(first, min(first + rows * columns, len(modes.modes)))
        used = -(-len(numbers) // columns)
        sheet = Sheet(width, used * cells.row_mm + _KEY_MM, None, simulated=modes.simulated)
        _fill(sheet, modes, numbers, cells, alike, against)
        sheets.append(sheet)
    return sheets


def mode_sheet(
    modes: PlateModes, number: int, alike: Alike | None = None, against: str | None = None
) -> Sheet:
    """Draw one mode by itself, as large as A4 allows at a round scale."""
    mode = modes.modes[number]
    width, height = BODY_MM["A4"]
    cells = _cells(modes.outline, 1, width, height - _WORDS_MM - _KEY_MM)
    heading = Heading(f"Plate mode at {mode.hz:.1f} Hz", modes_lines(modes, against, one=True))
    sheet = Sheet(width, cells.row_mm + _KEY_MM, heading, simulated=modes.simulated)
    _fill(sheet, modes, [number], cells, alike, against)
    return sheet


def modes_lines(modes: PlateModes, against: str | None, *, one: bool = False) -> tuple[str, ...]:
    """What stands under the title of such a picture."""
    many = "" if one else f"{count(len(modes.modes), 'mode')} from "
    return (
        f"Scan {modes.scan}, {face_words(modes.face)} · {many}{count(len(modes.taps), 'tap')} · "
        f"amplitudes {_NORMALISED[modes.normalised]}",
        f"{'Against its' if one else 'Each mode against its own'} greatest amplitude · seen from "
        "the outer face, neck end up",
        "" if against is None else f"Likeness to {against}: modal assurance criterion, 0 to 1",
    )


def _cells(outline: Outline, columns: int, cell_mm: float, longest_mm: float) -> _Cells:
    width, length = outline.size_mm
    scale = next(
        (s for s in SCALES if width / s <= cell_mm - 3.0 and length / s <= longest_mm),
        max(width / (cell_mm - 3.0), length / longest_mm),
    )
    return _Cells(columns, cell_mm, length / scale + _WORDS_MM, scale)


def _fill(
    sheet: Sheet,
    modes: PlateModes,
    numbers: Sequence[int],
    cells: _Cells,
    alike: Alike | None,
    against: str | None,
) -> None:
    """Draw the chosen modes and the key below them."""
    outline = modes.outline
    width, length = (side / cells.scale for side in outline.size_mm)
    field = _field(modes, outline) if modes.modes else None
    for place, number in enumerate(numbers):
        left = (place % cells.columns) * cells.cell_mm
        top = (place // cells.columns) * cells.row_mm
        mode = modes.modes[number]
        middle = left + 0.5 * cells.cell_mm
        _words(sheet, middle, top, mode, None if alike is None else alike[number], against)
        axes = sheet.axes(middle - 0.5 * width, top + _WORDS_MM - 2.0, width, length)
        assert field is not None
        _draw(axes, modes, number, field)
        if modes.simulated:
            axes.text(
                0.5, 0.5, "SIMULATED", transform=axes.transAxes, ha="center", va="center",
                rotation=60, fontsize=0.33 * width, fontweight="bold", color=INK, alpha=0.13,
                zorder=2.5,
            )  # fmt: skip
    _key(sheet, -(-len(numbers) // cells.columns) * cells.row_mm, cells.scale)


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

    outline, values = modes.outline, field.values[..., number]
    half = 0.5 * _STEP_MM
    clip = draw.wood_path(outline), axes.transData
    image = axes.imshow(
        values, origin="lower", cmap=ListedColormap(diverging()), vmin=-1.0, vmax=1.0, zorder=1,
        extent=(field.x_mm[0] - half, field.x_mm[-1] + half,
                field.y_mm[0] - half, field.y_mm[-1] + half),
        interpolation="bilinear", aspect="equal",
    )  # fmt: skip
    image.set_clip_path(*clip)
    dashed = (0, (4, 2))
    lines = axes.contour(
        field.x_mm, field.y_mm, values, levels=(-0.75, -0.5, -0.25, 0.25, 0.5, 0.75), colors=INK,
        linewidths=0.35, linestyles=[dashed] * 3 + ["solid"] * 3, zorder=2,
    )  # fmt: skip
    lines.set_clip_path(*clip)
    for line in modes.nodal_lines[number]:
        axes.plot(line[:, 0], line[:, 1], color="white", lw=2.2, zorder=3)
        axes.plot(line[:, 0], line[:, 1], color=INK, lw=1.1, zorder=3.1)
    draw.draw_outline(axes, outline)
    draw.set_plate_axes(axes, outline)
    axes.set_xticks([])
    axes.set_yticks([])


def _words(
    sheet: Sheet, middle: float, top: float, mode: PlateMode, alike: float | None,
    against: str | None,
) -> None:  # fmt: skip
    """Frequency as the title, and what it is worth."""
    doubtful = mode.quality == "doubtful"
    sheet.text(
        middle, top, f"{mode.hz:.1f} Hz", fontsize=TEXT_PT + 1.0, fontweight="bold", ha="center",
        color=WARNING if doubtful else INK,
    )  # fmt: skip
    digits = 2 if mode.sd_hz >= 0.01 else 3
    words = f"± {mode.sd_hz:.{digits}f} Hz · decay {mode.decay_s * 1000:.0f} ms"
    sheet.text(middle, top + 4.2, words, ha="center")
    # all three together would reach into the next cell
    note = "doubtful" if doubtful else f"{100.0 * mode.in_phase_share:.0f} % in phase"
    if against is not None:
        note += " · no partner" if alike is None else f" · {against}: {alike:.2f}"
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
