"""How small a slip is noticed: by ear (the first place struck again) and in a check picture.

python tests/bench/bench_slip.py [--pictures]    some minutes; with pictures twice that
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from rig.devices.link import LineController
from rig.jobs.scan_places import moved_by_mm
from rig.scan import Devices, PlaceGuard, ScanControl, Sight
from rig.scan.striker import Striker
from rig.tone import read_clip
from rig.virtual.rig import VirtualRig, build_rig
from rig.vision.locate import locate_plate

SLIPS_MM = (0.0, 0.5, 1.0, 1.5, 3.0, 6.0)
PLACES = ((-63.0, 24.0), (18.0, 15.0), (-54.0, 159.0), (0.0, 250.0))
TRIES = 4


def heard(made: VirtualRig, place: tuple[float, float], slip_mm: float, angle: float) -> bool:
    """Whether the place sounds otherwise after a slip in a direction."""
    lies = made.bench.pose
    bed = lies.to_bed(np.array([place]))[0]  # type: ignore[arg-type]
    controller = LineController(made.transport, made.clock, made.settings)
    controller.open()
    controller.home()
    devices = Devices(controller, made.microphone, made.clock)
    striker = Striker(devices, made.settings, [(float(bed[0]), float(bed[1]))], 3000, ScanControl())
    guard = PlaceGuard(lambda: Sight(0.0, False))
    guard.begin(striker, read_clip, (1.0, 1.0), 100)
    guard.struck((0, 0))
    guard.check()
    dx, dy = slip_mm * np.cos(angle), slip_mm * np.sin(angle)
    made.bench.pose = replace(lies, x_mm=lies.x_mm + dx, y_mm=lies.y_mm + dy)
    guard.check()
    made.bench.pose = lies
    return bool(guard.notes)


def main() -> None:
    """Print both tables."""
    rng = np.random.default_rng(5)
    print("by ear: share of slips that make the scan look at once")
    print("slip mm", *(f"{slip:6.1f}" for slip in SLIPS_MM))
    shares = np.zeros(len(SLIPS_MM))
    for number, place in enumerate(PLACES):
        for trial in range(TRIES):
            made = build_rig("maple-even", 1, speed=0.0, session=10 * number + trial)
            made.microphone.open()
            for column, slip in enumerate(SLIPS_MM):
                shares[column] += heard(made, place, slip, float(rng.uniform(0.0, 2.0 * np.pi)))
    print("       ", *(f"{share / (len(PLACES) * TRIES):6.2f}" for share in shares))
    if "--pictures" in sys.argv:
        print("in a picture: slip, and what the camera says of it, mm")
        made = build_rig("maple-even", 1, speed=0.0)
        made.camera.open()
        first = locate_plate(made.camera.frame().pixels, made.settings, None, "outer")
        assert first.outline is not None
        assert first.pose is not None
        for slip in SLIPS_MM:
            made.camera.lay(replace(made.pose, x_mm=made.pose.x_mm + slip))
            seen = locate_plate(made.camera.frame().pixels, made.settings, first.outline, "outer")
            assert seen.pose is not None
            print(f"{slip:6.1f} {moved_by_mm(first.outline, first.pose, seen.pose):6.2f}")


if __name__ == "__main__":
    main()
