"""All scans of a plate in one figure: partials, evenness, and the conditions they were made in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.field.history import Track
from rig.model.tone_map import ToneMap
from rig.report.palette import FAINT, INK, PAPER, WARNING, diverging
from rig.report.sheet import SMALL_PT, TEXT_PT, Heading, Sheet
from rig.report.words import count, true_minus

_LEFT, _LABEL_MM = 24.0, 22.0
_TOP_MM, _EVEN_MM, _ROW_MM = 92.0, 40.0, 4.6
_NARROW_MM, _WIDE_MM = 12.0, 60.0  # room of one scan
_MOST_NAMED = 14


@dataclass(frozen=True)
class HistoryColumn:
    """One scan: words say its face and strength; differs: not made as the scan before it."""

    scan: str
    date: str
    words: str
    made: ToneMap | None
    conditions: dict[str, float]
    differs: bool


def history_sheet(
    name: str,
    columns: Sequence[HistoryColumn],
    tracks: Sequence[Track],
    *,
    simulated: bool,
    headed: bool = True,
) -> Sheet:
    """Draw a history; time runs to the right, one column for every scan."""
    each = float(np.clip(150.0 / len(columns), _NARROW_MM, _WIDE_MM))
    across = each * len(columns)
    rows = ("face, strength", "temperature, °C", "humidity, %", "mass, g")
    lines = (
        f"{count(len(columns), 'scan')}, {count(len(tracks), 'partial')} followed; a change is "
        "against the scan in which the partial was first heard, bars: one standard deviation",
        "Dashed before a scan: it was not made as the one before it (see platerig history)",
    )
    sheet = Sheet(
        max(_LEFT + across + _LABEL_MM, 170.0),
        _TOP_MM + _EVEN_MM + 16.0 + _ROW_MM * (len(rows) + 2),
        Heading(f"History of {name}", lines) if headed else None,
        simulated=simulated,
    )
    upper = sheet.axes(_LEFT, 2.0, across, _TOP_MM - 6.0)
    lower = sheet.axes(_LEFT, _TOP_MM + 4.0, across, _EVEN_MM)
    for axes in (upper, lower):
        _prepare(axes, columns)
    _draw_tracks(upper, tracks, len(columns))
    _draw_evenness(lower, columns)
    upper.set_ylabel("partials: cents", fontsize=TEXT_PT)
    lower.set_ylabel("evenness: cents", fontsize=TEXT_PT)
    top = _TOP_MM + _EVEN_MM + 7.0
    values = [
        (c.scan, c.date, c.words, _told(c, "temperature_c"), _told(c, "humidity_percent"),
         _told(c, "mass_g"))
        for c in columns
    ]  # fmt: skip
    size = SMALL_PT if each > 20.0 else 5.0
    for row, label in enumerate(("scan", "date", *rows)):
        sheet.text(0.5, top + _ROW_MM * row, label, fontsize=SMALL_PT, color=FAINT)
        for k, told in enumerate(values):
            middle = _LEFT + each * (k + 0.5)
            sheet.text(middle, top + _ROW_MM * row, told[row], fontsize=size, ha="center")
    foot = (
        "Evenness: spread of the map from 5 % to 95 % with its 90 % interval; hollow: attack, "
        "filled: another reading; grey bar: what repeats of itself."
    )
    under = "\n".join(sheet.wrapped(foot, sheet.width_mm - 2.0 * sheet.pad_mm - 14.0))
    sheet.text(0.5, top + _ROW_MM * (len(rows) + 2.4), under)
    sheet.mark_simulated(upper)
    sheet.simulated_tag(_LEFT + across + 2.0, top + _ROW_MM * len(rows))
    return sheet


def _prepare(axes: Any, columns: Sequence[HistoryColumn]) -> None:
    axes.set_xlim(-0.5, len(columns) - 0.5)
    axes.set_xticks(range(len(columns)), labels=[""] * len(columns))
    axes.tick_params(labelsize=SMALL_PT, length=2, width=0.5, color=FAINT, labelcolor=INK)
    for k, column in enumerate(columns):
        if column.differs:
            axes.axvline(k - 0.5, color=WARNING, lw=0.9, ls=(0, (4, 3)), zorder=1)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_linewidth(0.5)


def _draw_tracks(axes: Any, tracks: Sequence[Track], scans: int) -> None:
    """Every partial as a line through the scans that it was heard in; names at its end."""
    axes.axhline(0.0, color=FAINT, lw=0.6, zorder=1)
    if not tracks:
        axes.set_yticks([])
        axes.text(0.5, 0.5, "no partial was heard in two scans", transform=axes.transAxes,
                  ha="center", va="center", fontsize=TEXT_PT, color=FAINT)  # fmt: skip
        return
    colours = diverging()
    ends = []
    for number, track in enumerate(tracks):
        share = number / max(len(tracks) - 1, 1)
        # the pale middle of the palette cannot be seen as a line
        place = 0.42 * share if share < 0.5 else 1.0 - 0.42 * (1.0 - share)
        colour = colours[int(place * (len(colours) - 1))]
        told = [(k, *change) for k in range(scans) if (change := track.change_cents(k)) is not None]
        x, y, sd = (np.array(v, dtype=np.float64) for v in zip(*told, strict=True))
        axes.errorbar(
            x, y, yerr=sd, color=colour, lw=1.0, marker="o", ms=2.6, elinewidth=0.7, capsize=1.5,
            zorder=3,
        )  # fmt: skip
        ends.append((float(x[-1]), float(y[-1]), track.first.hz, colour))
    _name_ends(axes, ends)


def _name_ends(axes: Any, ends: list[tuple[float, float, float, Any]]) -> None:
    """Frequencies beside the lines' ends, spread so that none covers another."""
    low, high = axes.get_ylim()
    named = sorted(ends, key=lambda end: abs(end[1]), reverse=True)[:_MOST_NAMED]
    named.sort(key=lambda end: end[1])
    step = (high - low) / 26.0
    places = np.array([end[1] for end in named])
    for k in range(1, len(places)):
        places[k] = max(places[k], places[k - 1] + step)
    over = max(places[-1] - high, 0.0)
    places -= over
    for k in range(len(places) - 2, -1, -1):
        places[k] = min(places[k], places[k + 1] - step)
    right = axes.get_xlim()[1]
    for (x, y, hz, colour), place in zip(named, places, strict=True):
        axes.plot([x, right + 0.02], [y, place], color=colour, lw=0.4, clip_on=False, zorder=2)
        axes.annotate(
            f"{hz:.1f} Hz", (right, place), xytext=(3, 0), textcoords="offset points",
            fontsize=SMALL_PT - 1.0, va="center", color=INK, annotation_clip=False,
        )  # fmt: skip


