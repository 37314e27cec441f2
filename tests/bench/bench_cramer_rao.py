"""Error of ring partials against the Cramér-Rao bound, and whether their sd holds.

    python tests/bench/bench_cramer_rao.py [tries]

Clips of a damped partial, or of two that lie 1/τ apart with equal amplitude, at random frequency
and phase, in white noise. The bound is the exact Fisher matrix of all frequencies, decays,
amplitudes and phases (Kay 1993; SNR = A²/2σ² at the start); the strike's time is not given to
the reading. Then ring_of_scan on a made-up plate: error, sd, repeatability, time.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tone"))

from test_tone_scan_ring import plate, plate_scan
from tone_sounds import RATE_HZ, clip_of, strike

from rig.tone import read_clip, ring_of_scan


def bound_hz(partials: list[tuple[float, float, float, float]], noise: float) -> float:
    """Cramér-Rao standard deviation of the first partial's frequency, Hz."""
    t = np.arange(round(0.5 * RATE_HZ)) / RATE_HZ
    columns = []
    for hz, tau, a, phase in partials:
        fade, angle = np.exp(-t / tau), 2 * np.pi * hz * t + phase
        columns += [
            -2 * np.pi * t * a * fade * np.sin(angle),
            a * t / tau * fade * np.cos(angle),
            fade * np.cos(angle),
            -a * fade * np.sin(angle),
        ]
    jacobian = np.array(columns)
    scale = np.sqrt(np.sum(jacobian**2, axis=1))
    fisher = (jacobian / scale[:, None]) @ (jacobian / scale[:, None]).T / noise**2
    return float(np.sqrt(np.linalg.inv(fisher)[0, 0]) / scale[0])


def run(tau: float, snr_db: float, count: int, tries: int) -> str:
    rng = np.random.default_rng(round(1e4 * tau + snr_db + 1000 * count))
    ratio, z, missed = [], [], 0
    for seed in range(tries):
        f = rng.uniform(200.0, 1500.0)
        partials = [(f + k / tau, tau, 0.25, rng.uniform(0, 2 * np.pi)) for k in range(count)]
        noise = 0.25 / np.sqrt(2.0) * 10.0 ** (-snr_db / 20.0)
        found = read_clip(clip_of(strike(partials, noise=noise, seed=seed))).ring
        near = [p for p in found if abs(p.hz - f) < 0.4 / tau]
        if not near:
            missed += 1
            continue
        partial = max(near, key=lambda p: p.level_db)
        ratio.append((partial.hz - f) / bound_hz(partials, noise))
        z.append((partial.hz - f) / partial.sd_hz)
    rms = np.sqrt(np.mean(np.square(ratio)))
    robust = np.median(np.abs(ratio)) / 0.6745
    inside = 100 * np.mean(np.abs(z) < 1)
    return (
        f"{1e3 * tau:6.0f}{snr_db:8.0f}{count:10d}{rms:12.2f}{robust:14.2f}"
        f"{np.sqrt(np.mean(np.square(z))):12.2f}{inside:11.0f} %{missed:8d}"
    )


def main() -> None:
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(f"{tries} tries each; error as a multiple of the bound; z = error ÷ stated sd")
    print("τ ms  SNR dB  partials  rms error  median-based       rms z   inside sd  missed")
    for count in (1, 2):
        for tau in (0.01, 0.03, 0.1):
            for snr_db in (20.0, 30.0, 40.0):
                print(run(tau, snr_db, count, tries))
    hz, decay_s, total = plate()
    print(f"\nring_of_scan: {total} partials under 2.5 kHz, 550 strikes, 30 dB")
    rings = []
    for seed in (1, 2):
        clips, onsets = plate_scan(hz, decay_s, 550, seed=seed)
        begun = time.perf_counter()
        rings.append(ring_of_scan(clips, onsets))
        print(f"  scan {seed}: {len(rings[-1])} found in {time.perf_counter() - begun:.2f} s")
    error = [(p.hz - hz[np.argmin(np.abs(hz - p.hz))]) for p in rings[0]]
    z = np.array(error) / [p.sd_hz for p in rings[0]]
    cents = 1731.23 * np.abs(error) / [p.hz for p in rings[0]]
    print(
        f"  error median {np.median(cents):.3f} c, worst {np.max(cents):.3f} c; "
        f"rms z {np.sqrt(np.mean(z**2)):.2f}"
    )
    strongest = sorted(rings[0], key=lambda p: -p.level_db)[:10]
    apart = [
        1200 * np.log2(min(rings[1], key=lambda q: abs(q.hz - p.hz)).hz / p.hz) for p in strongest
    ]
    print(f"  ten strongest, second scan less first: worst {np.max(np.abs(apart)):.3f} c")


if __name__ == "__main__":
    main()
