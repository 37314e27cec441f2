"""Figures of the hand map: order out of answers, finger in a film, scratch against the truth.

    .venv/bin/python tests/bench/bench_hand.py [--seeds 40] [--films 2] [--oracle]

Everything comes from the virtual hand; the truth is never shown to what is measured.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import kendalltau, spearmanr

from rig.field.hand_agreement import spearman
from rig.field.hand_blocks import block_draws, interval_of
from rig.field.hand_pairs import next_pair, pair_scale
from rig.jobs.hand_marks import hand_marks
from rig.jobs.hand_track import hand_track
from rig.model.frames import Pose
from rig.virtual.hand_scene import ChalkMark, HandScene
from rig.virtual.hand_sound import scratch_sound, write_wav
from rig.virtual.hand_stroke import hand_motion, lines_over
from rig.virtual.scene_surfaces import Look
from rig.virtual.settings import virtual_rig_settings
from rig.virtual.truth import truth
from rig.virtual.worlds import world_spec

SPOTS, ANSWERS, WRONG = 12, 60, 0.15
TAPS = ((-60.0, 60.0), (45.0, 300.0))
RED, BLUE = (0.55, 0.06, 0.05), (0.04, 0.14, 0.5)


class Answers:
    """A maker whose answers are wrong at random, whatever the distance of the spots."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.true = self.rng.permutation(SPOTS).astype(float)
        self.pairs: list[tuple[int, int]] = []
        self.outcome: list[float] = []

    def ask(self, i: int, j: int) -> float:
        said = float(np.sign(self.true[i] - self.true[j]))
        said *= -1.0 if self.rng.random() < WRONG else 1.0
        self.pairs.append((i, j))
        self.outcome.append(said)
        return said


def pairs_by(design: str, seed: int) -> tuple[float, float]:
    """Kendall's tau of the scale, and the rms of its error in its own standard deviations."""
    maker = Answers(seed)
    order = maker.rng.permutation(SPOTS)
    everything = [(i, j) for i in range(SPOTS) for j in range(i)]
    shuffled = maker.rng.permutation(len(everything))
    for k in range(ANSWERS):
        if design == "any two":
            i, j = maker.rng.choice(SPOTS, 2, replace=False)
        elif design == "each pair once":
            i, j = everything[shuffled[k]]
        elif k < SPOTS - 1:
            i, j = order[k], order[k + 1]
        else:
            asked = np.array(maker.pairs)
            wanted = next_pair(pair_scale(SPOTS, asked, np.array(maker.outcome)), asked)
            assert wanted is not None
            i, j = wanted
        maker.ask(int(i), int(j))
    scale = pair_scale(SPOTS, np.array(maker.pairs), np.array(maker.outcome))
    unit = np.sqrt(np.var(scale.theta) + np.mean(scale.sd**2))
    true = (maker.true - maker.true.mean()) / maker.true.std()
    z = (scale.theta / unit - true) / (scale.sd / unit)
    return float(kendalltau(scale.theta, maker.true)[0]), float(np.sqrt(np.mean(z**2)))


def oracle_by(design: str, seed: int) -> float:
    """Tau of the best that can be done by one who knows that 15 % of the answers are wrong.

    The exact posterior over all orders, sampled by swaps of neighbours; ranked by mean rank.
    """
    maker = Answers(seed)
    rng, weight = maker.rng, np.log((1.0 - WRONG) / WRONG)
    net = np.zeros((SPOTS, SPOTS))
    chains = np.array([rng.permutation(SPOTS) for _ in range(300)])
    rows = np.arange(len(chains))

    def walk(steps: int) -> np.ndarray:
        for _ in range(steps):
            at = rng.integers(0, SPOTS - 1, len(chains))
            a, b = chains[rows, at], chains[rows, at + 1]
            take = np.log(rng.random(len(chains))) < weight * net[a, b]
            chains[rows[take], at[take]] = b[take]
            chains[rows[take], at[take] + 1] = a[take]
        return np.argsort(chains, axis=1)

    everything = [(i, j) for i in range(SPOTS) for j in range(i)]
    shuffled = rng.permutation(len(everything))
    for k in range(ANSWERS):
        if design == "any two":
            i, j = rng.choice(SPOTS, 2, replace=False)
        elif design == "each pair once":
            i, j = everything[shuffled[k]]
        else:
            rank = walk(150)
            above = np.mean(rank[:, :, None] > rank[:, None, :], axis=0)
            doubt = np.abs(above - 0.5) + 9.0 * np.eye(SPOTS) + 1e-3 * rng.random(above.shape)
            i, j = np.unravel_index(int(np.argmin(doubt)), doubt.shape)
        said = maker.ask(int(i), int(j))
        net[i, j] += said
        net[j, i] -= said
    return float(kendalltau(walk(4000).mean(axis=0), maker.true)[0])


