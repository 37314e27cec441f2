"""A cut previewed, against the plate on a finer mesh solved anew."""

from __future__ import annotations

import numpy as np
import pytest

from rig.field.inversion_fit import first_belief
from rig.field.inversion_state import Belief, PlateGeometry
from rig.field.preview import (
    FITTED,
    FROM_OUTLINE,
    Cut,
    check_cut,
    cut_effect,
    heard_shifts,
    span_changes,
)
from rig.model.errors import UsageError
from rig.model.outline import Outline
from rig.plate.arching import template_heights
from rig.plate.sensitivity import thickness_sensitivity
from rig.plate.wood import WOODS

LENGTH_MM, WIDTH_MM = 200.0, 120.0
SHOWN = 12


def rounded_plate() -> Outline:
    """Between a rectangle and an ellipse, wider below; small, so that the tests are quick."""
    t = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
    c, s = np.cos(t), np.sin(t)
    y = 100.0 + 0.5 * LENGTH_MM * np.sign(s) * np.abs(s) ** 0.7
    x = 0.5 * WIDTH_MM * np.sign(c) * np.abs(c) ** 0.7 * (1.05 - 0.15 * (y / LENGTH_MM))
    return Outline.checked(np.column_stack([x, y]))


def believed(geometry: PlateGeometry, crown: float | None, *, sheared: bool) -> Belief:
    """A graded maple plate."""
    wood = WOODS["red maple"]
    arch = None
    if crown:
        heights = crown * template_heights(geometry.outline, geometry.model.places_mm)
        arch = geometry.arch.field.fitted(geometry.model.places_mm, heights)
    shear = wood.ratio_shear_across * wood.e_along, wood.ratio_shear_along * wood.e_along
    belief = first_belief(
        geometry, thickness_m=3e-3, density_kg_m3=wood.density_kg_m3, stiffness=wood.stiffness(),
        arch=arch, shear_pa=shear if sheared else None,
    )  # fmt: skip
    x, y = geometry.field.centres_mm.T
    thick = 2.6 + 1.2 * np.exp(-((x / 60.0) ** 2) - ((y - 100.0) / 90.0) ** 2)
    return belief.changed(log_thickness=np.log(1e-3 * thick))


def solved_anew(geometry: PlateGeometry, belief: Belief, cut: Cut) -> np.ndarray:
    """Cents by which the first modes, by order, move when both plates are solved to the end."""
    wood = np.exp(geometry.on_model @ belief.log_thickness)
    found = [
        geometry.model.solve(
            thickness, belief.stiffness, belief.density_kg_m3, count=SHOWN + 8,
            arch=geometry.arch_on_model(belief), shear_pa=belief.moduli_pa, tolerance=1e-10,
        ).omega2[3 : SHOWN + 3]
        for thickness in (wood, wood - cut.depth_m(geometry.model.places_mm))
    ]  # fmt: skip
    return np.asarray(600.0 * np.log2(found[1] / found[0]))


@pytest.fixture(scope="module")
def geometry() -> PlateGeometry:
    return PlateGeometry(rounded_plate(), mesh_mm=15.0)


@pytest.fixture(scope="module")
def fine() -> PlateGeometry:
    return PlateGeometry(rounded_plate(), mesh_mm=7.5)


@pytest.mark.parametrize(
    ("crown", "sheared", "place"),
    [
        (None, False, (0.0, 100.0)),
        (None, True, (-30.0, 50.0)),
        (12.0, True, (-30.0, 50.0)),
    ],
)
def test_changes_of_the_partials_within_three_percent(
    geometry: PlateGeometry, fine: PlateGeometry, crown: float | None, sheared: bool,
    place: tuple[float, float],
) -> None:  # fmt: skip
    cut = Cut(*place, 30.0, 0.1)
    truth = solved_anew(fine, believed(fine, crown, sheared=sheared), cut)
    belief = believed(geometry, crown, sheared=sheared)
    told = cut_effect(geometry, belief, cut, FITTED, draws=0, modes=40)
    big = np.abs(truth) > 0.5
    assert big.sum() >= 5
    assert told.change_cents[:SHOWN][big] == pytest.approx(truth[big], rel=0.03)
    span, _ = span_changes(geometry, belief, told.shapes, cut)
    assert np.median(np.abs(span[:SHOWN] / truth - 1.0)[big]) < 0.03
    wrong = np.abs(told.change_cents[:SHOWN] - truth) / told.sd_cents[:SHOWN]
    assert np.mean(wrong < 2.0) > 0.8  # the doubt covers what a finer mesh changes