def _draw_evenness(axes: Any, columns: Sequence[HistoryColumn]) -> None:
    axes.set_ylim(0.0, 1.0)
    highest = 1.0
    for k, column in enumerate(columns):
        made = column.made
        if made is None:
            axes.annotate("not read", (k, 0.0), xytext=(0, 4), textcoords="offset points",
                          ha="center", fontsize=SMALL_PT, color=FAINT)  # fmt: skip
            continue
        low = max(made.evenness_cents - made.evenness_low_cents, 0.0)
        up = max(made.evenness_high_cents - made.evenness_cents, 0.0)
        axes.errorbar(
            k, made.evenness_cents, yerr=[[low], [up]], fmt="o", ms=5.0, color=INK,
            mfc=PAPER if made.reading == "attack" else INK, elinewidth=0.9, capsize=2.5, zorder=3,
        )  # fmt: skip
        if made.repeatability_cents is not None:
            axes.bar(k, made.repeatability_cents, 0.3, color="#c9c9c9", ec=INK, lw=0.4, zorder=2)
        highest = max(highest, made.evenness_high_cents, made.evenness_cents)
    axes.set_ylim(0.0, 1.12 * highest)


def _told(column: HistoryColumn, name: str) -> str:
    value = column.conditions.get(name)
    return "–" if value is None else true_minus(f"{value:.1f}")
