"""How long a map takes once the tones are read, and a comparison once the change is read.

    .venv/bin/python tests/bench/bench_map_time.py

Plate: a violin's outline with two sound holes, 9 mm grid. The tones are drawn, not read: what is
timed is what `map` and `compare` add to the estimators: the surface of tones and doubts in steps
of 1 mm, and significance, zones, evenness and sentence of a comparison. Beside it the same surface
by Gaussian-process regression (scikit-learn is no part of the project; where it is not installed
the line is left out), in one run on one machine. Asked: 100 ms and 200 ms.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec

import numpy as np

from rig.field import compare_scans, surface, tone_map
from rig.field.differences import tone_difference
from rig.field.surface import RANGE_MM
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.plate_facts import PlateFacts
from rig.model.scan_record import ScanRecord, Strike
from rig.model.tone_map import TapTone
from rig.plan import grid_plan
from rig.virtual.worlds import world_spec

ROUNDS = 15
SD_CENTS = 14.0


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Least and median of the wall clock, ms."""
    work()
    spent = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        work()
        spent.append(1e3 * (time.perf_counter() - began))
    return min(spent), float(np.median(spent))


def scan_of(outline: Outline, seed: int, cut: float) -> tuple[ScanRecord, TapTone]:
    """A scan without sounds, and tones at its taps."""
    from rig.model.clip import Clip

    rng = np.random.default_rng(seed)
    plan = grid_plan(outline, face="outer", strength="light", spacing_mm=9.0)
    places = plan.places()
    silence = Clip(np.zeros((16, 1), dtype=np.int32), 48_000)
    strikes = tuple(
        Strike(n + 1, n, 0, float(x), float(y), silence) for n, (x, y) in enumerate(places)
    )
    record = ScanRecord(
        f"S{seed:04d}", "outer", "light", 9.0, outline, PlateFacts("bench"), strikes
    )
    cents = 120.0 * np.sin(places[:, 1] / 90.0) + SD_CENTS * rng.standard_normal(len(places))
    cents -= cut * np.exp(-((places[:, 0] / 20.0) ** 2) - ((places[:, 1] - 190.0) / 20.0) ** 2)
    tone = TapTone(
        "local", "whole-plate inversion", tuple(range(len(places))), PlateXY(places),
        1000.0 * 2.0 ** (cents / 1200.0), np.full(len(places), SD_CENTS), 5.0,
    )  # fmt: skip
    return record, tone


def main() -> None:
    """One line per step."""
    outline = world_spec("spruce-top").plate.outline
    (one, before), (two, after) = scan_of(outline, 1, 0.0), scan_of(outline, 2, 90.0)
    made = tone_map(one, before, "flat")
    print(
        f"{len(before.taps)} taps, {len(outline.holes)} sound holes; least and median of {ROUNDS}"
    )
    steps: list[tuple[str, Callable[[], object]]] = [
        ("tone map, flat target", lambda: tone_map(one, before, "flat")),
        ("tone map, smooth graduation", lambda: tone_map(one, before, "smooth graduation")),
        ("surface and doubt, 1 mm", lambda: surface(made, outline)),
        ("difference of two maps", lambda: tone_difference(before, after, one, two)),
        ("comparison", lambda: compare_scans(one, two, kind="rigs", tones=(before, after))),
    ]
    for name, work in steps:
        least, middle = timed(work)
        print(f"{name:32s} {least:7.0f} {middle:7.0f} ms", flush=True)
    if find_spec("sklearn") is None:
        return
    process, kernels = (import_module(f"sklearn.gaussian_process{m}") for m in ("", ".kernels"))
    kernel = 100.0**2 * kernels.Matern(RANGE_MM, "fixed", nu=1.5)
    fitted = process.GaussianProcessRegressor(kernel, alpha=SD_CENTS**2, optimizer=None)
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    grid = np.column_stack([x.ravel(), y.ravel()])
    grid = grid[outline.contains(grid)]
    began = time.perf_counter()
    fitted.fit(made.places, made.tone_cents).predict(grid, return_std=True)
    print(f"{'the same by scikit-learn':32s} {1e3 * (time.perf_counter() - began):7.0f} ms, once")


if __name__ == "__main__":
    main()
