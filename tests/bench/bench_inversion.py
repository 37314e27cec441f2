"""How well the whole-plate inversion reads local tone, over fresh random plates.

    python tests/bench/bench_inversion.py [plates] [first seed] [case …]

Cases (all without any named): one, three, sound, even, arch, untold, flat.

Synthetic plates (finer mesh, constants 5-15 % and shear moduli up to 35 %
wrong, 3 % stiffness scatter, 5 % speed and 0.3 mm place scatter, four spots of 0.3-0.6 mm and
25-45 mm): seeds from 200 on are for figures
only, development used seeds below 100.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "field"))

from thin_scan import TrueThinPlate, thin_scan, true_plate

from rig.field.inversion import inverted, tap_tone_of
from rig.field.maps import tone_map
from rig.field.work_order import work_order
from rig.model.scan_record import ScanRecord

CENTS = 1200.0 / np.log(2.0)


CASES = {
    "one": "pickup, 1 strike",
    "three": "pickup, 3 strikes",
    "sound": "no pickup, 3 strikes",
    "even": "even, 1 strike",
    "arch": "arch told 10 % high",
    "untold": "arch not told",
    "flat": "arched, told flat",
}


@dataclass(frozen=True)
class Row:
    """One scan inverted and set against the truth; cents, mm, seconds."""

    sd: float
    edge: float
    ratio: float
    misfit: float
    verdict: str
    spots: int
    found: int
    false: int
    off_mm: tuple[float, ...]
    wall_s: float
    cpu_s: float
    read: np.ndarray


def row(plate: TrueThinPlate, scan: ScanRecord) -> Row:
    """Invert one scan and compare with the truth."""
    began, cpu = time.perf_counter(), time.process_time()
    found = inverted(scan)
    tone = tap_tone_of(found)
    wall_s, cpu_s = time.perf_counter() - began, time.process_time() - cpu
    xy = found.data.places_mm
    read = CENTS * found.log_tone(xy)
    error = read - plate.tone_cents(xy)
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
    return Row(
        sd=float(error.std()),
        edge=float(error[plate.outline.edge_distance_mm(xy) < 16.0].mean()),
        ratio=float((error / tone.sd_cents).std()),
        misfit=float(tone.misfit or np.nan),
        verdict=tone.verdict,
        spots=len(plate.spots),
        found=len(nearest),
        false=far,
        off_mm=tuple(nearest.values()),
        wall_s=wall_s,
        cpu_s=cpu_s,
        read=read,
    )


def scan_of(case: str, seed: int, wood: str, graded: bool) -> tuple[TrueThinPlate, ScanRecord]:
    """The plate and the scan of a case."""
    if case == "even":
        even = true_plate(seed + 500, wood=wood, spot_count=0, stiffness_scatter=0.03)
        return even, thin_scan(even)
    if case in ("arch", "untold", "flat"):
        told_mm = {"arch": 12.1, "untold": None, "flat": 0.0}[case]
        bowl = true_plate(seed, wood=wood, stiffness_scatter=0.03, arching_mm=11.0)
        return bowl, thin_scan(bowl, facts={"arching_mm": told_mm})
    plate = true_plate(seed, wood=wood, graded=graded, stiffness_scatter=0.03)
    return plate, thin_scan(plate, repeats=1 if case == "one" else 3, pickup=case != "sound")


def main() -> None:
    """Print one line per plate and case, then one per case."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    wanted = sys.argv[3:] or list(CASES)
    print("plate wood case: sd edge ratio misfit verdict found false off_mm wall_s cpu_s")
    rows: dict[str, list[Row]] = {}
    scatter: list[float] = []
    for seed in range(first, first + count):
        wood = "red maple" if seed % 2 == 0 else "engelmann spruce"
        for case in wanted:
            plate, scan = scan_of(case, seed, wood, (seed - first) % 4 < 3)
            r = row(plate, scan)
            rows.setdefault(case, []).append(r)
            off = f"{np.median(r.off_mm):.1f}" if r.off_mm else "-"
            print(
                f"{seed:5d} {wood:16s} {CASES[case]:20s} {r.sd:5.1f} {r.edge:5.1f} {r.ratio:5.2f} "
                f"{r.misfit:5.1f} {r.verdict:14s} {r.found}/{r.spots} {r.false} {off:>5s} "
                f"{r.wall_s:5.1f} {r.cpu_s:5.1f}",
                flush=True,
            )
            if case == "three":
                again = row(plate, thin_scan(plate, repeats=3, seed=9))
                difference = again.read - r.read
                scatter.append(float(np.std(difference) / np.sqrt(2.0)))
    for case, some in rows.items():
        spots, found = sum(r.spots for r in some), sum(r.found for r in some)
        off_mm = [v for r in some for v in r.off_mm]
        print(
            f"{CASES[case]:20s} sd {np.mean([r.sd for r in some]):.1f} "
            f"(worst {max(r.sd for r in some):.1f}), error/doubt "
            f"{np.mean([r.ratio for r in some]):.2f}, {found} of {spots} found, "
            f"{sum(r.false for r in some) / len(some):.2f} false per plate, "
            f"{np.median(off_mm) if off_mm else np.nan:.1f} mm off, "
            f"{np.mean([r.cpu_s for r in some]):.1f} s CPU",
        )
    if scatter:
        print(f"repeat scatter, 3 strikes: {np.mean(scatter):.1f} cents, worst {max(scatter):.1f}")


if __name__ == "__main__":
    main()
