"""Before and after at many places: how many cuts are found, how far off, and how much is invented.

    python tests/bench/bench_change_places.py [places] [first seed] [also mic and coarse every nth]

Plates of the virtual rig (the worlds maple-graded and spruce-top: arching, shear, stiffness
scatter, sound holes, a room), four places on each, any place 22 mm or more from an edge. Every
plate is scanned, cut at the place (0.45 mm over 58 mm; 0.2 mm over 35 mm), laid down again up to
0.5 mm and 0.3° off and scanned on a grid half a pitch off; and once uncut. What is claimed is what
`platerig compare` claims. Kinds: `pickup`, 9 mm; `mic`, the same without pickup and speed gate;
`coarse`, 13 mm with pickup. A cut is found where a claimed change lies within 10 mm (35 mm wide)
or 15 mm (58 mm) of it; a false region is one farther away than the cut is wide, or any on an uncut
plate.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from bench_change import Relaid, by_sound_alone, relaid, somewhere

from rig.field import compare_scans
from rig.field.inversion import Inversion, inverted
from rig.model.errors import AnalysisError
from rig.model.scan_record import ScanRecord
from rig.model.units import FloatArray
from rig.plan import grid_plan
from rig.virtual.plate.spec import Zone
from rig.virtual.quick_scan import virtual_scan_record
from rig.virtual.world_spec import WorldSpec
from rig.virtual.worlds import world_spec

CUTS = ((-0.45, 58.0, 15.0), (-0.2, 35.0, 10.0))  # depth, width, found within
PLACES_A_PLATE = 4
SPACING_MM = {"pickup": 9.0, "mic": 9.0, "coarse": 13.0}


@dataclass
class Tally:
    """Of one wood, kind and cut."""

    cuts: int = 0
    found: int = 0
    off_mm: list[float] = field(default_factory=list)
    scans: int = 0
    false: int = 0

    def __str__(self) -> str:
        off = f"{np.median(self.off_mm):4.1f}" if self.off_mm else "   –"
        return (
            f"found {self.found:2d} of {self.cuts:2d}, median {off} mm off; a false region in "
            f"{self.false} of {self.scans} comparisons"
        )


def struck_places(places: FloatArray, off: Relaid, spec: WorldSpec) -> FloatArray:
    """Where the hammer truly falls on a plate that lies off by so much."""
    turn, centre = np.deg2rad(off[2]), np.array([0.0, 178.0])
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    struck = (places - centre) @ matrix.T + centre + np.array(off[:2])
    return np.where(spec.plate.outline.contains(struck)[:, None], struck, places)


def scanned(
    spec: WorldSpec, seed: int, number: int, spacing_mm: float, shift_mm: float, off: Relaid
) -> ScanRecord:
    """One scan, with the places believed that the plan says."""
    places = grid_plan(
        spec.plate.outline, face="outer", strength="light", spacing_mm=spacing_mm,
        offset_mm=(shift_mm, shift_mm),
    ).places()  # fmt: skip
    record = virtual_scan_record(
        spec, seed, places_mm=struck_places(places, off, spec), strike_seed=number,
        scan=f"S{number:04d}", spacing_mm=spacing_mm,
    )  # fmt: skip
    believed = [
        replace(s, x_mm=float(places[s.tap, 0]), y_mm=float(places[s.tap, 1]))
        for s in record.strikes
    ]
    return replace(record, strikes=tuple(believed))


@dataclass(frozen=True)
class Before:
    """The first scan of a plate in one kind, fitted once."""

    kind: str
    scan: ScanRecord
    fitted: Inversion | None

    @classmethod
    def of(cls, kind: str, scan: ScanRecord) -> Before:
        seen = by_sound_alone(scan) if kind == "mic" else scan
        try:
            return cls(kind, seen, inverted(seen))
        except AnalysisError:  # told again by every comparison
            return cls(kind, seen, None)

    def claims(self, after: ScanRecord) -> list[tuple[float, float]]:
        """Places of the changes claimed."""
        seen = by_sound_alone(after) if self.kind == "mic" else after
        found = compare_scans(self.scan, replace(seen, facts=self.scan.facts), fitted=self.fitted)
        return [(zone.x_mm, zone.y_mm) for zone in found.zones]


def plates(world: str, places: int, first: int) -> Iterator[tuple[int, list[tuple[float, float]]]]:
    """Seeds, and where each plate is to be cut."""
    outline = world_spec(world).plate.outline
    for number in range(-(-places // PLACES_A_PLATE)):
        rng = np.random.default_rng((first + number, 77))
        left = min(PLACES_A_PLATE, places - number * PLACES_A_PLATE)
        yield first + number, [somewhere(outline, rng) for _ in range(left)]


def main() -> None:
    """A line for every comparison, and the table so far after every plate."""
    given = [int(text) for text in sys.argv[1:]]
    places, first, every = (*given, *(20, 400, 3)[len(given) :])
    tallies: dict[tuple[str, str, str], Tally] = defaultdict(Tally)
    for number in range(-(-places // PLACES_A_PLATE)):
        for world in ("maple-graded", "spruce-top"):
            seed, where = list(plates(world, places, first))[number]
            one_plate(world, seed, where, every, tallies)
            print(flush=True)
            for key, tally in sorted(tallies.items()):
                print(f"  {key[0]:13s} {key[1]:7s} {key[2]:14s} {tally}", flush=True)


def one_plate(
    world: str,
    seed: int,
    where: list[tuple[float, float]],
    every: int,
    tallies: dict[tuple[str, str, str], Tally],
) -> None:
    """All comparisons of one plate."""
    spec = world_spec(world)
    rng = np.random.default_rng((seed, 78))
    nowhere: Relaid = (0.0, 0.0, 0.0)
    fine, coarse = (scanned(spec, seed, 1, mm, 0.0, nowhere) for mm in (9.0, 13.0))
    before = [Before.of("pickup", fine), Before.of("mic", fine), Before.of("coarse", coarse)]
    uncut = {mm: scanned(spec, seed, 2, mm, mm / 2, relaid(rng)) for mm in (9.0, 13.0)}
    for one in before:
        counted(world, seed, one, uncut[SPACING_MM[one.kind]], None, tallies)
    for number, place in enumerate(where):
        kinds = before if number % every == 0 else before[:1]
        for depth, width, within in CUTS:
            zones = (*spec.plate.zones, Zone(*place, width, depth))
            cut = replace(spec, plate=replace(spec.plate, zones=zones))
            made: dict[float, ScanRecord] = {}
            for one in kinds:
                mm = SPACING_MM[one.kind]
                if mm not in made:
                    made[mm] = scanned(cut, seed, 3 + number, mm, mm / 2, relaid(rng))
                counted(world, seed, one, made[mm], (place, depth, width, within), tallies)


def counted(
    world: str,
    seed: int,
    before: Before,
    after: ScanRecord,
    cut: tuple[tuple[float, float], float, float, float] | None,
    tallies: dict[tuple[str, str, str], Tally],
) -> None:
    """Compare once, print a line and count it."""
    began = time.process_time()
    claims = np.array(before.claims(after)).reshape(-1, 2)
    what = "uncut" if cut is None else f"{cut[1]:.2f} over {cut[2]:.0f}"
    tally = tallies[world, before.kind, what]
    tally.scans += 1
    line = f"{world} {seed} {before.kind:7s} {what:14s}"
    if cut is None:
        tally.false += len(claims) > 0
        line += f" {len(claims)} claimed"
    else:
        place, _, width, within = cut
        away = np.hypot(*(claims - np.array(place)).T)
        tally.cuts += 1
        near = bool(len(away)) and float(away.min()) <= within
        tally.found += near
        if len(away):
            tally.off_mm.append(float(away.min()))
        tally.false += bool((away > width).any())
        listed = ", ".join(f"{mm:.1f}" for mm in away) or "none"
        line += f" at {place[0]:.0f}, {place[1]:.0f}: claimed, mm off: {listed}"
    print(f"{line}  ({time.process_time() - began:.0f} s CPU)", flush=True)


if __name__ == "__main__":
    main()
