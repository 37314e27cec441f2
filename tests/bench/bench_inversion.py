"""How well the whole-plate inversion reads local tone, over fresh random plates.

    python tests/bench/bench_inversion.py [plates] [first seed]

Synthetic plates (finer mesh, constants 5-15 % and shear moduli up to 35 %
wrong, 3 % stiffness scatter, 5 % speed and 0.3 mm place scatter, four spots of 0.3-0.6 mm and
25-45 mm): seeds from 200 on are for figures
only, development used seeds below 100.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "field"))

from thin_scan import TrueThinPlate, thin_scan, true_plate

from rig.field.inversion import inverted, tap_tone_of
from rig.field.maps import tone_map
from rig.field.work_order import work_order
from rig.model.scan_record import ScanRecord

CENTS = 1200.0 / np.log(2.0)


def row(case: str, plate: TrueThinPlate, scan: ScanRecord) -> dict[str, object]:
    """Invert one scan and compare with the truth."""
    began, cpu = time.perf_counter(), time.process_time()
    found = inverted(scan)
    tone = tap_tone_of(found)
    spent = time.perf_counter() - began, time.process_time() - cpu
    xy = found.data.places_mm
    error = CENTS * found.log_tone(xy) - plate.tone_cents(xy)
    error -= np.median(error)
    zones = work_order(tone_map(scan, tone), scan).zones
    nearest: dict[int, float] = {}  # spot → distance of its nearest zone
    far = 0
    for zone in zones:
        gaps = [float(np.hypot(zone.x_mm - s[0], zone.y_mm - s[1])) for s in plate.spots]
        if gaps and min(gaps) < 20.0:
            spot = int(np.argmin(gaps))
            nearest[spot] = min(gaps[spot], nearest.get(spot, 20.0))
        else:
            far += 1
    return {
        "case": case,
        "sd": error.std(),
        "edge": error[plate.outline.edge_distance_mm(xy) < 16.0].mean(),
        "ratio": float((error / tone.sd_cents).std()),
        "misfit": tone.misfit,
        "verdict": tone.verdict,
        "found": f"{len(nearest)}/{len(plate.spots)}",
        "false": far,
        "off": float(np.median(list(nearest.values()))) if nearest else float("nan"),
        "wall": spent[0],
        "cpu": spent[1],
    }


def main() -> None:
    """Print one line per plate and case."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    print("plate wood            case                sd  edge ratio misfit verdict        ", end="")
    print("found false off_mm wall_s cpu_s")
    for number in range(count):
        seed = first + number
        wood = "red maple" if number % 2 == 0 else "engelmann spruce"
        plate = true_plate(seed, wood=wood, graded=number % 4 < 3, stiffness_scatter=0.03)
        even = true_plate(seed + 500, wood=wood, spot_count=0, stiffness_scatter=0.03)
        bowl = true_plate(seed, wood=wood, stiffness_scatter=0.03, arching_mm=11.0)
        cases = [
            ("pickup, 1 strike", plate, thin_scan(plate)),
            ("pickup, 3 strikes", plate, thin_scan(plate, repeats=3)),
            ("no pickup, 3 strikes", plate, thin_scan(plate, repeats=3, pickup=False)),
            ("even, 1 strike", even, thin_scan(even)),
            ("arch told 10 % high", bowl, thin_scan(bowl, facts={"arching_mm": 12.1})),
            ("arch not told", bowl, thin_scan(bowl, facts={"arching_mm": None})),
        ]
        for case, true, scan in cases:
            r = row(case, true, scan)
            print(
                f"{seed:5d} {wood:16s}{r['case']:20s}{r['sd']:5.1f} {r['edge']:5.1f} "
                f"{r['ratio']:5.2f} {r['misfit']:6.1f} {r['verdict']:14s} {r['found']:>5s} "
                f"{r['false']:5d} {r['off']:6.1f} {r['wall']:6.1f} {r['cpu']:5.1f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
