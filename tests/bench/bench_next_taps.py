"""Taps put where they tell most, against plain grids: error of the map for so many taps.

Fields are drawn from the map's own covariance, with thick zones planted, and read with errors that
do not depend on each other, as by readings of one tap at a time. A plain grid of 9 mm is the
measure. The others begin with a plain grid of 18 mm and add taps in rounds, each planned from the
map as it is then.

Errors in cents: "all" rms over the wood; "undecided" rms over the wood whose true excess is within
15 cents of the threshold; "zones" rms in the planted zones and 12 mm round them; "wrong side":
share of the wood put on the wrong side of the threshold.

    .venv/bin/python tests/bench/bench_next_taps.py
"""

from __future__ import annotations

import numpy as np

from rig.field.next_taps import Gaussian, greedy, worth_knowing
from rig.field.smoothing import even_grid
from rig.virtual.shapes import violin_outline

THRESHOLD = 35.0
PLATES = 4
ROUNDS = 4


def planted(rng: np.random.Generator, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Thick zones at (m, 2) places: their cents, and whether a place lies in or near one."""
    out, near = np.zeros(len(at)), np.zeros(len(at), dtype=bool)
    for _ in range(3):
        middle = at[rng.integers(len(at))]
        width = rng.uniform(30.0, 56.0)
        gap = np.hypot(*(at - middle).T)
        out += rng.uniform(70.0, 140.0) * np.exp(-4.0 * np.log(2.0) * (gap / width) ** 2)
        near |= gap < 0.5 * width + 12.0
    return out, near


def main() -> None:
    outline = violin_outline()
    wood = even_grid(outline, 7.0, 5.0)
    full, coarse, middle = (even_grid(outline, step, 6.0) for step in (9.0, 18.0, 12.2))
    print(f"plain grid of 9 mm: {len(full)} taps; of 18 mm {len(coarse)}; of 12.2 mm {len(middle)}")
    for spread, noise in ((12.0, 15.0), (12.0, 25.0), (30.0, 15.0)):
        field = Gaussian(spread)
        every = np.vstack([wood, full, coarse, middle])
        root = np.linalg.cholesky(field.covariance(every, every) + 1e-6 * np.eye(len(every)))
        lines: dict[str, list[list[float]]] = {}
        for seed in range(PLATES):
            rng = np.random.default_rng((20216, seed))
            zones, near = planted(rng, every)
            truth = root @ rng.standard_normal(len(every)) + zones
            heard = truth + noise * rng.standard_normal(len(every))
            known, near_wood = truth[: len(wood)], near[: len(wood)]
            first = np.cumsum([len(wood), len(full), len(coarse)])
            sets = {
                "plain 9 mm": np.arange(first[0], first[1]),
                "plain 12.2 mm": np.arange(first[2], len(every)),
                "plain 18 mm": np.arange(first[1], first[2]),
            }
            own = Gaussian(float(np.sqrt(max(np.var(heard) - noise**2, noise**2))))
            for name, rows in sets.items():
                told = read(own, every, heard, rows, noise, wood)[0]
                lines.setdefault(name, []).append([len(rows), *errors(told, known, near_wood)])
            for share in (0.40, 0.55):
                rows = added(own, every, heard, sets["plain 18 mm"], noise, wood,
                             int(share * len(full)), first[0])  # fmt: skip
                told = read(own, every, heard, rows, noise, wood)[0]
                name = f"18 mm, then doubtful, {100 * share:.0f} %"
                lines.setdefault(name, []).append([len(rows), *errors(told, known, near_wood)])
        print(f"\nspread {spread:.0f}, error of one tap {noise:.0f} cents, {PLATES} plates")
        print(f"{'':30} taps  of 9 mm    all  undecided  zones  wrong side")
        for name, rows in lines.items():
            n, whole, border, zone, wrong = np.mean(np.array(rows), axis=0)
            print(
                f"{name:30} {n:4.0f}   {100 * n / len(full):4.0f} %  {whole:6.1f} {border:8.1f} "
                f"{zone:8.1f} {100 * wrong:8.1f} %"
            )


def read(
    field: Gaussian,
    every: np.ndarray,
    heard: np.ndarray,
    rows: np.ndarray,
    noise: float,
    wood: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """The map over the wood by the taps in `rows`, with its covariance."""
    middle = float(np.median(heard[rows]))
    mean, covariance = field.told(
        every[rows], heard[rows] - middle, np.full(len(rows), noise), wood
    )
    return mean + middle, covariance


def added(
    field: Gaussian,
    every: np.ndarray,
    heard: np.ndarray,
    rows: np.ndarray,
    noise: float,
    wood: np.ndarray,
    total: int,
    count_of_wood: int,
) -> np.ndarray:
    """Rows of the coarse grid and of further taps up to `total`, planned in rounds."""
    tapped = rows
    for left in range(ROUNDS, 0, -1):
        mean, covariance = read(field, every, heard, tapped, noise, wood)
        weight = worth_knowing(mean, np.sqrt(np.diag(covariance)), THRESHOLD)
        free = ~np.isin(np.arange(count_of_wood), tapped)
        chosen, _, _ = greedy(covariance, weight, noise, (total - len(tapped)) // left, free)
        tapped = np.concatenate([tapped, chosen])
    return tapped


def errors(told: np.ndarray, truth: np.ndarray, near: np.ndarray) -> tuple[float, ...]:
    off = (told - truth) ** 2
    border = np.abs(truth - THRESHOLD) < 15.0
    return (
        float(np.sqrt(off.mean())), float(np.sqrt(off[border].mean())),
        float(np.sqrt(off[near].mean())), float(np.mean((told > THRESHOLD) != (truth > THRESHOLD))),
    )  # fmt: skip


if __name__ == "__main__":
    main()