def bench_pairs(seeds: int, oracle: bool) -> None:
    print(
        f"{SPOTS} spots, {ANSWERS} answers, {100 * WRONG:.0f} % wrong: Kendall tau, {seeds} seeds"
    )
    print(
        f"  {'pairs asked':18s} {'median':>7s} {'≥ 0.9':>6s} {'rms z':>6s} {'best possible':>14s}"
    )
    for design in ("any two", "each pair once", "ask next"):
        found = np.array([pairs_by(design, seed) for seed in range(seeds)])
        best = ""
        if oracle:
            best = f"{np.median([oracle_by(design, seed) for seed in range(min(seeds, 24))]):.3f}"
        print(
            f"  {design:18s} {np.median(found[:, 0]):7.3f} "
            f"{100 * np.mean(found[:, 0] >= 0.899):5.0f}% {np.mean(found[:, 1]):6.2f} {best:>14s}"
        )


def bench_films(count: int, place: Path) -> None:
    spec, rig = world_spec("maple-graded"), virtual_rig_settings()
    outline = spec.plate.outline

    def tone(xy: np.ndarray) -> np.ndarray:
        return truth(spec, 1, xy)["tone"]

    print("Film and sound of a virtual hand on maple-graded, 25 pictures a second, MJPG")
    print("  seed   pictures  track rms mm   tie error s  spots  rank corr.  rms z   time s")
    for seed in range(count):
        rng = np.random.default_rng(seed)
        lines = lines_over(outline, 26.0) + lines_over(outline, 55.0, along=True)
        motion = hand_motion(lines, TAPS, rng)
        pose = Pose(245.0 + 10.0 * seed, 118.0, 5.0 * seed - 3.0, "outer")
        scene = HandScene(outline, pose, rig, seed=seed, look=Look(arching_mm=12.5))
        film = cv2.VideoWriter(
            str(place / "rub.avi"), cv2.VideoWriter.fourcc(*"MJPG"), 25.0, (1920, 1080)
        )
        for _, picture in scene.film(
            motion, pictures_per_s=25.0, begin_s=0.2, beside_mm=(4.0, -3.0)
        ):
            film.write(picture)
        film.release()
        write_wav(place / "rub.wav", scratch_sound(motion, tone, rng, begin_s=0.35, rate=1.0002))
        begun = time.process_time()
        found = hand_track(
            place / "rub.wav", place / "rub.avi", TAPS, settings=rig, marker="green",
            tool_height_mm=8.0,
        )  # fmt: skip
        spent = time.process_time() - begun
        assert found.clock is not None
        assert found.followed is not None
        path = found.followed.path
        at = path.time_s + 0.2
        true = np.column_stack(
            [np.interp(at, motion.time_s, motion.place_mm[:, k]) for k in (0, 1)]
        )
        down = np.interp(at, motion.time_s, motion.lift_mm) < 0.1
        gap = (path.place_mm + found.clock.offset_mm - true)[down]
        knock = np.array([(motion.knocks_s[0] - 0.35) / 1.0002])
        tie_error = float(found.clock.film_time(knock)[0]) + 0.2 - motion.knocks_s[0]
        places = np.asarray(found.hand.places_mm)
        here = tone(places)
        slope, base = np.polyfit(here, found.hand.value, 1)
        z = (found.hand.value - base - slope * here) / found.hand.sd
        print(
            f"  {seed:4d} {found.followed.pictures:9d} {np.sqrt(np.mean(np.sum(gap**2, 1))):13.2f} "
            f"{tie_error:12.3f} {len(places):6d} {spearmanr(found.hand.value, here)[0]:11.3f} "
            f"{np.sqrt(np.mean(z**2)):6.2f} {spent:8.1f}"
        )


