"""Before and after on virtual plates: is a cut found where it was made, and nothing else?

python tests/bench/bench_compare.py
Figure: −0.45 mm over 58 mm, plate re-laid 15 mm and 4° away: the strongest significant
change within 20 mm, nothing significant far from it. The control is the plate scanned again.
Smaller cuts on many plates: `bench_change.py`.
"""

from __future__ import annotations

import time

import numpy as np
from bench_wave_fit import without_pickup

from rig.field import compare_scans
from rig.model.scan_record import ScanRecord
from rig.virtual.quick_scan import virtual_scan_record
from rig.virtual.worlds import world_spec

FAR_MM = 60.0


def row(label: str, before: ScanRecord, after: ScanRecord) -> None:
    """Print one line of the table."""
    begun = time.perf_counter()
    found = compare_scans(before, after)
    seconds = time.perf_counter() - begun
    carved = world_spec(after.world or "").carved if after.world != before.world else ()
    places = np.asarray(found.places)
    away = [np.hypot(places[:, 0] - z.x_mm, places[:, 1] - z.y_mm) for z in carved]
    far = np.min(away, axis=0) > FAR_MM if away else np.ones(len(places), dtype=bool)
    false = int(np.sum(np.array(found.significant) & far))
    z = found.change_cents / found.sd_cents
    line = "nothing claimed"
    if found.zones:
        first = found.zones[0]
        gap = min((np.hypot(first.x_mm - c.x_mm, first.y_mm - c.y_mm) for c in carved), default=999)
        line = (
            f"{first.change_cents:+5.0f} ± {first.sd_cents:2.0f} cents, {gap:3.0f} mm off, "
            f"{len(found.zones)} zone(s)"
        )
    print(
        f"{label:34s} {line:44s} far: {false:2d} places claimed, rms z {z[far].std():.2f}, "
        f"max |z| {np.abs(z[far]).max():.1f}   {seconds:6.2f} s",
        flush=True,
    )


def main() -> None:
    """Print the table."""
    for seed in (7,):
        before = virtual_scan_record("maple-graded", seed)
        after = virtual_scan_record("maple-regraduated", seed)
        again = virtual_scan_record("maple-graded", seed, pose=after.pose, strike_seed=9)
        row(f"seed {seed}: carved, pickup and gate", before, after)
        row(f"seed {seed}: carved, microphone only", without_pickup(before), without_pickup(after))
        row(f"seed {seed}: untouched, pickup and gate", before, again)
        row(
            f"seed {seed}: untouched, microphone only",
            without_pickup(before), without_pickup(again),
        )  # fmt: skip


if __name__ == "__main__":
    main()
