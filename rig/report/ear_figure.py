"""A class on one sheet: how small a difference each ear tells, day by day."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from rig.model.ear import EarWay
from rig.report.palette import FAINT, INK
from rig.report.sheet import SMALL_PT, TEXT_PT, Heading, Sheet

_ROW_MM, _LEFT_MM, _PLOT_MM, _TOLD_MM = 7.0, 52.0, 110.0, 60.0
_LEAST, _MOST = 2.0, 1500.0
_MARKS: dict[EarWay, str] = {"taps": "o", "easy": "s", "moved": "D"}
WAY_WORDS: dict[EarWay, str] = {
    "taps": "two taps",
    "easy": "two taps, difference enlarged",
    "moved": "one tap, moved in pitch",
}


class Found(Protocol):
    """A threshold as `rig.tone.staircase` finds it."""

    @property
    def cents(self) -> float:
        """Middle."""

    @property
    def low_cents(self) -> float:
        """Lower end of the 95 % interval."""

    @property
    def high_cents(self) -> float:
        """Upper end."""


class DayRow(Protocol):
    """One listener's answers of one day and way."""

    @property
    def listener(self) -> str:
        """Who."""

    @property
    def day(self) -> str:
        """When."""

    @property
    def way(self) -> EarWay:
        """How it was asked."""

    @property
    def questions(self) -> int:
        """How many."""

    @property
    def threshold(self) -> Found | None:
        """None where the answers were too few."""


def ear_sheet(days: Sequence[DayRow], *, simulated: bool) -> Sheet:
    """One row per listener, day and way: middle and 95 % interval on a logarithmic axis."""
    rows = max(len(days), 1)
    sheet = Sheet(
        _LEFT_MM + _PLOT_MM + _TOLD_MM,
        14.0 + _ROW_MM * rows,
        Heading(
            "Ears",
            ("Difference of pitch told three times out of four, with its 95 % interval: "
             "the smaller, the finer the ear",),
        ),
        simulated=simulated,
    )  # fmt: skip
    axes = sheet.axes(_LEFT_MM, 1.0, _PLOT_MM, _ROW_MM * rows)
    axes.set_xscale("log")
    axes.set_xlim(_LEAST, _MOST)
    axes.set_ylim(rows - 0.5, -0.5)
    axes.set_yticks([])
    ticks = [2, 5, 10, 20, 50, 100, 200, 500, 1000]
    axes.set_xticks(ticks, labels=[str(tick) for tick in ticks])
    axes.set_xticks([], minor=True)
    axes.grid(axis="x", color=FAINT, lw=0.3, alpha=0.6)
    axes.tick_params(labelsize=TEXT_PT, length=2, width=0.5)
    axes.set_xlabel("cents (100 make a semitone)", fontsize=TEXT_PT)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    before = ""
    for row, one in enumerate(days):
        middle_mm = 1.0 + _ROW_MM * (row + 0.5)
        if one.listener != before:
            sheet.text(0.5, middle_mm, one.listener, fontsize=TEXT_PT, va="center", weight="bold")
            if row:
                axes.axhline(row - 0.5, color=FAINT, lw=0.4)
        before = one.listener
        sheet.text(28.0, middle_mm, one.day, fontsize=SMALL_PT, va="center", color=FAINT)
        told = f"{WAY_WORDS[one.way]}, {one.questions} asked"
        sheet.text(_LEFT_MM + _PLOT_MM + 3.0, middle_mm, told, fontsize=SMALL_PT, va="center")
        found = one.threshold
        if found is None:
            axes.annotate("too few answers", (_LEAST * 1.1, row), va="center", fontsize=SMALL_PT)
            continue
        ends = max(found.low_cents, _LEAST), min(found.high_cents, _MOST)
        axes.plot(ends, (row, row), color=INK, lw=1.2, solid_capstyle="butt")
        axes.plot(min(max(found.cents, _LEAST), _MOST), row, _MARKS[one.way], color=INK, ms=4.5,
                  mfc="white" if one.way == "easy" else INK)  # fmt: skip
    sheet.simulated_tag(_LEFT_MM + _PLOT_MM - 20.0, 1.0)
    return sheet
