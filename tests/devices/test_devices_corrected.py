"""A gantry that is not true, corrected: the hammer comes down where it is meant to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.calibrate.gantry import GantryCorrection, fit_gantry
from rig.devices.corrected import CorrectedController
from rig.devices.link import LineController
from rig.devices.roles import Controller
from rig.jobs.calibrate_gantry import mark_dots, plan_dots
from rig.model.errors import ControllerRefusedError
from rig.virtual.faults import FaultSpec
from rig.virtual.rig import VirtualRig, build_rig
from rig.virtual.worlds import world_spec

CROOKED = FaultSpec(gantry_scale=(1.003, 0.998), gantry_skew_deg=0.2, gantry_offset_mm=(0.5, -0.3))
PLACES = [(80.0, 90.0), (420.0, 95.0), (250.0, 300.0), (90.0, 510.0), (415.0, 505.0)]


def crooked(faults: FaultSpec = CROOKED) -> tuple[VirtualRig, LineController]:
    """An empty bed under the crooked gantry, whose hammer has no scatter of its own."""
    spec = world_spec("empty-bed")
    spec = replace(spec, faults=faults, hammer=replace(spec.hammer, place_scatter_mm=0.0))
    made = build_rig(spec, 1, speed=0.0)
    controller = LineController(made.transport, made.clock, made.settings)
    controller.open()
    controller.home()
    return made, controller


def came_down(made: VirtualRig) -> np.ndarray:
    """Bed places of all strikes so far."""
    return np.asarray(
        made.bench.pose.to_bed(np.array([(t.x_mm, t.y_mm) for t in made.bench.truths]))
    )


def strike_at(controller: Controller, places: list[tuple[float, float]]) -> None:
    for place in places:
        controller.start_move(*place)
        controller.wait_until_still()
        controller.strike(3000)


def correction_by_dots(made: VirtualRig, controller: LineController) -> GantryCorrection:
    """As the verb does it: dots marked by the bare gantry, and where they came to lie."""
    dots = plan_dots(made.settings)[::3]
    before = len(made.bench.truths)
    assert mark_dots(controller, dots, 3000) == len(dots)
    return fit_gantry(dots, came_down(made)[before:]).correction


def test_taps_land_where_they_should_after_the_correction_and_not_before() -> None:
    made, bare = crooked()
    strike_at(bare, PLACES)
    off_mm = np.hypot(*(came_down(made) - PLACES).T)
    assert off_mm.max() > 1.5
    correction = correction_by_dots(made, bare)
    assert correction.matrix[0][0] == pytest.approx(1.003, abs=1e-4)
    settings = made.settings
    true = CorrectedController(
        bare, correction, settings.controller.limits_mm, settings.tapper.offset_mm
    )
    before = len(made.bench.truths)
    strike_at(true, PLACES)
    assert np.hypot(*(came_down(made)[before:] - PLACES).T).max() < 0.02
    place = true.position()
    assert place is not None
    assert place == pytest.approx(PLACES[-1], abs=0.02)


def test_limits_are_those_of_what_is_commanded() -> None:
    made, bare = crooked()
    correction = GantryCorrection((0.5, -0.3), ((1.003, 0.0), (0.0, 0.998)))
    limits = made.settings.controller.limits_mm
    true = CorrectedController(bare, correction, limits, (0.0, 0.0))
    moves = made.board.counts["moves"]
    with pytest.raises(ControllerRefusedError, match="out of reach"):
        true.start_move(250.0, 599.0)  # would take y 600.5 of a gantry that ends at 600
    with pytest.raises(ControllerRefusedError):
        true.start_move(0.3, 300.0)
    assert made.board.counts["moves"] == moves
    true.start_move(501.9, 300.0)  # beyond the limit as it is named, within it as it is commanded
    true.wait_until_still()
    assert made.board.place_mm[0] == pytest.approx(499.9, abs=0.05)


class Backlash:
    """A gantry that stays behind by half its play on the side it comes from."""

    def __init__(self) -> None:
        self.told = (0.0, 0.0)
        self.true: list[tuple[float, float]] = []

    def home(self) -> None:
        self.told = (0.0, 0.0)

    def start_move(self, x_mm: float, y_mm: float) -> None:
        sides = np.sign(np.subtract((x_mm, y_mm), self.told))
        self.told = (x_mm, y_mm)
        x, y = np.array([x_mm, y_mm]) - 0.1 * sides
        self.true.append((float(x), float(y)))

    def position(self) -> tuple[float, float] | None:
        return self.told

    def halt(self) -> None:
        pass


def test_play_is_made_up_for_on_the_side_it_is_come_from() -> None:
    loose = Backlash()
    correction = GantryCorrection((0.0, 0.0), ((1.0, 0.0), (0.0, 1.0)), (-0.2, -0.2))
    true = CorrectedController(loose, correction, (-1.0, -1.0, 500.0, 600.0), (0.0, 0.0))  # type: ignore[arg-type]
    true.home()
    ways = [(100.0, 100.0), (50.0, 200.0), (300.0, 150.0), (299.0, 149.0)]
    for way in ways:
        true.start_move(*way)
    assert np.array(loose.true) == pytest.approx(np.array(ways), abs=1e-9)
    assert true.position() == pytest.approx(ways[-1], abs=1e-9)
    true.halt()
