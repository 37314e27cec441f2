"""A virtual hand: where the tool is at every moment, and whether it touches the wood.

It rests on a first known spot, lifts and knocks there once, rests, scratches the plate line by
line with a lift between the lines, and ends with a knock on a second known spot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from rig.model.outline import Outline
from rig.model.units import FloatArray

STEP_S = 0.002
_REST_S = 0.7
_LIFT_S = 0.16
_FALL_S = 0.07
_SHIFT_S = 0.35


@dataclass(frozen=True)
class HandMotion:
    """A hand over time, all arrays in steps of STEP_S.

    place_mm: (n, 2) of the tool's point, plate frame; lift_mm: (n,) above the wood; touching: (n,)
    the tool is drawn over the wood; stroke: (n,) number of the line, −1 between lines; knocks_s:
    the two knocks; spots_mm: where they fall.
    """

    place_mm: FloatArray
    lift_mm: FloatArray
    touching: np.ndarray
    stroke: np.ndarray
    knocks_s: tuple[float, float]
    spots_mm: tuple[tuple[float, float], tuple[float, float]]

    @property
    def time_s(self) -> FloatArray:
        """(n,) from 0."""
        return np.asarray(np.arange(len(self.lift_mm)) * STEP_S)

    @property
    def speed_mm_s(self) -> FloatArray:
        """(n,) over the wood."""
        step = np.gradient(self.place_mm, STEP_S, axis=0)
        return np.asarray(np.hypot(step[:, 0], step[:, 1]))


def lines_over(
    outline: Outline, spacing_mm: float, *, along: bool = False, margin_mm: float = 9.0
) -> list[tuple[FloatArray, FloatArray]]:
    """Straight lines over the wood, start and end each, back and forth; along: lengthwise."""
    rim = np.asarray(outline.rim)
    axis = 0 if along else 1
    low, high = rim[:, axis].min() + margin_mm, rim[:, axis].max() - margin_mm
    lines: list[tuple[FloatArray, FloatArray]] = []
    for level in np.arange(low, high + 1e-6, spacing_mm):
        run = np.arange(rim[:, 1 - axis].min(), rim[:, 1 - axis].max(), 1.0)
        places = np.empty((len(run), 2))
        places[:, axis], places[:, 1 - axis] = level, run
        good = outline.contains(places) & (outline.edge_distance_mm(places) > margin_mm)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(int), [0]])))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            if stop - start > 25:
                ends = places[start], places[stop - 1]
                lines.append(ends if len(lines) % 2 == 0 else ends[::-1])
    return lines


def hand_motion(
    lines: Sequence[tuple[FloatArray, FloatArray]],
    spots_mm: tuple[tuple[float, float], tuple[float, float]],
    rng: np.random.Generator,
    *,
    speed_mm_s: float = 110.0,
    knock_lift_mm: float = 22.0,
) -> HandMotion:
    """Move a hand along the lines, with uneven speed and a tremor, tied by two knocks."""
    parts: list[tuple[FloatArray, FloatArray, int]] = []  # places, lifts, line (−1: none)
    knocks = []
    at = np.array(spots_mm[0], dtype=np.float64)
    length = 0

    def add(places: FloatArray, lifts: FloatArray, line: int = -1) -> None:
        nonlocal length, at
        parts.append((places, lifts, line))
        length += len(places)
        at = places[-1]

    def rest(seconds: float) -> None:
        n = round(seconds / STEP_S)
        add(np.repeat(at[None], n, axis=0), np.zeros(n))

    def knock() -> None:
        up, down = round(_LIFT_S / STEP_S), round(_FALL_S / STEP_S)
        rise = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, up))
        fall = 1.0 - np.linspace(0.0, 1.0, down) ** 2
        lifts = knock_lift_mm * np.concatenate([rise, fall])
        add(np.repeat(at[None], up + down, axis=0), lifts)
        knocks.append(length * STEP_S)

    def move(to: FloatArray, lift_mm: float) -> None:
        n = round(max(_SHIFT_S, float(np.hypot(*(to - at))) / 350.0) / STEP_S)
        way = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, n))
        add(at + way[:, None] * (to - at), lift_mm * np.sin(np.linspace(0.0, np.pi, n)))

    rest(_REST_S)
    knock()
    rest(_REST_S)
    for number, (start, end) in enumerate(lines):
        move(np.asarray(start, dtype=np.float64), 10.0)
        span = float(np.hypot(*(end - start)))
        pace = speed_mm_s * 2.0 ** rng.normal(0.0, 0.35)
        n = max(20, round(span / pace / STEP_S))
        uneven = np.exp(0.25 * _wander(n, 0.15, rng))
        way = np.concatenate([[0.0], np.cumsum(uneven)])[:n] / np.sum(uneven)
        tremor = 0.25 * np.column_stack([_wander(n, 0.04, rng) for _ in range(2)])
        add(start + way[:, None] * (end - start) + tremor, np.zeros(n), number)
    move(np.array(spots_mm[1], dtype=np.float64), 10.0)
    rest(_REST_S)
    knock()
    rest(_REST_S)
    place = np.vstack([p for p, _, _ in parts])
    lift = np.concatenate([h for _, h, _ in parts])
    stroke = np.concatenate([np.full(len(p), line) for p, _, line in parts])
    return HandMotion(
        place, lift, (stroke >= 0) & (lift < 0.05), stroke, (knocks[0], knocks[1]), spots_mm
    )


def _wander(count: int, length_s: float, rng: np.random.Generator) -> FloatArray:
    """(count,) smooth noise of unit spread."""
    width = length_s / STEP_S
    noise = gaussian_filter1d(rng.standard_normal(count + 8 * int(width)), width)
    return np.asarray(noise[4 * int(width) :][:count] / max(float(np.std(noise)), 1e-9))
