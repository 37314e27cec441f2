"""An invented school workshop regraduates a maple back on the virtual rig.

Every step is a `platerig` command that can be typed just the same; this script types them, says how
much is still to come, and ends with what the map and the report show. Names, people and plate are
invented.
"""

from __future__ import annotations

import argparse
import json
import shlex
import shutil
import sys
import time
from collections.abc import Callable
from contextlib import redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

from rig.cli.main import run as platerig

DEMO = Path(__file__).resolve().parent


@dataclass(frozen=True)
class Step:
    """One command of the demo, what it is for, and its share of the whole time."""

    purpose: str
    command: list[str]
    share: float


def steps(out: Path, seed: int, spacing_mm: float) -> list[Step]:
    """The whole job in order."""
    plate = str(out / "school-back-7.plate")
    common = ["--seed", str(seed), "--spacing", f"{spacing_mm:g}", "--speed", "0"]
    return [
        Step(
            "A plate folder for the maple back, with what the shop knows of it",
            [
                "new",
                plate,
                "--wood",
                "maple",
                "--instrument",
                "violin",
                "--reference",
                "School back no. 7",
            ],
            1,
        ),
        Step(
            "Lay it on the bed, outer face up; the camera finds it, the rig taps it all over",
            ["scan", plate, "--virtual", "maple-graded", "--face", "outer", *common],
            30,
        ),
        Step(
            "Turn it over and tap the inner face",
            ["scan", plate, "--virtual", "maple-graded", "--face", "inner", *common],
            30,
        ),
        Step(
            "The tone map of the outer face",
            [
                "map",
                plate,
                "--scan",
                "S0001",
                "--show",
                "above",
                "--picture",
                str(out / "tone-map.png"),
            ],
            6,
        ),
        Step("Where to take wood off, in which order", ["zones", plate, "--scan", "S0001"], 4),
        Step(
            "Do both faces read the same?",
            ["compare", plate, "--before", "S0001", "--after", "S0002"],
            8,
        ),
        Step(
            "The maker carves; the plate comes back, laid down crookedly, and is tapped again",
            ["scan", plate, "--virtual", "maple-regraduated", "--face", "outer", *common],
            30,
        ),
        Step(
            "What has the carving changed?",
            ["compare", plate, "--before", "S0001", "--after", "S0003"],
            8,
        ),
        Step("Is every stored recording whole?", ["check", plate], 3),
        Step(
            "The report for the owner",
            [
                "report",
                plate,
                "--before",
                "S0001",
                "--after",
                "S0003",
                "--out",
                str(out / "report.pdf"),
            ],
            12,
        ),
    ]


def answer_of(command: list[str]) -> dict[str, Any]:
    """Run a verb with --json and return what it answered."""
    text = StringIO()
    with redirect_stdout(text):
        platerig([*command, "--json"])
    answer: dict[str, Any] = json.loads(text.getvalue())
    return answer


def play(todo: list[Step], say: Callable[[str], None] = print) -> int:
    """Run the steps one after the other; stop at the first that fails."""
    began = time.monotonic()
    whole = sum(step.share for step in todo)
    done = 0.0
    for number, step in enumerate(todo, start=1):
        spent = time.monotonic() - began
        left = f", about {spent / done * (whole - done):.0f} s to go" if done else ""
        say(f"\n── {number} of {len(todo)}{left} ── {step.purpose}")
        say(f"   platerig {shlex.join(step.command)}")
        status = platerig(step.command)
        if status != 0:
            say(f"This step ended with status {status}; the demo stops here.")
            return status
        done += step.share
    say(f"\nDone in {time.monotonic() - began:.0f} s.")
    return 0


def closing(out: Path) -> list[str]:
    """Three plain sentences on what the map and the report show."""
    plate = str(out / "school-back-7.plate")
    mapped = answer_of(["map", plate, "--scan", "S0001"])
    order = answer_of(["zones", plate, "--scan", "S0001"])
    change = answer_of(["compare", plate, "--before", "S0001", "--after", "S0003"])
    zones = order["zones"]
    if zones:
        places = "one place that sounds" if len(zones) == 1 else f"{len(zones)} places that sound"
        first = (
            f"The map of the outer face shows {places} too high for what is around; work begins "
            f"at x {zones[0]['x_mm']:.0f}, y {zones[0]['y_mm']:.0f} mm, "
            f"{zones[0]['excess_cents']:.0f} cents above target."
        )
    else:
        first = "The map of the outer face shows no place too high beyond what this rig can tell."
    repeat = mapped["repeatability_cents"]
    second = (
        f"From 5 % to 95 % the plate's tone spreads over {mapped['evenness_cents']:.0f} cents"
        + (
            f", where two scans of the untouched plate would differ by about {repeat:.0f} cents."
            if repeat is not None
            else "."
        )
    )
    fallen = [zone for zone in change["zones"] if zone["change_cents"] < 0]
    if fallen:
        alone = " and nowhere else beyond doubt" if len(change["zones"]) == 1 else ""
        third = (
            f"After carving, the tone fell by {-fallen[0]['change_cents']:.0f} cents around "
            f"x {fallen[0]['x_mm']:.0f}, y {fallen[0]['y_mm']:.0f} mm{alone}, although the plate "
            "had been laid down 15 mm and 4° away from before."
        )
    else:
        third = "Between the two scans no change is beyond doubt."
    return [first, second, third]


def main() -> int:
    """Play the demo into demo/out (or --out)."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--out", type=Path, default=DEMO / "out", help="folder for what it makes")
    parser.add_argument("--seed", type=int, default=7, help="which virtual plate and noise")
    parser.add_argument("--spacing", type=float, default=9.0, help="distance of the taps in mm")
    options = parser.parse_args()
    shutil.rmtree(options.out, ignore_errors=True)
    options.out.mkdir(parents=True)
    status = play(steps(options.out, options.seed, options.spacing))
    if status:
        return status
    print("\nWhat it shows (SIMULATED: plate, rig and workshop are invented):")
    for sentence in closing(options.out):
        print(f"  • {sentence}")
    print(f"\nReport:  {options.out / 'report.pdf'}\nMap:     {options.out / 'tone-map.png'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