def bench_marks(count: int, place: Path) -> None:
    rig = virtual_rig_settings()
    print("Chalk marks, 16 a plate, 6 to 15 mm, red and blue")
    print("  plate                 found  false  wrong side  rms mm")
    for seed, (world, face) in enumerate((("maple-graded", "outer"), ("spruce-top", "outer"),
                                          ("spruce-top", "inner"))[:count]):  # fmt: skip
        outline = world_spec(world).plate.outline
        wood = "maple" if world.startswith("maple") else "spruce"
        pose = Pose(238.0, 131.0, 7.0, "outer") if face == "outer" else Pose(430, 322, 81, "inner")
        scene = HandScene(outline, pose, rig, seed=seed, look=Look(wood=wood, arching_mm=13.0))
        rng = np.random.default_rng(seed)
        marks: list[ChalkMark] = []
        while len(marks) < 16:
            x, y = rng.uniform((-95.0, 10.0), (95.0, 345.0))
            clear = outline.edge_distance_mm(np.array([[x, y]]))[0] > 13.0
            apart = all(np.hypot(x - m.x_mm, y - m.y_mm) > 24.0 for m in marks)
            if outline.contains(np.array([[x, y]]))[0] and clear and apart:
                k = len(marks)
                shape = ("dot", "cross", "square")[k % 3]
                marks.append(ChalkMark(x, y, RED if k % 2 else BLUE, rng.uniform(6, 15), shape))
        cv2.imwrite(str(place / "marks.png"), scene.chalked(marks))
        seen = hand_marks(
            place / "marks.png", settings=rig, face=face, higher="red", lower="blue"
        ).more["marks"]
        gaps, wrong, used = [], 0, set()
        for k, mark in enumerate(marks):
            far = [np.hypot(s["x_mm"] - mark.x_mm, s["y_mm"] - mark.y_mm) for s in seen]
            nearest = int(np.argmin(far))
            if far[nearest] < 6.0:
                gaps.append(far[nearest])
                used.add(nearest)
                wrong += seen[nearest]["side"] != ("higher" if k % 2 else "lower")
        print(
            f"  {world + ' ' + face:20s} {len(gaps):4d}/16 {len(seen) - len(used):6d} {wrong:11d} "
            f"{np.sqrt(np.mean(np.square(gaps))):7.2f}"
        )


def bench_intervals(seeds: int) -> None:
    """How often the 95 % interval of the rank correlation holds the value of the whole plate."""
    outline = world_spec("maple-graded").plate.outline
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    x, y = np.meshgrid(np.arange(low[0], high[0], 3.0), np.arange(low[1], high[1], 3.0))
    fine = np.column_stack([x.ravel(), y.ravel()])
    fine = fine[outline.contains(fine)]
    held, naive = 0, 0
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        fields = []
        for _ in range(2):
            waves = rng.normal(0.0, 1.0 / 28.0, (60, 2))
            fields.append(np.cos(fine @ waves.T + rng.uniform(0, 2 * np.pi, 60)).sum(axis=1))
        first, second = fields[0], 0.8 * fields[0] + 0.6 * fields[1]
        # over many plates of this kind: 6/π·asin(0.8/2)
        true = 6.0 / np.pi * np.arcsin(0.5 * 0.8)
        pick = rng.choice(len(fine), 90, replace=False)
        for block, name in ((45.0, "block"), (1.0, "naive")):
            draws = block_draws(fine[pick], block, 200, rng)
            one = interval_of(
                lambda rows, a=first[pick], b=second[pick]: spearman(a[rows], b[rows]), draws,
                len(pick), fisher=True,
            )  # fmt: skip
            assert one.low is not None
            assert one.high is not None
            if one.low <= true <= one.high:
                held += name == "block"
                naive += name == "naive"
    print(
        f"Interval of the rank correlation, 90 places of a smooth field, {seeds} plates: the 95 %"
    )
    print(f"  interval holds the truth in {100 * held / seeds:.0f} % with blocks of 45 mm, "
          f"in {100 * naive / seeds:.0f} % where every place counts for itself")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--films", type=int, default=1)
    parser.add_argument("--plates", type=int, default=3)
    parser.add_argument("--oracle", action="store_true")
    chosen = parser.parse_args()
    bench_pairs(chosen.seeds, chosen.oracle)
    bench_intervals(chosen.seeds)
    with tempfile.TemporaryDirectory() as place:
        bench_marks(chosen.plates, Path(place))
        bench_films(chosen.films, Path(place))


if __name__ == "__main__":
    main()
