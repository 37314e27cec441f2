"""Ring of the whole plate from a scan: how it repeats when the plate is laid anew, and its doubt.

    python tests/bench/bench_ring_repeat.py [--taps 550] [--few]

Two scans of one virtual plate: fresh grid, fresh noise, the plate laid 3 mm and 2° off, so that
other spots are struck and the microphone hears from elsewhere. White noise is added until each
clip stands 30 dB (mean square of the 30 ms after the onset) above it; the world's own room noise,
hum and clack are there too. Printed: the ten strongest partials, second scan less first; error
against the plate's true modes; share of the errors inside the stated sd; likewise with few strikes.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rig.model.clip import Clip
from rig.model.frames import Pose
from rig.model.reading import RingPartial
from rig.tone import read_clip, ring_of_scan
from rig.virtual.quick_scan import grid_places, virtual_scan_record
from rig.virtual.sound import loss_factor
from rig.virtual.worlds import build_voice, world_spec

SNR_DB = 30.0


def noisy_clips(world: str, seed: int, scan: int, taps: int) -> tuple[list[Clip], list[float]]:
    """Clips of one scan at 30 dB and the onsets that the reading finds."""
    voice = build_voice(world_spec(world), seed)
    rng = np.random.default_rng((seed, scan))
    spacing = (
        np.sqrt(np.ptp(voice.outline.rim[:, 0]) * np.ptp(voice.outline.rim[:, 1]) / taps) * 0.8
    )
    places = grid_places(voice.outline, float(spacing)) + rng.uniform(-2.0, 2.0, 2)
    places = places[rng.permutation(len(places))[:taps]]
    pose = voice.pose
    if scan:
        pose = Pose(pose.x_mm + 3.0, pose.y_mm - 2.0, pose.angle_deg + 2.0, pose.face)
    record = virtual_scan_record(
        world, seed, places_mm=places, pose=pose, strike_seed=scan, scan=f"S{scan:04d}"
    )
    clips, onsets = [], []
    for strike in record.strikes:
        clip = strike.clip
        onset = read_clip(clip).onset_s
        if onset is None:
            continue
        first = round(onset * clip.sample_rate_hz)
        mic = clip.samples[:, clip.mic_channel].astype(np.float64)
        loud = np.sqrt(np.mean(mic[first : first + round(0.03 * clip.sample_rate_hz)] ** 2))
        mic += loud * 10.0 ** (-SNR_DB / 20.0) * rng.standard_normal(len(mic))
        samples = clip.samples.copy()
        samples[:, clip.mic_channel] = np.rint(mic)
        clips.append(replace(clip, samples=samples))
        onsets.append(onset)
    return clips, onsets


def cents(of: float, to: float) -> float:
    return float(1200.0 * np.log2(of / to))


def nearest(ring: Sequence[RingPartial], hz: float) -> RingPartial:
    return min(ring, key=lambda p: abs(p.hz - hz))


def doubt(ring: Sequence[RingPartial], true_hz: np.ndarray) -> str:
    """Error and calibration of the partials that stand apart from the next true mode."""
    error, z, wrong = [], [], 0
    for partial in ring:
        half_width = 1.0 / (2 * np.pi * partial.decay_s)
        off = partial.hz - true_hz[np.argmin(np.abs(true_hz - partial.hz))]
        if abs(off) > max(half_width, 4.0 * partial.sd_hz):
            wrong += 1
            continue
        error.append(abs(cents(partial.hz, partial.hz - off)))
        z.append(off / partial.sd_hz)
    z = np.array(z)
    return (
        f"{len(ring):4d} found, {wrong} belong to no mode; error median {np.median(error):.3f}, "
        f"worst {np.max(error):.2f} c; inside sd {100 * np.mean(np.abs(z) < 1):.0f} %, "
        f"rms z {np.sqrt(np.mean(z**2)):.2f}, largest {np.max(np.abs(z)):.1f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--taps", type=int, default=550)
    parser.add_argument("--few", action="store_true", help="few strikes only")
    options = parser.parse_args()
    counts = [] if options.few else [options.taps]
    for world, seed in (("maple-graded", 3), ("maple-graded", 4), ("spruce-top", 3)):
        true_hz = build_voice(world_spec(world), seed).frequencies_hz
        true_hz = true_hz * np.sqrt(1.0 - 0.25 * loss_factor(true_hz) ** 2)  # as they ring
        for taps in [*counts, 15, 8, 3]:
            rings = []
            for scan in (0, 1):
                clips, onsets = noisy_clips(world, seed, scan, taps)
                begun = time.process_time()
                rings.append(ring_of_scan(clips, onsets))
                took = time.process_time() - begun
            strongest = sorted(rings[0], key=lambda p: -p.level_db)[:10]
            apart = [cents(nearest(rings[1], p.hz).hz, p.hz) for p in strongest]
            worst, rms = np.max(np.abs(apart)), np.sqrt(np.mean(np.square(apart)))
            print(
                f"{world} {seed}, {len(clips)} strikes ({took:.2f} s CPU): ten strongest repeat "
                f"within {worst:.3f} c (rms {rms:.3f})"
            )
            for ring in rings:
                print("   ", doubt(ring, true_hz))


if __name__ == "__main__":
    main()
