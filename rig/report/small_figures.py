"""Small figures of a text page: evenness beside repeatability."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.model.tone_map import ToneMap
from rig.report.palette import FAINT, INK
from rig.report.sheet import SMALL_PT, TEXT_PT, Sheet


def waves_sheet(*, simulated: bool) -> Sheet:
    """A slow and a quick wave: what lower and higher are."""
    sheet = Sheet(170.0, 34.0, None, simulated=simulated)
    time_ms = np.linspace(0.0, 10.0, 1200)
    shown = ((3.0, 400.0, "lower: thinner or softer wood"),
             (18.0, 800.0, "higher: thicker or stiffer wood"))  # fmt: skip
    for top, hz, words in shown:
        axes = sheet.axes(0.5, top, 92.0, 12.0)
        fading = np.exp(-time_ms / 6.0) * np.sin(2.0 * np.pi * hz * time_ms / 1000.0)
        axes.plot(time_ms, fading, color=INK, lw=1.0)
        axes.axhline(0.0, color=FAINT, lw=0.4)
        axes.axis("off")
        sheet.text(96.0, top + 2.6, words, fontsize=TEXT_PT + 1.0, fontweight="bold")
        sheet.text(96.0, top + 7.4, f"{hz:.0f} swings in one second (Hz)", fontsize=TEXT_PT)
    return sheet


def evenness_sheet(maps: Sequence[tuple[str, ToneMap]], *, simulated: bool) -> Sheet:
    """One bar per map for the spread with its 90 % interval, one for what repeats by itself."""
    row_mm = 11.0
    height = 13.5 + row_mm * len(maps)
    sheet = Sheet(170.0, height, None, simulated=simulated)
    axes = sheet.axes(32.0, 2.0, 120.0, row_mm * len(maps))
    longest = max(max(made.evenness_high_cents, made.evenness_cents) for _, made in maps)
    axes.set_xlim(0.0, longest * 1.12)
    axes.set_ylim(len(maps) - 0.5, -0.5)
    for row, (_, made) in enumerate(maps):
        low = made.evenness_cents - made.evenness_low_cents
        high = made.evenness_high_cents - made.evenness_cents
        axes.barh(row - 0.18, made.evenness_cents, 0.3, color="#7d93b8", ec=INK, lw=0.6)
        axes.errorbar(
            made.evenness_cents, row - 0.18, xerr=[[max(low, 0)], [max(high, 0)]],
            fmt="none", ecolor=INK, elinewidth=0.9, capsize=2.5,
        )  # fmt: skip
        end = max(made.evenness_high_cents, made.evenness_cents)
        axes.annotate(
            f"{made.evenness_cents:.0f}", (end, row - 0.18), xytext=(4, 0),
            textcoords="offset points", va="center", fontsize=TEXT_PT, color=INK,
        )  # fmt: skip
        repeat = made.repeatability_cents
        if repeat is not None:
            axes.barh(row + 0.2, repeat, 0.24, color="white", ec=INK, lw=0.6, hatch="/////")
        axes.annotate(
            f"repeats within {repeat:.0f}" if repeat is not None else "repeatability unknown",
            (repeat or 0.0, row + 0.2), xytext=(4, 0), textcoords="offset points", va="center",
            fontsize=SMALL_PT, color=INK,
        )  # fmt: skip
    axes.set_yticks(range(len(maps)), labels=[name for name, _ in maps])
    axes.tick_params(labelsize=TEXT_PT, length=2, width=0.5, color=FAINT, labelcolor=INK)
    axes.set_xlabel(
        "cents: spread of the map from 5 % to 95 %, with its 90 % interval", fontsize=TEXT_PT
    )
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_linewidth(0.5)
    sheet.simulated_tag(150.0, 1.0)
    return sheet
