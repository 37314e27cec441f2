"""Cello backs: local tone and zones from a scan of usual length, read at a violin's size.

    .venv/bin/python tests/bench/bench_large_plates.py [plates] [first seed]

Synthesised on a mesh of their own: 2.1 times a violin's outline, 4.4 mm at the edge to 7 mm in the
middle (thinner against its size than a violin's), 3 % stiffness scatter, four thick spots of 50 to
90 mm, taps 19 mm apart, one strike, with and without pickup. The scatter has waves of 25 mm and
more, finer than the taps can tell; the doubt was widened for it on seeds 500 and 501. Printed:
error of local tone at the taps, error over claimed doubt, spots found within 25 mm, zones that are
none, CPU.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "field"))

import thin_scan
from thin_scan import true_plate

from rig.field import tap_tone, tone_map, work_order
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.scan_record import ScanRecord
from rig.virtual.shapes import violin_outline

TIMES = 2.1
WITHIN_MM = 25.0


def cello_thickness(
    xy_mm: np.ndarray, wood: str, graded: bool, spots: list[tuple[float, float, float, float]]
) -> np.ndarray:
    """Thickness in mm; the spots are twice as wide and half as high again as on a violin."""
    del wood, graded
    x, y = xy_mm.T / TIMES
    h = 4.4 + 2.6 * np.exp(-((x / 62.0) ** 2 + ((y - 165.0) / 85.0) ** 2))
    for sx, sy, height, width in spots:
        gap2 = (xy_mm[:, 0] - sx) ** 2 + (xy_mm[:, 1] - sy) ** 2
        h = h + 1.5 * height * np.exp(-4.0 * np.log(2.0) * gap2 / (2.0 * width) ** 2)
    return h


def by_sound_alone(scan: ScanRecord) -> ScanRecord:
    """The same scan without pickup."""
    strikes = tuple(replace(s, clip=replace(s.clip, pickup_channel=None)) for s in scan.strikes)
    return replace(scan, strikes=strikes)


def main() -> None:
    """Two lines for every plate."""
    given = [int(text) for text in sys.argv[1:]]
    plates, first = (*given, *(2, 500)[len(given) :])
    thin_scan.thickness_of = cello_thickness
    thin_scan.MICROPHONE_MM = (120.0, 250.0, 250.0)
    outline = Outline(PlateXY(TIMES * np.asarray(violin_outline().rim)))
    for seed in range(first, first + plates):
        plate = true_plate(seed, outline=outline, stiffness_scatter=0.03, mesh_mm=18.0, modes=400)
        whole = thin_scan.thin_scan(plate, spacing_mm=19.0, facts={"arching_mm": 0.0})
        for kind, scan in (("pickup", whole), ("sound", by_sound_alone(whole))):
            began = time.process_time()
            tones = tap_tone(scan, "local")
            spent = time.process_time() - began
            off = 1200.0 * np.log2(tones.tone_hz) - plate.tone_cents(np.asarray(tones.places))
            off -= np.median(off)
            zones = work_order(tone_map(scan, tones), scan).zones
            spots = np.array([(x, y) for x, y, *_ in plate.spots])
            places = np.array([(z.x_mm, z.y_mm) for z in zones]).reshape(-1, 2)
            gaps = np.hypot(*(places[:, None, :] - spots).transpose(2, 0, 1)).reshape(-1, 4)
            found = int((gaps.min(axis=0) <= WITHIN_MM).sum()) if len(zones) else 0
            false = int((gaps.min(axis=1) > 2.0 * WITHIN_MM).sum()) if len(zones) else 0
            print(
                f"{seed} {kind:6s} {len(tones.taps)} taps: sd {off.std():4.1f} cents, error/doubt "
                f"{np.sqrt(np.mean((off / tones.sd_cents) ** 2)):4.2f}, spots {found} of 4, "
                f"{false} false, {tones.verdict}, {spent:4.1f} s CPU  ({tones.estimator})",
                flush=True,
            )


if __name__ == "__main__":
    main()
