"""Machine and hand on one plate: the machine's map with the hand's findings, and the difference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.field.hand_agreement import Agreement
from rig.model.hand_map import HandMap
from rig.model.outline import Outline
from rig.model.tone_map import ToneMap
from rig.model.units import FloatArray
from rig.report import plate_drawing as draw
from rig.report.palette import FAINT, INK, PAPER, diverging
from rig.report.sheet import SMALL_PT, TEXT_PT, Heading, Sheet, scale_for, scale_in_words
from rig.report.words import READING_WORDS, face_words, true_minus

_WIDTH_MM = 190.0
_PLATE_MM = (86.0, 156.0)  # room for each of the two plates
_GAP_MM = 5.0
_BELOW_MM = 56.0
_REACH_SD = 3.0  # colours of the difference end here
_KINDS = {
    "scratch": "noise pitch of a scratch",
    "marks": "chalk or sticker marks",
    "judged": "judged places",
    "pairs": "paired answers",
}


@dataclass(frozen=True)
class HandSection:
    """What a report shows of the hand: a record against the map of one scan, and its surface."""

    name: str
    hand: HandMap
    agreement: Agreement
    tone_map: ToneMap
    surface: draw.SurfaceLike
    ear: str
    simulated: bool

    def lines(self) -> tuple[str, ...]:
        """The lines under the title."""
        return hand_lines(self.tone_map, self.hand, self.agreement, self.name, self.ear)

    def sheet(self, outline: Outline) -> Sheet:
        """The figure without a heading of its own."""
        return hand_sheet(
            self.tone_map, self.surface, outline, self.hand, self.agreement, name=self.name,
            ear=self.ear, simulated=self.simulated, headed=False,
        )  # fmt: skip

    def numbers(self) -> list[Any]:
        """What is printed of it."""
        found = self.agreement
        return [self.name, found.places, found.hand_z, found.machine_z, found.sure, self.ear,
                found.sentence]  # fmt: skip


def hand_lines(
    tone_map: ToneMap, hand: HandMap, agreement: Agreement, name: str, ear: str
) -> tuple[str, ...]:
    """The lines under the title."""
    return (
        f"Machine: {tone_map.scan}, {face_words(tone_map.face)}, {agreement.quantity}, reading "
        f"{READING_WORDS[tone_map.reading]}",
        f"Hand: {name}, {_KINDS[hand.kind]}, {len(agreement.places)} places · seen from the outer "
        "face, neck end up",
        true_minus(agreement.sentence),
        true_minus(ear),
    )


def hand_sheet(
    tone_map: ToneMap,
    surface: draw.SurfaceLike,
    outline: Outline,
    hand: HandMap,
    agreement: Agreement,
    *,
    name: str,
    ear: str,
    simulated: bool,
    headed: bool = True,
) -> Sheet:
    """Draw both plates side by side and, below, hand against machine place by place.

    surface: what `agreement.quantity` says of the map.
    """
    heading = Heading("Machine and hand", hand_lines(tone_map, hand, agreement, name, ear))
    size = outline.size_mm[0] + 2.0, outline.size_mm[1] + 2.0
    scale = scale_for(size, _PLATE_MM)
    width, height = size[0] / scale, size[1] / scale
    top = 10.0
    sheet = Sheet(
        _WIDTH_MM, top + height + 6.0 + _BELOW_MM, heading if headed else None, simulated=simulated
    )
    lefts = 7.0, 7.0 + _PLATE_MM[0] + _GAP_MM
    titles = "The machine's map, the hand's findings on it", "Hand minus machine"
    for left, title in zip(lefts, titles, strict=True):
        sheet.text(left, 3.0, title, fontsize=TEXT_PT, fontweight="bold")
    first, second = (sheet.axes(left, top, width, height) for left in lefts)
    for axes in (first, second):
        draw.set_plate_axes(axes, outline)
        draw.draw_outline(axes, outline, filled=True)
    reach, step = draw.colour_reach(surface.cents)
    field = draw.draw_field(
        first, surface, surface.cents, outline, low=-reach, high=reach, signed=True
    )
    draw.draw_contours(first, surface, surface.cents, step, outline)
    _draw_findings(first, agreement.places, agreement.hand_z)
    dots = _draw_difference(second, agreement)
    for axes in (first, second):
        sheet.mark_simulated(axes)
    below = top + height + 8.0
    _draw_scatter(sheet, below, agreement)
    _draw_key(sheet, below, field, dots, step, reach, scale)
    return sheet


def _draw_findings(axes: Any, places: FloatArray, value: FloatArray) -> None:
    """Triangles up for higher and down for lower, the larger the surer; rings for neither."""
    size = 14.0 + 26.0 * np.clip(np.abs(value), 0.0, 2.0)
    for marker, chosen in (
        ("^", value > 0.25), ("v", value < -0.25), ("o", np.abs(value) <= 0.25)
    ):  # fmt: skip
        if np.any(chosen):
            axes.scatter(
                places[chosen, 0], places[chosen, 1], s=size[chosen], marker=marker,
                c=PAPER, edgecolors=INK, linewidths=1.0, zorder=6,
            )  # fmt: skip


def _draw_difference(axes: Any, agreement: Agreement) -> Any:
    """Discs coloured by the difference; a heavy rim where it is beyond doubt."""
    from matplotlib.colors import ListedColormap

    sure = np.asarray(agreement.sure, dtype=bool)
    return axes.scatter(
        agreement.places[:, 0],
        agreement.places[:, 1],
        c=agreement.difference,
        cmap=ListedColormap(diverging()),
        vmin=-_REACH_SD,
        vmax=_REACH_SD,
        s=np.where(sure, 62.0, 30.0),
        edgecolors=INK,
        linewidths=np.where(sure, 2.0, 0.5),
        zorder=6,
    )


def _draw_scatter(sheet: Sheet, top: float, agreement: Agreement) -> None:
    axes = sheet.axes(14.0, top + 1.0, 62.0, _BELOW_MM - 17.0)
    sure = np.asarray(agreement.sure, dtype=bool)
    x, y = agreement.machine_z, agreement.hand_z
    axes.axline((0.0, 0.0), slope=1.0, color=FAINT, lw=0.6)
    axes.plot(x[~sure], y[~sure], "o", ms=3.2, mfc=PAPER, mec=INK, mew=0.8)
    axes.plot(x[sure], y[sure], "o", ms=4.6, mfc=INK, mec=INK)
    axes.set_xlabel("machine (standard deviations)", fontsize=SMALL_PT)
    axes.set_ylabel("hand", fontsize=SMALL_PT)
    axes.tick_params(labelsize=SMALL_PT, length=2, width=0.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_linewidth(0.5)


def _draw_key(
    sheet: Sheet, top: float, field: Any, dots: Any, step: float, reach: float, scale: float
) -> None:
    left = 98.0
    bars = (
        (field, "machine: cents against its middle", np.arange(-reach, reach + 1e-6, 2.0 * step)),
        (dots, "hand minus machine: standard deviations", np.arange(-3.0, 3.5, 1.0)),
    )
    for row, (image, words, ticks) in enumerate(bars):
        axes = sheet.axes(left, top + 1.0 + 14.0 * row, 60.0, 3.0)
        bar = sheet.figure.colorbar(image, cax=axes, orientation="horizontal")
        bar.set_ticks(
            [float(tick) for tick in ticks], labels=[draw.signed_number(tick) for tick in ticks]
        )
        bar.ax.tick_params(labelsize=SMALL_PT - 1.0, length=2, width=0.5, pad=1.0)
        bar.outline.set_linewidth(0.5)
        sheet.text(left, top - 2.6 + 14.0 * row, words)
    samples = (
        ("^", "higher by hand", 40.0, 1.0), ("v", "lower by hand", 40.0, 1.0),
        ("o", "neither", 22.0, 1.0), ("o", "differs beyond doubt", 52.0, 2.0),
    )  # fmt: skip
    for row, (marker, words, size, rim) in enumerate(samples):
        place = top + 27.0 + 4.6 * (row // 2), left + 42.0 * (row % 2)
        sample = sheet.axes(place[1], place[0], 5.0, 4.0)
        sample.set_xlim(0, 1)
        sample.set_ylim(0, 1)
        sample.axis("off")
        sample.scatter([0.5], [0.5], marker=marker, s=size, c=PAPER, edgecolors=INK, linewidths=rim)
        sheet.text(place[1] + 6.5, place[0] + 0.8, words)
    sheet.text(left, top + 38.0, f"Plates at {scale_in_words(scale)}", color=FAINT)
    sheet.simulated_tag(left + 42.0, top + 38.5)
