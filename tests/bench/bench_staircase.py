"""Ear training: how near the threshold of simulated listeners is found, and where questions settle.

    .venv/bin/python tests/bench/bench_staircase.py [listeners]

Listeners err by a normal error of the difference and give 4 % of their answers blindly; 60
questions each. "middle": median of the thresholds against the true one; "typical": median of how
far a single listener's threshold is off; "held": share of the 95 % intervals that hold the truth;
beside it the mean of the last turns (Levitt's own way) as the threshold at 79.4 %, for the same
answers. Asked: the middle within 10 %. "settles": share of right answers in long runs (published:
H. Levitt, J. Acoust. Soc. Am. 49 (1971) 467: 70.7 % and 79.4 %).
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.stats import norm

from rig.tone.staircase import LAPSES, Staircase, right_share, threshold

QUESTIONS = 60
TAKEN_TURNS = 6


def run(sigma: float, questions: int, rng: np.random.Generator, rights: int = 3):
    """Levels, answers, and the levels at which the direction turned."""
    stairs, levels, answers, turns = Staircase(rights), [], [], []
    for _ in range(questions):
        levels.append(stairs.level_cents)
        answers.append(bool(rng.random() < right_share(np.array(stairs.level_cents), sigma)))
        after = stairs.answered(answers[-1])
        if after.turns > stairs.turns:
            turns.append(stairs.level_cents)
        stairs = after
    return levels, answers, turns


def main() -> None:
    listeners = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    at = norm.ppf((0.5 ** (1 / 3) - 0.5 * LAPSES) / (1.0 - LAPSES))
    print(f"{listeners} listeners of each kind, {QUESTIONS} questions")
    for sigma in (6.0, 20.0, 60.0, 150.0, 400.0):
        rng = np.random.default_rng(int(sigma))
        true = norm.ppf(0.75) * sigma
        found, turned = [], []
        for _ in range(listeners):
            levels, answers, turns = run(sigma, QUESTIONS, rng)
            found.append(threshold(levels, answers))
            turned.append(np.exp(np.mean(np.log(turns[-TAKEN_TURNS:]))) / (at * sigma))
        ratio = np.array([one.cents for one in found]) / true
        held = np.mean([one.low_cents <= true <= one.high_cents for one in found])
        print(
            f"true {true:5.1f} cents: middle {100 * (np.median(ratio) - 1):+5.1f} %, typical "
            f"{100 * np.median(np.abs(ratio - 1)):4.1f} %, held {100 * held:4.1f} %  |  mean of "
            f"turns: middle {100 * (np.median(turned) - 1):+5.1f} %, typical "
            f"{100 * np.median(np.abs(np.array(turned) - 1)):4.1f} %"
        )
    for rights in (2, 3):
        _, answers, _ = run(60.0, 40_000, np.random.default_rng(1), rights)
        published = Staircase(rights).settles_at
        print(f"settles at {100 * np.mean(answers[200:]):.1f} % (published {100 * published:.1f})")


if __name__ == "__main__":
    main()
