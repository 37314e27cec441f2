"""The noise pitch of a scratch over time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from rig.report.palette import FAINT, INK, WARNING
from rig.report.sheet import TEXT_PT, Heading, Sheet

if TYPE_CHECKING:
    from rig.tone.scratch import ScratchTrack

_WIDTH_MM = 180.0
_HEIGHT_MM = 92.0
_BAND = "#9fb3d1"


def scratch_sheet(name: str, track: ScratchTrack, labels: Sequence[tuple[float, str]]) -> Sheet:
    """Middle of the noise with its doubt, strongest peak, breaks and knocks, over time.

    labels: a moment in s and what to write over it.
    """
    lines = (
        "Line: loudness-weighted middle of the noise on the ear's scale, with one standard "
        "deviation to either side",
        "Dots: strongest broad peak · gaps: nothing is scratched · crosses: knocks, left out",
    )
    sheet = Sheet(_WIDTH_MM, _HEIGHT_MM, Heading(f"Scratching: {name}", lines), simulated=False)
    axes = sheet.axes(14.0, 1.0, _WIDTH_MM - 18.0, _HEIGHT_MM - 15.0)
    away = 2.0 ** (track.sd_cents / 1200.0)
    centre = track.centroid_hz
    axes.fill_between(track.time_s, centre / away, centre * away, color=_BAND, lw=0, zorder=1)
    axes.plot(track.time_s, track.peak_hz, ".", color=FAINT, ms=3.0, zorder=2)
    axes.plot(track.time_s, centre, color=INK, lw=1.1, zorder=3)
    known = np.concatenate([centre[np.isfinite(centre)], track.peak_hz[np.isfinite(track.peak_hz)]])
    low, high = float(known.min()) / 1.12, float(known.max()) * 1.12
    axes.set_yscale("log", base=2)
    axes.set_ylim(low, high)
    ticks = _round_values(low, high)
    axes.set_yticks(ticks, labels=[f"{tick:g}" for tick in ticks])
    axes.minorticks_off()
    at = track.time_s[track.knock]
    axes.plot(at, np.full(len(at), low * 1.03), "x", color=WARNING, ms=4.0, mew=1.0, zorder=4)
    for moment_s, words in labels:
        axes.annotate(
            words, (moment_s, high / 1.02), ha="center", va="top", fontsize=TEXT_PT - 1.0,
            color=INK,
        )  # fmt: skip
    axes.set_xlim(0.0, float(track.time_s[-1]) + 0.02)
    axes.grid(axis="y", color=FAINT, lw=0.3, alpha=0.5)
    axes.set_xlabel("time (s)", fontsize=TEXT_PT)
    axes.set_ylabel("frequency (Hz)", fontsize=TEXT_PT)
    axes.tick_params(labelsize=TEXT_PT, length=2, width=0.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_linewidth(0.5)
    return sheet


def _round_values(low: float, high: float) -> list[float]:
    """Two to eight round frequencies between the limits."""
    for steps in ((1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)):
        found = [
            step * 10.0**power for power in range(1, 6) for step in steps
            if low <= step * 10.0**power <= high
        ]  # fmt: skip
        if len(found) >= 3:
            return found
    every = 10.0 ** np.floor(np.log10(high - low))
    while (high - low) / every < 3.5:
        every /= 2.0
    return [float(v) for v in np.arange(np.ceil(low / every) * every, high, every)]