def test_first_order_is_the_published_sensitivity(geometry: PlateGeometry) -> None:
    belief = believed(geometry, None, sheared=False)
    cut = Cut(10.0, 120.0, 40.0, 0.01)
    told = cut_effect(geometry, belief, cut, FITTED, draws=0, modes=40)
    kernel = thickness_sensitivity(
        told.shapes.modes, geometry.places_mm, told.shapes.thickness_m, belief.stiffness,
        belief.density_kg_m3,
    )[:, 3:SHOWN]  # fmt: skip
    off = cut.depth_m(geometry.places_mm) * geometry.weights_m2
    assert told.first_order_cents[: SHOWN - 3] == pytest.approx(
        -1200.0 / np.log(2.0) * (off @ kernel), rel=1e-6
    )
    assert told.change_cents[: SHOWN - 3] == pytest.approx(
        told.first_order_cents[: SHOWN - 3], rel=0.02, abs=1e-3
    )


def test_tone_mass_and_doubt(geometry: PlateGeometry) -> None:
    belief = believed(geometry, None, sheared=False)
    cut = Cut(0.0, 100.0, 30.0, 0.1)
    sure = cut_effect(geometry, belief, cut, FITTED, draws=2, modes=30)
    guessed = cut_effect(geometry, belief, cut, FROM_OUTLINE, draws=2, modes=30)
    thick = sure.thickness_mm
    assert thick == pytest.approx(3.8, abs=0.06)
    assert sure.tone_cents == pytest.approx(1200.0 * np.log2(1.0 - 0.1 / thick))
    assert sure.tone_cents < sure.tone_over_cents < 0.0
    grams = 1e-6 * belief.density_kg_m3 * 0.1 * 30.0**2 * np.pi / (4.0 * np.log(2.0))
    assert sure.mass_g == pytest.approx(grams, rel=0.02)
    big = np.abs(sure.change_cents[:SHOWN]) > 0.5
    ratio = (sure.sd_cents / np.abs(sure.change_cents))[:SHOWN][big]
    assert 0.01 < np.median(ratio) < 0.25
    assert np.median(guessed.sd_cents[:SHOWN][big]) > 2.0 * np.median(sure.sd_cents[:SHOWN][big])
    measured = cut_effect(geometry, belief, cut, FITTED, draws=0, modes=40, measured_mm=(3.7, 0.05))
    assert measured.thickness_mm == 3.7
    assert measured.tone_cents == pytest.approx(1200.0 * np.log2(1.0 - 0.1 / 3.7))


@pytest.mark.parametrize(
    ("cut", "said"),
    [
        (Cut(0.0, 300.0, 30.0, 0.1), "not on the wood"),
        (Cut(float("nan"), 100.0, 30.0, 0.1), "not on the wood"),
        (Cut(0.0, 100.0, 3.0, 0.1), "cannot be previewed"),
        (Cut(0.0, 100.0, float("nan"), 0.1), "cannot be previewed"),
        (Cut(0.0, 100.0, 30.0, 0.0), "takes nothing off"),
        (Cut(0.0, 100.0, 30.0, -0.1), "takes nothing off"),
        (Cut(0.0, 100.0, 30.0, float("nan")), "takes nothing off"),
    ],
)
def test_nonsense_is_refused(cut: Cut, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        check_cut(cut, rounded_plate())


def test_more_than_fifteen_percent_is_refused(geometry: PlateGeometry) -> None:
    belief = believed(geometry, None, sheared=False)
    with pytest.raises(UsageError, match=r"% of the wood there; a preview holds up to 15 %"):
        cut_effect(geometry, belief, Cut(0.0, 100.0, 30.0, 0.62), FITTED, draws=0, modes=20)


def test_partials_take_the_change_of_the_mode_that_moves_like_them(
    geometry: PlateGeometry,
) -> None:
    belief = believed(geometry, None, sheared=False)
    told = cut_effect(geometry, belief, Cut(0.0, 100.0, 30.0, 0.1), FITTED, draws=0, modes=30)
    likeness = np.zeros((3, len(told.hz)))
    likeness[0, 1], likeness[1, 0], likeness[2, 2] = 0.98, 0.95, 0.30
    found = heard_shifts(told, [1.01 * told.hz[1], told.hz[0], told.hz[2]], likeness, reach=0.06)
    assert [one.mode for one in found] == [1, 0, None]
    assert found[0].change_cents == pytest.approx(told.change_cents[1])
    assert found[0].sd_cents is not None
    assert found[0].sd_cents >= told.sd_cents[1]
    assert found[2].change_cents is None  # its shape is none of the model's
    far = heard_shifts(told, [1.5 * told.hz[1]], likeness[:1], reach=0.06)
    assert far[0].mode is None
