"""What is true of a virtual plate. For tests alone: no analysis may import or read this."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TypedDict

import numpy as np

from rig.model.units import FloatArray, cents_between
from rig.virtual.plate.spec import Zone
from rig.virtual.voice import wood_seed
from rig.virtual.world_spec import WorldSpec

REFERENCE_WAVE_MM = 50.0
_GRID_MM = 5.0


class Truth(TypedDict):
    """At n places: what the wood is, and what a perfect local tone would read.

    tone: cents against the median over the whole plate; tone_hz: where a bending wave of 50 mm
    would run on thin-plate theory, with E/(1−ν²) the geometric mean of along and across.
    """

    places_mm: FloatArray
    thickness_mm: FloatArray
    tone: FloatArray
    tone_hz: FloatArray
    planted: tuple[Zone, ...]
    carved: tuple[Zone, ...]


def tone_hz(spec: WorldSpec, seed: int, xy_mm: FloatArray) -> FloatArray:
    """(2π/λ²)·h·√(E/12ρ) at the (n, 2) places, λ = 50 mm, E = √(c11·c22); (n,) Hz."""
    sub_seed = wood_seed(spec, seed)
    law = spec.plate.stiffness_pa(sub_seed, xy_mm)
    modulus = np.sqrt(law[:, 0, 0] * law[:, 1, 1])
    density = spec.plate.density_kg_m3(sub_seed, xy_mm)
    thickness_m = spec.plate.thickness_mm(xy_mm) * 1e-3
    wave_m = REFERENCE_WAVE_MM * 1e-3
    tone = 2.0 * np.pi / wave_m**2 * thickness_m * np.sqrt(modulus / (12.0 * density))
    return np.asarray(tone, dtype=np.float64)


def truth(spec: WorldSpec, seed: int, xy_mm: FloatArray) -> Truth:
    """Everything known of the plate at the (n, 2) places of the plate frame."""
    places = np.atleast_2d(np.asarray(xy_mm, dtype=np.float64))
    here = tone_hz(spec, seed, places)
    middle = float(np.median(tone_hz(spec, seed, _all_over(spec))))
    return Truth(
        places_mm=places,
        thickness_mm=spec.plate.thickness_mm(places),
        tone=cents_between(here, middle),
        tone_hz=here,
        planted=spec.planted,
        carved=spec.carved,
    )


def write_truth(spec: WorldSpec, seed: int, path: Path) -> None:
    """Write the truth on a 5 mm grid beside a world, as JSON, for a test that asks for it."""
    known = truth(spec, seed, _all_over(spec))
    record = {
        "world": spec.name,
        "seed": seed,
        "planted": [asdict(zone) for zone in spec.planted],
        "carved": [asdict(zone) for zone in spec.carved],
        "points": [
            {"x_mm": x, "y_mm": y, "thickness_mm": h, "tone_cents": tone, "tone_hz": hz}
            for (x, y), h, tone, hz in zip(
                known["places_mm"].round(3).tolist(),
                known["thickness_mm"].round(4).tolist(),
                known["tone"].round(2).tolist(),
                known["tone_hz"].round(3).tolist(),
                strict=True,
            )
        ],
    }
    path.write_text(json.dumps(record), encoding="utf-8")


def _all_over(spec: WorldSpec) -> FloatArray:
    rim = spec.plate.outline.rim
    low, high = rim.min(axis=0), rim.max(axis=0)
    x, y = np.meshgrid(*(np.arange(low[k], high[k], _GRID_MM) for k in range(2)))
    grid = np.column_stack([x.ravel(), y.ravel()])
    return np.asarray(grid[spec.plate.outline.contains(grid)])
