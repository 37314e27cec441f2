"""Preview from a scan of the virtual rig against the virtual plate itself, cut and solved anew.

The scan (12 mm grid, pickup) is read by the whole-plate inversion; the preview tells what 0.1 mm
off, 30 mm wide, does to the partials heard. The virtual plate has its own mesh, elements and wood,
so nothing is shared but the outline and the crown's height. Three to six minutes.

    .venv/bin/python tests/bench/bench_preview_world.py [WORLD] [SEED]
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from rig.field import local_tone
from rig.field.plate_modes import plate_modes
from rig.field.preview import Cut, cut_effect, heard_shifts
from rig.field.preview_plate import likeness_to_model, preview_plate
from rig.jobs.scan_readings import pooled_ring
from rig.tone import read_clip
from rig.virtual.plate.spec import Zone
from rig.virtual.plate.store import solve_plate
from rig.virtual.quick_scan import virtual_scan_record
from rig.virtual.voice import wood_seed
from rig.virtual.worlds import world_spec

CUTS = (Cut(-45.0, 95.0, 30.0, 0.1), Cut(20.0, 200.0, 30.0, 0.1))


def main() -> None:
    world = sys.argv[1] if len(sys.argv) > 1 else "maple-graded"
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    spec = world_spec(world)
    scan = virtual_scan_record(world, seed, spacing_mm=12.0)
    scan = replace(scan, strikes=tuple(replace(s, reading=read_clip(s.clip)) for s in scan.strikes))
    heard = plate_modes(scan, pooled_ring(scan))
    tones = local_tone(scan)
    print(f"{world}, seed {seed}: {len(scan.strikes)} taps, {len(heard.modes)} shapes heard")
    whole = solve_plate(spec.plate, wood_seed(spec, seed), top_hz=2000.0).frequencies_hz
    whole = whole[whole > 20.0]  # rigid movements apart
    for cut in CUTS:
        zone = Zone(cut.x_mm, cut.y_mm, cut.width_mm, -cut.depth_mm)
        plate = replace(spec.plate, zones=(*spec.plate.zones, zone))
        after = solve_plate(plate, wood_seed(spec, seed), top_hz=2000.0).frequencies_hz
        after = after[after > 20.0]
        count = min(len(whole), len(after))
        truth = 1200.0 * np.log2(after[:count] / whole[:count])
        for source in (tones, None):
            made = preview_plate(scan, source)
            effect = cut_effect(made.geometry, made.belief, cut, made.doubts)
            told = [
                one
                for one in heard_shifts(
                    effect, [m.hz for m in heard.modes], likeness_to_model(heard, effect),
                    reach=made.reach,
                )
                if one.change_cents is not None
            ]  # fmt: skip
            true = np.array([truth[np.argmin(np.abs(whole[:count] - one.hz))] for one in told])
            change = np.array([one.change_cents for one in told])
            z = (change - true) / np.array([one.sd_cents for one in told])
            print(
                f"x {cut.x_mm:.0f}, y {cut.y_mm:.0f}, {made.source}: {len(told)} partials, true "
                f"{np.sqrt(np.mean(true**2)):.2f} cents rms, error "
                f"{np.sqrt(np.mean((change - true) ** 2)):.2f}, rms z "
                f"{np.sqrt(np.mean(z**2)):.2f}, within 2 sd {100 * np.mean(np.abs(z) < 2):.0f} %",
                flush=True,
            )


if __name__ == "__main__":
    main()
