"""Preview of a cut against a plate on a finer mesh solved anew: 0.1 mm off, 30 mm wide.

.venv/bin/python tests/bench/bench_preview.py
"""

from __future__ import annotations

import numpy as np

from rig.field.inversion_fit import first_belief
from rig.field.inversion_state import Belief, PlateGeometry
from rig.field.preview import FITTED, FROM_OUTLINE, Cut, cut_effect, span_changes
from rig.plate.arching import template_heights
from rig.plate.wood import WOODS
from rig.virtual.shapes import violin_outline

PLACES = ((0.0, 175.0), (-47.0, 88.0), (55.0, 290.0), (20.0, 40.0))
MODES = 30


def believed(geometry: PlateGeometry, wood: str, middle: float, crown: float | None) -> Belief:
    """A graded plate, thick in the middle."""
    species = WOODS[wood]
    arch = None
    if crown:
        heights = crown * template_heights(geometry.outline, geometry.model.places_mm)
        arch = geometry.arch.field.fitted(geometry.model.places_mm, heights)
    belief = first_belief(
        geometry, thickness_m=3e-3, density_kg_m3=species.density_kg_m3,
        stiffness=species.stiffness(), arch=arch,
        shear_pa=(species.ratio_shear_across * species.e_along,
                  species.ratio_shear_along * species.e_along),
    )  # fmt: skip
    at = geometry.field.centres_mm
    r2 = (at[:, 0] / 95.0) ** 2 + ((at[:, 1] - 175.0) / 165.0) ** 2
    return belief.changed(log_thickness=np.log(1e-3 * (2.5 + (middle - 2.5) * np.exp(-1.6 * r2))))


def solved_anew(geometry: PlateGeometry, belief: Belief, cut: Cut) -> np.ndarray:
    """Cents by which the modes, by order, move when both plates are solved to the end."""
    thickness = np.exp(geometry.on_model @ belief.log_thickness)
    options = {
        "count": MODES + 10, "arch": geometry.arch_on_model(belief),
        "shear_pa": belief.moduli_pa, "tolerance": 1e-10,
    }  # fmt: skip
    law, density = belief.stiffness, belief.density_kg_m3
    before = geometry.model.solve(thickness, law, density, **options)
    cut_down = thickness - cut.depth_m(geometry.model.places_mm)
    after = geometry.model.solve(cut_down, law, density, **options, start=before)
    return 600.0 * np.log2(after.omega2[3 : MODES + 3] / before.omega2[3 : MODES + 3])


def main() -> None:
    geometry = PlateGeometry(violin_outline(), mesh_mm=15.0)
    fine = PlateGeometry(violin_outline(), mesh_mm=6.5)
    print(
        "change of modes 1 to 30 in cents; errors in % of changes above 0.3 cents, modes at least"
    )
    print(
        "8 cents from their neighbours (nearer ones mix): median, worst: told | span | first order"
    )
    for name, wood, middle, crown in (
        ("maple, flat", "red maple", 4.4, None),
        ("maple, arched 15 mm", "red maple", 4.4, 15.0),
        ("spruce, flat", "sitka spruce", 3.0, None),
        ("spruce, arched 16 mm", "sitka spruce", 3.0, 16.0),
    ):
        belief, finer = (believed(g, wood, middle, crown) for g in (geometry, fine))
        for place in PLACES:
            cut = Cut(*place, 30.0, 0.1)
            told = cut_effect(geometry, belief, cut, FITTED, draws=0)
            span, first = span_changes(geometry, belief, told.shapes, cut)
            truth = solved_anew(fine, finer, cut)
            gap = 1200.0 * np.diff(np.log2(told.hz[: MODES + 1]))
            apart = np.minimum(gap, np.concatenate([[np.inf], gap[:-1]])) > 8.0
            big = apart & (np.abs(truth) > 0.3)
            line = f"{name:21} {place[0]:4.0f} {place[1]:4.0f} largest {np.abs(truth).max():5.2f}"
            for guess in (told.change_cents, span, first):
                wrong = 100.0 * np.abs(guess[:MODES] / truth - 1.0)[big]
                line += f" | {np.median(wrong):5.2f} {wrong.max():5.2f}"
            print(f"{line} | {big.sum()} modes", flush=True)
    print("\ndoubt told beside the change: median of sd / |change|, changes above 0.2 cents")
    belief = believed(geometry, "red maple", 4.4, None)
    cut = Cut(0.0, 175.0, 30.0, 0.1)
    for name, doubts in (("fitted plate", FITTED), ("outline only", FROM_OUTLINE)):
        told = cut_effect(geometry, belief, cut, doubts)
        change, sd = np.abs(told.change_cents[:MODES]), told.sd_cents[:MODES]
        print(f"{name}: {np.median((sd / change)[change > 0.2]):.2f}")


if __name__ == "__main__":
    main()
