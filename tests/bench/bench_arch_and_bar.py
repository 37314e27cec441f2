"""What measured heights and a told bar are worth to the whole-plate inversion.

    python tests/bench/bench_arch_and_bar.py [plates] [first seed] [bar|arch …]

Per plate: a spruce top arched by 13 mm with a bass bar glued in, its bar told (heights up to 7 %,
wood up to 25 % off) and not told; and a maple back whose arch is fuller than the estimator's
template with its crown off the middle, told by heights every 25 mm (0.15 mm scatter), and by its
crown's height alone (4 % off). Seeds from 300 on are for figures only; nothing was tuned on them.
A plate takes some four to eight minutes of CPU.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "field"))

from thin_scan import TrueThinPlate, thin_scan, true_plate

from rig.field.inversion import inverted, tap_tone_of
from rig.model.plate_facts import Bar
from rig.model.scan_record import ScanRecord
from rig.plate.arching import template_heights
from rig.virtual.shapes import violin_outline

SPACING_MM = 10.5
CENTS = 1200.0 / np.log(2.0)


def barred(seed: int) -> tuple[TrueThinPlate, dict[str, ScanRecord]]:
    """A spruce top with a bass bar, told and not told."""
    rng = np.random.default_rng([seed, 1])
    told = Bar(-17.0, 55.0, -21.0, 320.0, (3.0, 11.0, 3.0), 5.5)
    true = replace(told, heights_mm=tuple(h * rng.uniform(0.93, 1.07) for h in told.heights_mm))
    plate = true_plate(
        seed, wood="engelmann spruce", stiffness_scatter=0.03, arching_mm=13.0, bars=(true,),
        bar_stiffness=float(np.exp(rng.uniform(-0.22, 0.22))),
    )  # fmt: skip
    scan = thin_scan(plate, spacing_mm=SPACING_MM)
    facts = replace(scan.facts, bars=(told,))
    untold = replace(facts, bars=None)
    return plate, {"bar told": replace(scan, facts=facts), "not told": replace(scan, facts=untold)}


def arched(seed: int) -> tuple[TrueThinPlate, dict[str, ScanRecord]]:
    """A maple back with an arch of its own, told by heights or by its crown."""
    rng = np.random.default_rng([seed, 2])
    outline = violin_outline()
    full, lean_y, lean_x = rng.uniform(0.3, 1.5), rng.uniform(-0.15, 0.15), rng.uniform(-0.06, 0.06)
    crown = rng.uniform(12.0, 15.0)

    def heights(xy_mm: np.ndarray) -> np.ndarray:
        unit = template_heights(outline, xy_mm)
        lean = 1.0 + lean_y * (xy_mm[:, 1] - 178.0) / 178.0 + lean_x * xy_mm[:, 0] / 90.0
        return crown * (1.0 + full) * unit / (1.0 + full * unit) * lean

    plate = true_plate(seed, stiffness_scatter=0.03, heights=heights)
    scan = thin_scan(plate, spacing_mm=SPACING_MM)
    points = replace(scan.facts, arch_heights_mm=plate.measured_heights(25.0, 0.15))
    y = np.linspace(20.0, 335.0, 200)
    highest = float(np.max(heights(np.column_stack([np.zeros(200), y]))))
    top = replace(scan.facts, arching_mm=round(highest * rng.uniform(0.96, 1.04), 1))
    return plate, {"heights": replace(scan, facts=points), "crown": replace(scan, facts=top)}


def main() -> None:
    """Print one line per plate and telling, then the mean of each."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 300
    makers = {"bar": barred, "arch": arched}
    wanted = sys.argv[3:] or list(makers)
    print("seed told: sd cents, error/doubt, misfit, verdict, bar's stiffness, crown mm, CPU s")
    found: dict[str, list[float]] = {}
    for seed in range(first, first + count):
        for name in wanted:
            plate, scans = makers[name](seed)
            for telling, scan in scans.items():
                began = time.process_time()
                fitted = inverted(scan)
                tone = tap_tone_of(fitted)
                places = fitted.data.places_mm
                error = CENTS * fitted.log_tone(places) - plate.tone_cents(places)
                error -= np.median(error)
                sd = float(error.std())
                found.setdefault(telling, []).append(sd)
                bar = tone.constants.get("bar_1_stiffness", np.nan)
                print(
                    f"{seed} {telling:9s} {sd:6.1f} {np.std(error / tone.sd_cents):5.2f} "
                    f"{tone.misfit:7.1f} {tone.verdict:14s} {bar:5.2f} "
                    f"{tone.constants.get('crown_mm', np.nan):5.1f} "
                    f"{time.process_time() - began:6.1f}",
                    flush=True,
                )
    for telling, values in found.items():
        print(f"{telling:9s} error sd {np.mean(values):.1f} cents, worst {max(values):.1f}")


if __name__ == "__main__":
    main()
