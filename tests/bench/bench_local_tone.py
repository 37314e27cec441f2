"""Local tone as the product reads it, against the truth of virtual plates.

    python tests/bench/bench_local_tone.py [SEED …]

Per world: rank correlation with the true h·√(E/ρ), sd of the error, spread of error over claimed
doubt, and the high zones claimed. The plates' arching, shear and scatter are richer than any
estimator's. Without seeds: 51, on which nothing was tuned.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from scipy.stats import spearmanr

from rig.field import local_tone, tone_map, work_order
from rig.plan import grid_plan
from rig.virtual.quick_scan import virtual_scan_record
from rig.virtual.truth import truth
from rig.virtual.worlds import world_spec

CASES = (
    ("maple-graded", True),
    ("maple-graded", False),
    ("maple-even", True),
    ("spruce-top", True),
)


def main() -> None:
    """Print the table."""
    for seed in [int(text) for text in sys.argv[1:]] or [51]:
        for world, pickup in CASES:
            print(row(world, seed, pickup), flush=True)


def row(world: str, seed: int, pickup: bool) -> str:
    """One world, 9 mm grid, one strike a tap."""
    spec = world_spec(world)
    plan = grid_plan(spec.plate.outline, face="outer", strength="light", spacing_mm=9.0)
    scan = virtual_scan_record(world, seed, places_mm=plan.places(), pickup=pickup)
    began = time.process_time()
    tones = local_tone(scan)
    spent = time.process_time() - began
    true = truth(spec, seed, tones.places)["tone"]
    read = 1200.0 * np.log2(tones.tone_hz / np.median(tones.tone_hz))
    error = read - true
    error -= np.median(error)
    zones = work_order(tone_map(scan, tones), scan).zones
    hits = [
        any(np.hypot(z.x_mm - p.x_mm, z.y_mm - p.y_mm) <= 25.0 for z in zones) for p in spec.planted
    ]
    strays = [
        z
        for z in zones
        if all(np.hypot(z.x_mm - p.x_mm, z.y_mm - p.y_mm) > 40.0 for p in spec.planted)
    ]
    return (
        f"{world:13s} seed {seed} {'pickup    ' if pickup else 'microphone'}  "
        f"rank {spearmanr(read, true).statistic:.4f}  error sd {error.std():5.1f} cents  "
        f"error/sd {np.std(error / tones.sd_cents):4.2f}  zones {sum(hits)} of {len(hits)}, "
        f"false {len(strays)}  {spent:4.1f} s CPU  {tones.estimator}, {tones.verdict}"
    )


if __name__ == "__main__":
    main()
