"""An evening in an invented school workshop: three maple backs on the virtual rig.

Mira's back is mapped, carved and mapped again. Jonas's back is even. Edda's back meets a rig with
faults. Every step is a `platerig` command that can be typed just the same; this script types them
and prints each before its answer. Names, people, plates and data are invented.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shlex
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

DEMO = Path(__file__).resolve().parent
PLATERIG = Path(sys.executable).with_name("platerig")
MIRA, JONAS, EDDA = "mira-back-7.plate", "jonas-back-8.plate", "edda-back-9.plate"
MADE = (
    ("mira-before.png", "where Mira's back stands too high"),
    ("mira-change.png", "what the carving changed"),
    ("jonas.png", "the even back, and the picture says so"),
    ("mira-bench.pdf", "one page for the bench, and the map at true size"),
    ("mira-record.html", "the record that goes with the back"),
    ("class.pdf", "a hand-out for the class"),
    ("mira-technical.pdf", "everything, with its limits"),
    ("shelf.csv", "all three backs in one table"),
    (f"{MIRA}.zip", "the whole folder of Mira's back in one file"),
)
CACHE = "kept-readings"
CUT_MM = (-47.0, 88.0)
CHANGE = ("--before", "S0001", "--after", "S0002")
MOST_BYTES = 200_000  # of a picture in the README


@dataclass(frozen=True)
class Step:
    """One command, what it is for, how long it takes (s, roughly), and the status it ends with."""

    purpose: str
    command: tuple[str, ...]
    share: float = 1.0
    status: int = 0


@dataclass(frozen=True)
class Scene:
    """Some steps under one heading."""

    heading: str
    steps: tuple[Step, ...] = field(default_factory=tuple)


def new(plate: str, owner: str, reference: str) -> Step:
    """A folder for one pupil's back."""
    facts = ("--wood", "maple", "--instrument", "violin", "--arching", "12.5")
    return Step(
        f"A plate folder for {owner}'s back, with what the shop knows of it",
        ("new", plate, "--name", f"{owner}'s back", *facts, "--reference", reference),
    )


def scenes(seed: int, spacing_mm: float) -> tuple[Scene, ...]:
    """The whole evening in order."""
    how = ("--seed", str(seed), "--spacing", f"{spacing_mm:g}", "--speed", "0")
    at = f"--at={CUT_MM[0]:g},{CUT_MM[1]:g}"
    cut = (at, "--over", "58", "--depth", "0.45")  # what the world maple-regraduated loses
    mira = (
        new(MIRA, "Mira", "School back no. 7"),
        Step(
            "It lies on the bed, outer face up: the camera finds it, the hammer taps it all over",
            ("scan", MIRA, "--virtual", "maple-graded", *how),
            10,
        ),
        Step(
            "The tone map: where does it stand above a smooth graduation?",
            ("map", MIRA, "--scan", "S0001", "--show", "above", "--picture", "mira-before.png"),
            10,
        ),
        Step("Where wood comes off, in which order", ("zones", MIRA, "--scan", "S0001")),
        Step(
            "Before the knife: what would 0.45 mm at the lower left do?",
            ("preview", MIRA, *cut, "--scan", "S0001"),
            6,
        ),
        Step(
            "Mira carves just that. The back comes back, laid down crookedly, on a warmer day",
            ("scan", MIRA, "--virtual", "maple-regraduated", *how),
            10,
        ),
        Step(
            "What has the carving changed?",
            ("compare", MIRA, *CHANGE, "--picture", "mira-change.png"),
            22,
        ),
    )
    jonas = (
        new(JONAS, "Jonas", "School back no. 8"),
        Step(
            "Tapped all over, outer face",
            ("scan", JONAS, "--virtual", "maple-even", *how),
            10,
        ),
        Step(
            "Its map; the colours go as far as it goes, so look at their numbers",
            ("map", JONAS, "--show", "above", "--picture", "jonas.png"),
            10,
        ),
        Step("Is there anything to take off?", ("zones", JONAS)),
    )
    edda = (
        Step(
            "Before the scan the rig is tried, step by step; tonight something is wrong with it",
            ("check", "--virtual", "faulty-rig"),
            3,
            status=1,
        ),
        new(EDDA, "Edda", "School back no. 9"),
        Step(
            "Another fault, which no check can see beforehand: the supports are worn, the plate "
            "slips while it is tapped",
            ("scan", EDDA, "--virtual", "slipping-plate", *how),
            6,
            status=1,
        ),
        Step("What is in the folder now?", ("check", EDDA)),
        Step(
            "New supports, and the scan goes on where the plate was last seen to lie still",
            ("scan", EDDA, "--resume", "--speed", "0"),
            9,
        ),
        Step("And the plate itself?", ("zones", EDDA), 10),
    )
    evening = (
        Step(
            "A sheet for Mira's bench: what to do, one page",
            ("report", MIRA, "--scan", "S0001", "--kind", "bench", "--true-size", "inner",
             "--paper", "A3", "--out", "mira-bench.pdf"),
            6,
        ),
        Step(
            "A record for whoever owns the back one day, as one HTML file",
            ("report", MIRA, *CHANGE, "--kind", "owner", "--out", "mira-record.html"),
            6,
        ),
        Step(
            "A hand-out for the class, with questions and, on a page of its own, answers",
            ("report", MIRA, "--scan", "S0001", "--kind", "class", "--out", "class.pdf"),
            6,
        ),
        Step(
            "Everything, for the shelf",
            ("report", MIRA, *CHANGE, "--kind", "technical", "--out", "mira-technical.pdf"),
            12,
        ),
        Step(
            "All plates of the workshop side by side",
            ("shelf", ".", "--read-again", "--csv", "shelf.csv"),
            4,
        ),
        Step("Is every stored recording whole?", ("check", MIRA), 2),
        Step("Into one file, to be put away or handed on", ("pack", MIRA), 3),
    )  # fmt: skip
    return (
        Scene("Mira's back is carved", mira),
        Scene("Jonas's back is even", jonas),
        Scene("Edda's back, and a rig with faults", edda),
        Scene("What goes home, and what stays", evening),
    )


