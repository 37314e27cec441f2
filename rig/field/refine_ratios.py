"""The plate's mean tone and the wood's elastic ratios, from a few dozen groups of taps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from rig.field.dispersion import PlateWaves, WoodRatios
from rig.field.local_likelihood import STEP, Picture, Scales, kernels, local_likelihood
from rig.field.neighbourhoods import Neighbourhood, neighbourhoods
from rig.model.outline import Outline
from rig.model.units import FloatArray

_Costs = Callable[[PlateWaves, float, float], tuple[FloatArray, Scales]]

SAMPLES = 40
# Natural logs a ratio may move from the handbook's: pieces of one species differ by so much.
_LIMITS = {"along_across": 0.55, "twist": 0.35, "shear_across": 0.9}


def refined_waves(
    heard: Picture,
    places: FloatArray,
    outline: Outline,
    waves: PlateWaves,
    *,
    radius_mm: float,
    width_mm: float,
    noise: float,
    ratios_too: bool = True,
) -> PlateWaves:
    """Return `waves` with mean tone and, where wanted, ratios that explain the taps best.

    Each ratio is moved along its own axis with a parabola, twice round; a weak prior of the
    handbook's spread keeps what the data do not tell.
    """
    groups = _samples(places, outline, radius_mm)
    if not groups:
        return waves

    def costs(trial: PlateWaves, reach: float, every: float) -> tuple[FloatArray, Scales]:
        scales = Scales.around(heard, reach, every)
        ready = kernels(groups, SAMPLES, trial, scales, noise=noise, width_mm=width_mm)
        found = local_likelihood(heard, ready, trial)
        return found.cost.sum(axis=1, dtype=np.float64), scales

    for reach in (2.2, 1.7):
        cost, scales = costs(waves, reach, 2.0)
        used = cost.any(axis=1)
        # The mean over places, not the best single tone: a graded plate has many.
        best = scales.steps[np.argmin(cost[used], axis=1)]
        waves = replace(waves, product_m2_s=waves.product_m2_s * STEP ** float(np.median(best)))
    if not ratios_too:
        return waves
    start = waves.ratios
    for size in (1.0, 0.4):
        for name, limit in _LIMITS.items():
            waves = _moved(waves, start, name, limit * 0.6 * size, limit, costs)
    cost, scales = costs(waves, 1.7, 2.0)
    best = scales.steps[np.argmin(cost[cost.any(axis=1)], axis=1)]
    return replace(waves, product_m2_s=waves.product_m2_s * STEP ** float(np.median(best)))


def _moved(
    waves: PlateWaves, start: WoodRatios, name: str, step: float, limit: float, costs: _Costs
) -> PlateWaves:
    """One line search of the ratio `name` in its logarithm."""
    here = getattr(waves.ratios, name)
    origin = getattr(start, name)
    shifts = np.array([-step, 0.0, step])
    values = []
    for shift in shifts:
        value = here * np.exp(shift)
        cost, _ = costs(waves.with_ratios(**{name: value}), 1.6, 2.0)
        # The bins of one group of taps overlap with the next group's: count the evidence once
        # per quarter of the samples.
        prior = 0.5 * (np.log(value / origin) / (0.5 * limit)) ** 2
        values.append(0.25 * float(np.sum(cost.min(axis=1))) / 6.0 + prior)
    a, b, c = values
    bend = a - 2 * b + c
    shift = 0.5 * (a - c) / bend * step if bend > 0 else shifts[int(np.argmin(values))]
    shift = float(np.clip(shift, -1.5 * step, 1.5 * step))
    total = np.clip(np.log(here / origin) + shift, -limit, limit)
    return waves.with_ratios(**{name: float(origin * np.exp(total))})


def _samples(places: FloatArray, outline: Outline, radius_mm: float) -> list[Neighbourhood]:
    """Groups of taps well inside the plate, spread over it; centres numbered 0 … SAMPLES−1."""
    depth = outline.edge_distance_mm(places)
    inner = np.flatnonzero(depth >= min(radius_mm, np.quantile(depth, 0.6)))
    chosen = inner[np.linspace(0, len(inner) - 1, min(SAMPLES, len(inner))).astype(int)]
    return neighbourhoods(places, places[chosen], outline, radius_mm=radius_mm, edge_reach_mm=0.0)
