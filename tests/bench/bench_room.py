"""What a live room does to local tone: the whole-plate inversion in rooms from dead to hard.

    python tests/bench/bench_room.py [seed] [strikes a tap] [mic]

The plate of the world maple-graded (arched, soft in shear, stiffness scattered), tapped in rooms
whose walls swallow less and less and whose tail grows louder; 0.3 s of reverberation and first and
second wall reflections in all. Reflections that reach the plate after the gate opens drive it
again, which the method takes for free vibration: printed are the error, how it compares with the
claimed doubt, and the misfit that should warn. 61 is a seed on which nothing was tuned.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from rig.field import local_tone
from rig.plan import grid_plan
from rig.virtual.quick_scan import virtual_scan_record
from rig.virtual.sound import Room
from rig.virtual.truth import truth
from rig.virtual.worlds import world_spec

ROOMS: dict[str, Room | None] = {
    "dead": None,
    "workshop, soft": Room(absorption=0.45, tail_level=0.014),
    "workshop, bare": Room(absorption=0.25, tail_level=0.04),
    "hard": Room(absorption=0.12, tail_level=0.10),
    "small and hard": Room(
        size_m=(2.2, 1.8, 2.3), place_m=(0.9, 0.7, 0.95), absorption=0.12, tail_level=0.20
    ),
}


def main() -> None:
    """One line a room."""
    numbers = [int(text) for text in sys.argv[1:] if text.isdigit()]
    seed, repeats = (*numbers, *(61, 1)[len(numbers) :])
    spec = world_spec("maple-graded")
    plan = grid_plan(spec.plate.outline, face="outer", strength="light", spacing_mm=9.0)
    for name, room in ROOMS.items():
        scan = virtual_scan_record(
            replace(spec, room=room),
            seed,
            places_mm=plan.places(),
            pickup="mic" not in sys.argv,
            repeats=repeats,
        )
        tone = local_tone(scan)
        error = 1200.0 * np.log2(tone.tone_hz) - truth(spec, seed, tone.places)["tone"]
        error -= np.median(error)
        print(
            f"{name:16s} error sd {error.std():5.1f} cents, error/doubt "
            f"{np.std(error / tone.sd_cents):4.2f}, misfit {tone.misfit or np.nan:5.1f}  "
            f"{tone.verdict}, {tone.estimator}",
            flush=True,
        )


if __name__ == "__main__":
    main()