def typed(command: tuple[str, ...]) -> str:
    """The command as one would type it, with an apostrophe between double quotes."""
    return " ".join(f'"{word}"' if "'" in word else shlex.quote(word) for word in command)


def environment(out: Path) -> dict[str, str]:
    """As the user's, but what platerig keeps to itself stays with the demo too."""
    return os.environ | {"XDG_CACHE_HOME": str(out / CACHE)}


def play(acts: tuple[Scene, ...], out: Path) -> int:
    """Run all steps in the folder; stop at the first that ends otherwise than it should."""
    began = time.monotonic()
    whole, done = sum(step.share for act in acts for step in act.steps), 0.0
    for act in acts:
        print(f"\n\n═══ {act.heading} ═══")
        for step in act.steps:
            spent = time.monotonic() - began
            left = f" (about {spent / done * (whole - done):.0f} s to go)" if done > 9 else ""
            print(f"\n── {step.purpose}{left}\n$ platerig {typed(step.command)}", flush=True)
            status = subprocess.run(
                [PLATERIG, *step.command], cwd=out, env=environment(out), check=False
            ).returncode
            if status != step.status:
                print(f"This ended with status {status}, not {step.status}; the demo stops here.")
                return status or 1
            done += step.share
    print(f"\n\nDone in {time.monotonic() - began:.0f} s.")
    return 0


def answer(out: Path, *command: str) -> dict[str, Any]:
    """What a verb answers to --json."""
    said = subprocess.run(
        [PLATERIG, *command, "--json"], cwd=out, env=environment(out), check=True,
        capture_output=True, text=True,
    )  # fmt: skip
    found: dict[str, Any] = json.loads(said.stdout)
    return found


