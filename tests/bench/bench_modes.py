"""Modes read off a scan against the virtual plate's true ones: frequency, shape, what is missed.

    python tests/bench/bench_modes.py [seed] [world …]

Likeness: modal assurance criterion, at the taps, of the smooth shape that is drawn, and of the
bare amplitudes. A clear mode is one that the reading itself calls
good. The second table is the same plate re-laid 15 mm and 4° away on a fresh grid: likeness of the
two readings, mode by mode.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np
from bench_wave_fit import without_pickup

from rig.field.plate_modes import PlateModes, matched, plate_modes
from rig.model.frames import Pose
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord
from rig.plan import grid_plan
from rig.tone import read_clip, ring_of_scan
from rig.virtual.quick_scan import virtual_scan_record
from rig.virtual.worlds import build_voice, world_spec

TOP_HZ = 1500.0


def ring_of(scan: ScanRecord) -> tuple[RingPartial, ...]:
    """The pooled partials, as the product pools them."""
    read = [(s.clip, read_clip(s.clip)) for s in scan.strikes]
    kept = [(clip, r.onset_s) for clip, r in read if r.onset_s is not None]
    return tuple(ring_of_scan([clip for clip, _ in kept], [onset for _, onset in kept]))


def against_truth(label: str, found: PlateModes, world: str, seed: int) -> None:
    """Print every mode read with the true one that is most like it."""
    voice = build_voice(world_spec(world), seed)
    true_hz = np.asarray(voice.frequencies_hz)
    true = voice.shapes_at(np.asarray(found.places))
    below = np.flatnonzero((true_hz > 20.0) & (true_hz < TOP_HZ))
    raw = _likeness(np.column_stack([mode.amplitude for mode in found.modes]), true[:, below])
    mac = _likeness(found.shape.at(np.asarray(found.places)), true[:, below])
    print(f"{label}: {len(found.modes)} modes read, {len(below)} true ones below {TOP_HZ:.0f} Hz")
    for k, mode in enumerate(found.modes):
        best = int(np.argmax(mac[k]))
        cents = 1200.0 * np.log2(mode.hz / true_hz[below[best]])
        print(
            f"  {mode.hz:8.2f} Hz, true {true_hz[below[best]]:8.2f} ({cents:+5.1f} cents) "
            f" likeness {mac[k, best]:5.3f} (taps alone {raw[k, best]:5.3f})  in phase "
            f"{mode.in_phase_share:4.2f}  {mode.signal_to_noise_db:3.0f} dB  {mode.quality}"
        )
    clear = [k for k, mode in enumerate(found.modes) if mode.quality == "good"]
    good = sum(mac[k].max() >= 0.9 for k in clear)
    seen = len({int(np.argmax(mac[k])) for k in range(len(found.modes)) if mac[k].max() >= 0.9})
    missed = [round(float(true_hz[b])) for i, b in enumerate(below) if mac[:, i].max() < 0.9]
    print(f"  clear ones with likeness of 0.9 or more: {good} of {len(clear)}; true modes seen: "
          f"{seen} of {len(below)}; missed (Hz): {missed}; left out: "
          f"{[(round(hz), why) for hz, why in found.left_out]}", flush=True)  # fmt: skip


def _likeness(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Modal assurance criterion of the columns."""
    energy = np.outer(np.sum(one**2, axis=0), np.sum(other**2, axis=0))
    return np.asarray((one.T @ other) ** 2 / energy)


def main() -> None:
    """Print the tables."""
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 51
    for world in sys.argv[2:] or ["maple-graded", "spruce-top"]:
        spec = world_spec(world)
        plans = [
            grid_plan(spec.plate.outline, face="outer", strength="light", spacing_mm=9.0,
                      offset_mm=(off, off)).places()
            for off in (0.0, 4.5)
        ]  # fmt: skip
        pose = spec.outer_pose
        far = Pose(pose.x_mm + 12.0, pose.y_mm - 9.0, pose.angle_deg + 4.0, "outer")
        one = virtual_scan_record(world, seed, places_mm=plans[0])
        two = virtual_scan_record(world, seed, places_mm=plans[1], pose=far, strike_seed=7)
        two = replace(two, scan="S0002")
        for label, use in (("pickup", lambda s: s), ("microphone only", without_pickup)):
            began = time.process_time()
            rings = [ring_of(use(scan)) for scan in (one, two)]
            middle = time.process_time()
            a, b = (plate_modes(use(s), r) for s, r in zip((one, two), rings, strict=True))
            spent = time.process_time() - middle
            against_truth(f"{world}, seed {seed}, {label}", a, world, seed)
            pairs = [p for p in matched(a, b) if p.mac is not None]
            clear = [p for p in pairs if a.modes[p.mode].quality == "good"]
            print(
                f"  re-laid: {len(pairs)} of {len(a.modes)} paired, likeness of the clear ones "
                f"{np.median([p.mac or 0.0 for p in clear]):.3f} (median), "
                f"{min((p.mac or 0.0 for p in clear), default=0.0):.3f} (least); rings "
                f"{middle - began:.1f} s CPU, modes {spent:.1f} s CPU for both",
                flush=True,
            )


if __name__ == "__main__":
    main()
