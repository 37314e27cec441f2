"""Ink-dot sheets under random cameras: how well scale, skew and offset come back.

Run: .venv/bin/python tests/bench/bench_gantry.py [number of sheets] [first seed]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "calibrate"))
from test_calibrate_gantry import AREA, BED, LENS, looking, marked, picture, true_gantry

from rig.calibrate.gantry import fit_gantry, match_dots
from rig.vision.bed import BedView, find_bed
from rig.vision.dots import find_dots

SOUGHT = (AREA[0] - 25.0, AREA[1] - 25.0, AREA[2] + 25.0, AREA[3] + 25.0)
MIDDLE = np.array([[0.5 * (AREA[0] + AREA[2]), 0.5 * (AREA[1] + AREA[3])]])
TENTHS = {
    "scale X (%)": 0.03,
    "scale Y (%)": 0.03,
    "skew (°)": 0.02,
    "at 0, 0 (mm)": 0.05,
    "middle (mm)": 0.05,
}


def main(sheets: int, first: int) -> None:
    errors = []
    refused = 0
    for seed in range(first, first + sheets):
        rng = np.random.default_rng(seed)
        camera = looking(
            rng.uniform(0.0, 30.0), rng.choice([0.0, 90.0, 180.0]) + rng.uniform(-9, 9)
        )
        dots, inked = marked(seed)
        grey = picture(camera, inked, rng)
        bed = find_bed(grey, BED, LENS)
        if not isinstance(bed, BedView):  # a marker out of the picture
            refused += 1
            continue
        seen = find_dots(grey, bed.camera, area_mm=SOUGHT, height_mm=0.0)
        fit = fit_gantry(dots, match_dots(dots, seen.places_mm))
        errors.append(
            (
                100.0 * abs(fit.scale[0] - 1.003),
                100.0 * abs(fit.scale[1] - 1.0),
                abs(fit.skew_deg - 0.2),
                float(np.hypot(fit.offset_mm[0] - 0.3, fit.offset_mm[1] + 0.4)),
                float(np.hypot(*(fit.correction.to_bed(MIDDLE) - true_gantry().to_bed(MIDDLE))[0])),
            )
        )
    table = np.array(errors)
    print(f"{len(table)} sheets read, {refused} pictures without enough markers")
    print(f"{'':14}{'median':>9}{'95 %':>9}{'worst':>9}{'a tenth':>9}")
    for (name, tenth), column in zip(TENTHS.items(), table.T, strict=True):
        middle, most = np.percentile(column, [50, 95])
        print(f"{name:14}{middle:9.4f}{most:9.4f}{column.max():9.4f}{tenth:9.2f}")


if __name__ == "__main__":
    main(*(int(v) for v in [*sys.argv[1:3], *("20", "1000")[len(sys.argv) - 1 :]]))