def closing(out: Path) -> list[str]:
    """What the answers say, one plain sentence for each plate."""
    order = answer(out, "zones", MIRA, "--scan", "S0001")["zones"]
    change = answer(out, "compare", MIRA, *CHANGE)["zones"]
    after = answer(out, "zones", MIRA, "--scan", "S0002")["zones"]
    gone = all(math.dist(CUT_MM, (zone["x_mm"], zone["y_mm"])) > 50.0 for zone in after)
    said = []
    if order:
        places = "one place stands" if len(order) == 1 else f"{len(order)} places stand"
        first = order[0]
        said.append(
            f"Mira's back: {places} too high for what is around; work begins at x "
            f"{first['x_mm']:.0f}, y {first['y_mm']:.0f} mm, {first['excess_cents']:.0f} cents "
            "above target."
        )
    else:
        said.append("Mira's back: no place stands too high beyond what this rig can tell.")
    fallen = [zone for zone in change if zone["change_cents"] < 0]
    if fallen:
        alone = " and nowhere else beyond doubt" if len(change) == 1 else ""
        said.append(
            f"After carving, its tone fell by {-fallen[0]['change_cents']:.0f} cents around x "
            f"{fallen[0]['x_mm']:.0f}, y {fallen[0]['y_mm']:.0f} mm{alone}, although it had been "
            f"laid down 15 mm and 4° away from before. The lower left "
            f"{'is no longer among' if gone else 'still is among'} the high zones."
        )
    else:
        said.append("Between its two scans no change is beyond doubt.")
    for name, plate in (("Jonas", JONAS), ("Edda", EDDA)):
        found = len(answer(out, "zones", plate)["zones"])
        words = f"{found} place(s) too high" if found else "even within what this rig can tell"
        said.append(f"{name}'s back: {words}.")
    return said


def readme_pictures(out: Path) -> list[Path]:
    """The pictures of the main README, from what was just made; small, into the demo's folder.

    The page of a report is drawn by pdftoppm (Debian: poppler-utils).
    """
    page = out / "mira-bench.png"
    subprocess.run(
        ["pdftoppm", "-r", "150", "-png", "-f", "1", "-singlefile", "mira-bench.pdf", page.stem],
        cwd=out, check=True,
    )  # fmt: skip
    wanted = {
        "tone-map.png": out / "mira-before.png", "change.png": out / "mira-change.png",
        "bench-sheet.png": page,
    }  # fmt: skip
    return [small(made, DEMO / name) for name, made in wanted.items()]


def small(made: Path, kept: Path) -> Path:
    """A copy in 256 colours, as wide as fits into MOST_BYTES."""
    from PIL import Image

    with Image.open(made) as picture:
        drawn = picture.convert("RGB")
    for wide in range(900, 300, -50):
        size = (wide, round(drawn.height * wide / drawn.width))
        scaled = drawn.resize(size, Image.Resampling.LANCZOS)
        colours = scaled.quantize(256, method=Image.Quantize.MAXCOVERAGE)
        dithered = scaled.quantize(palette=colours, dither=Image.Dither.FLOYDSTEINBERG)
        dithered.save(kept, optimize=True)
        if kept.stat().st_size <= MOST_BYTES:
            break
    return kept


def fresh(out: Path) -> None:
    """An empty folder; only what an earlier demo made is taken away."""
    out.mkdir(parents=True, exist_ok=True)
    there = list(out.iterdir())
    ours = {MIRA, JONAS, EDDA, CACHE, "mira-bench.png", *(name for name, _ in MADE)}
    strange = [
        one.name
        for one in there
        if one.name not in ours and not one.name.startswith("mira-technical-")
    ]
    if strange:
        sys.exit(f"{out} holds {strange[0]}, which no demo made. Name another folder with --out.")
    for one in there:
        shutil.rmtree(one) if one.is_dir() else one.unlink()


def main() -> int:
    """Play the evening into demo/out (or the folder given)."""
    parser = argparse.ArgumentParser(
        prog="demo/run", description=__doc__.splitlines()[0] if __doc__ else None
    )
    parser.add_argument("out", nargs="?", type=Path, default=DEMO / "out", metavar="FOLDER",
                        help="for what it makes; demo/out if left out")  # fmt: skip
    parser.add_argument("--seed", type=int, default=7, help="which virtual wood and noise")
    parser.add_argument("--spacing", type=float, default=12.0, help="distance of the taps in mm")
    parser.add_argument("--pictures", action="store_true", help="also make the README's pictures")
    options = parser.parse_args()
    out = options.out.resolve()
    fresh(out)
    print(f"Everything is SIMULATED. The commands are typed in {out}")
    status = play(scenes(options.seed, options.spacing), out)
    if status:
        return status
    print("\nWhat it shows (SIMULATED: plates, rig, workshop and people are invented):")
    for sentence in closing(out):
        print(f"  • {sentence}")
    print(f"\nLook at these, in {out}:")
    for name, words in MADE:
        print(f"  {name:22} {words}")
    print(f"or open the bench window:  {PLATERIG} window {out / MIRA}")
    if options.pictures:
        for picture in readme_pictures(out):
            print(f"For the README: {picture} ({picture.stat().st_size // 1000} kB)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
