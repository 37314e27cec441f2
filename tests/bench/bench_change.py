"""A cut of 0.2 mm over 35 mm: is it found where it was made, and nothing where nothing was done?

    python tests/bench/bench_change.py [thin plates] [virtual plates] [first seed] [strikes] [mic]

Every plate is scanned, cut (thin plates: anywhere 22 mm or more from the edge; virtual plates of
the worlds maple-graded and spruce-top alike), laid down again 0.5 mm and 0.3° off at most, and
scanned on a fresh grid half a pitch off; then it is scanned twice in the same way uncut. What is
printed is what `platerig compare` claims; `mic`: without pickup and speed gate. Thin plates are
synthesised on a finer mesh with other constants and 3 % stiffness scatter; the virtual plates have
arching, shear, sound holes and a room besides.
Figure: largest change within 10 mm on 9 of 10 plates; nothing claimed on 19 of 20 untouched ones.
Seeds from 200 on are for figures only; thresholds and doubts were set on seeds below 100.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "field"))

from thin_scan import TrueThinPlate, thin_scan, true_plate

import rig.field.inversion_change as inversion_change
from rig.field import compare_scans
from rig.field.inversion import Inversion
from rig.field.smoothing import SCRAPER_MM, averaging_weights
from rig.model.outline import Outline
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import Comparison
from rig.plan import grid_plan
from rig.virtual.plate.spec import Zone
from rig.virtual.quick_scan import virtual_scan_record
from rig.virtual.truth import truth
from rig.virtual.world_spec import WorldSpec
from rig.virtual.worlds import world_spec

DEPTH_MM, WIDTH_MM, FROM_EDGE_MM = -0.2, 35.0, 22.0
WITHIN_MM = 10.0
Relaid = tuple[float, float, float]


@dataclass
class Tally:
    """What was found on how many plates."""

    cut: int = 0
    found: int = 0
    claimed: int = 0
    untouched: int = 0
    false: int = 0

    def __str__(self) -> str:
        return (
            f"largest change within {WITHIN_MM:.0f} mm of the cut on {self.found} of {self.cut} "
            f"plates ({self.claimed} of them claimed as sure); a change claimed on {self.false} of "
            f"{self.untouched} untouched ones"
        )


@dataclass(frozen=True)
class Case:
    """One plate: its scans and its true change in cents at (n, 2) places."""

    name: str
    cut_mm: tuple[float, float]
    before: ScanRecord
    cut: ScanRecord
    again: tuple[ScanRecord, ScanRecord]
    true_cents: Callable[[np.ndarray], np.ndarray]


def relaid(rng: np.random.Generator) -> Relaid:
    """Up to 0.5 mm and 0.3° off."""
    return rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5), rng.uniform(-0.3, 0.3)


def somewhere(outline: Outline, rng: np.random.Generator) -> tuple[float, float]:
    """A place to cut."""
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    while True:
        xy = rng.uniform(low, high)
        place = xy[None, :]
        if outline.contains(place)[0] and outline.edge_distance_mm(place)[0] > FROM_EDGE_MM:
            return float(xy[0]), float(xy[1])


def thin_case(seed: int, strikes: int) -> Case:
    """A thin plate; odd seeds maple, even ones spruce; one in four ungraded."""
    rng = np.random.default_rng(seed)
    wood, graded = ("red maple" if seed % 2 else "engelmann spruce"), seed % 4 < 3
    plate = true_plate(seed, wood=wood, graded=graded, stiffness_scatter=0.03)
    x, y = somewhere(plate.outline, rng)
    cut = true_plate(
        seed, wood=wood, graded=graded, stiffness_scatter=0.03, change=(x, y, DEPTH_MM, WIDTH_MM)
    )

    def scan(of: TrueThinPlate, number: int, off: Relaid, shift_mm: float) -> ScanRecord:
        return thin_scan(of, repeats=strikes, seed=number, shift_mm=shift_mm, relaid=off)

    return Case(
        f"thin {wood.split()[-1]}, {'graded' if graded else 'even'}",
        (x, y),
        scan(plate, 1, (0.0, 0.0, 0.0), 0.0),
        scan(cut, 2, relaid(rng), 4.5),
        (scan(plate, 3, relaid(rng), 4.5), scan(plate, 4, relaid(rng), 4.5)),
        lambda xy: cut.tone_cents(xy) - plate.tone_cents(xy),
    )


def virtual_case(seed: int, strikes: int) -> Case:
    """A plate of the virtual rig; odd seeds the maple back, even ones the spruce top."""
    rng = np.random.default_rng(seed)
    spec = world_spec("maple-graded" if seed % 2 else "spruce-top")
    outline = spec.plate.outline
    x, y = somewhere(outline, rng)
    zones = (*spec.plate.zones, Zone(x, y, WIDTH_MM, DEPTH_MM))
    cut = replace(spec, plate=replace(spec.plate, zones=zones))
    grid, fresh = (
        grid_plan(
            outline, face="outer", strength="light", spacing_mm=9.0, offset_mm=(shift, shift)
        ).places()
        for shift in (0.0, 4.5)
    )

    def scan(of: WorldSpec, number: int, off: Relaid, places: np.ndarray) -> ScanRecord:
        turn, centre = np.deg2rad(off[2]), np.array([0.0, 178.0])
        matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        struck = (places - centre) @ matrix.T + centre + np.array(off[:2])
        struck = np.where(outline.contains(struck)[:, None], struck, places)
        record = virtual_scan_record(
            of, seed, places_mm=struck, repeats=strikes, strike_seed=number, scan=f"S000{number}"
        )
        believed = [
            replace(s, x_mm=float(places[s.tap, 0]), y_mm=float(places[s.tap, 1]))
            for s in record.strikes
        ]
        return replace(record, strikes=tuple(believed))

    before = scan(spec, 1, (0.0, 0.0, 0.0), grid)
    after = [
        scan(of, number, relaid(rng), fresh) for number, of in ((2, cut), (3, spec), (4, spec))
    ]
    after = [replace(one, facts=before.facts) for one in after]  # a folder keeps one mass
    return Case(
        f"virtual {spec.name}",
        (x, y),
        before,
        after[0],
        (after[1], after[2]),
        lambda xy: truth(cut, seed, xy)["tone"] - truth(spec, seed, xy)["tone"],
    )


def row(seed: int, case: Case, tally: Tally, seen: Callable[[ScanRecord], ScanRecord]) -> None:
    """Compare the cut and the untouched plate with the first scan, and print a line for each."""
    before = seen(case.before)
    for kind, after in (("cut", case.cut), *(("untouched", one) for one in case.again)):
        began = time.process_time()
        found = compare_scans(before, seen(after))
        spent = time.process_time() - began
        places = np.asarray(found.places)
        true = case.true_cents(places) if kind == "cut" else np.zeros(len(places))
        weights = averaging_weights(places, places, case.before.outline, fwhm_mm=SCRAPER_MM)
        true = weights @ true
        error = found.change_cents - (true - np.median(true))
        z = error / found.sd_cents
        if kind == "cut":
            away, sure = _deepest(found, case.cut_mm)
            tally.cut += 1
            tally.found += away <= WITHIN_MM
            tally.claimed += sure and away <= WITHIN_MM
            what = f"{'sure' if sure else 'unsure'}, {away:4.1f} mm off, {len(found.zones)} zone(s)"
        else:
            tally.untouched += 1
            tally.false += len(found.zones) > 0
            what = f"{len(found.zones)} claimed"
        print(
            f"{seed:4d} {case.name:22s} {kind:10s} {what:30s} "
            f"{found.change_cents.min():5.0f} (true {true.min():4.0f}) cents, error sd "
            f"{error.std():4.1f}, claimed {np.median(found.sd_cents):4.1f}, rms z {z.std():4.2f}, "
            f"most {np.abs(z).max():3.1f}  {spent:5.1f} s CPU  {found.estimator}",
            flush=True,
        )


def _deepest(found: Comparison, cut_mm: tuple[float, float]) -> tuple[float, bool]:
    """How far from the cut the largest change lies, and whether it is claimed as sure."""
    if found.zones:
        first = found.zones[0]
        return float(np.hypot(first.x_mm - cut_mm[0], first.y_mm - cut_mm[1])), True
    top = int(np.argmax(np.abs(found.change_cents / found.sd_cents)))
    return float(np.hypot(*(np.asarray(found.places)[top] - np.array(cut_mm)))), False


def fitted_once() -> None:
    """Both comparisons of a plate start from the same scan: fit it once."""
    fit = inversion_change.inverted
    kept: dict[int, tuple[ScanRecord, Inversion]] = {}

    def once(scan: ScanRecord, progress: Progress = silent, **options: object) -> Inversion:
        if id(scan) not in kept:
            kept.clear()
            kept[id(scan)] = (scan, fit(scan, progress, **options))
        return kept[id(scan)][1]

    inversion_change.inverted = once


def by_sound_alone(scan: ScanRecord) -> ScanRecord:
    """The same scan without pickup and speed gate."""
    strikes = [
        replace(s, clip=replace(s.clip, pickup_channel=None, rebound_ratio=None))
        for s in scan.strikes
    ]
    return replace(scan, strikes=tuple(strikes))


def main() -> None:
    """Print one block per kind of plate."""
    seen = by_sound_alone if sys.argv[-1] == "mic" else (lambda scan: scan)
    numbers = [int(text) for text in sys.argv[1:] if text != "mic"]
    thin, virtual, first, strikes = (*numbers, *(4, 4, 200, 1)[len(numbers) :])
    fitted_once()
    for count, make in ((thin, thin_case), (virtual, virtual_case)):
        tally = Tally()
        for seed in range(first, first + count):
            row(seed, make(seed, strikes), tally, seen)
        if count:
            print(tally, flush=True)


if __name__ == "__main__":
    main()
