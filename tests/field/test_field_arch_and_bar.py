"""The inversion told of a bar, and of an arch by measured heights, on a small oval panel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from thin_scan import TrueThinPlate, tap_grid, thin_scan, true_plate

from rig.field.inversion import Inversion, inverted, tap_tone_of
from rig.field.inversion_facts import usable_bars, usable_heights
from rig.field.inversion_fit import SCHEDULE
from rig.model.outline import Outline
from rig.model.plate_facts import Bar, PlateFacts
from rig.model.scan_record import ScanRecord
from rig.plate.arching import ArchSurface, template_heights
from rig.plate.measured_arch import arch_through
from rig.plate.plate_model import PlateModel
from rig.virtual.shapes import violin_outline

TURN = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
OVAL = Outline.checked(np.column_stack([64.0 * np.cos(TURN), 165.0 + 98.0 * np.sin(TURN)]))
BAR = Bar(-14.0, 90.0, -19.0, 240.0, (3.0, 9.0, 3.0), 5.0)
VIOLIN = violin_outline()
# coarse, and up to 2500 Hz only: a test's time, not the product's accuracy
QUICK = {"mesh_mm": 18.0, "schedule": SCHEDULE[:3]}


def error_cents(found: Inversion, plate: TrueThinPlate) -> np.ndarray:
    xy = found.data.places_mm
    error = 1200.0 / np.log(2.0) * found.log_tone(xy) - plate.tone_cents(xy)
    return error - np.median(error)


def small(plate: TrueThinPlate, facts: PlateFacts | None = None) -> ScanRecord:
    scan = thin_scan(plate, spacing_mm=9.5)
    return scan if facts is None else replace(scan, facts=facts)


def test_a_told_bar_leaves_the_wood_alone() -> None:
    plate = true_plate(
        41, wood="engelmann spruce", outline=OVAL, mesh_mm=11.0, modes=110, spot_count=1,
        bars=(BAR,), bar_stiffness=1.3,
    )  # fmt: skip
    told = small(plate)
    told = replace(told, facts=replace(told.facts, arching_mm=0.0))
    found = inverted(told, **QUICK)
    assert error_cents(found, plate).std() < 30.0
    tone = tap_tone_of(found)
    assert tone.verdict == "good"
    assert tone.constants["bar_1_stiffness"] == pytest.approx(1.3, rel=0.15)
    assert any("not of the bar" in reason for reason in tone.reasons)
    assert any("g of the weighed mass" in reason for reason in tone.reasons)
    untold = replace(told, facts=replace(told.facts, bars=None))
    blind = inverted(untold, mesh_mm=18.0, schedule=SCHEDULE[:2])
    assert error_cents(blind, plate).std() > 2.0 * error_cents(found, plate).std()
    assert blind.fit.misfit > 20.0 * found.fit.misfit


def own_arch(xy_mm: np.ndarray) -> np.ndarray:
    """Fuller than the template, its crown towards one end."""
    unit = template_heights(OVAL, xy_mm)
    return 7.0 * 2.2 * unit / (1.0 + 1.2 * unit) * (1.0 + 0.2 * (xy_mm[:, 1] - 165.0) / 98.0)


def test_measured_heights_beat_the_crown_alone() -> None:
    plate = true_plate(42, outline=OVAL, mesh_mm=11.0, modes=90, spot_count=1, heights=own_arch)
    scan = small(plate)
    points = plate.measured_heights(20.0, 0.1)
    raised = tuple((x, y, z + 2.0) for x, y, z in points)
    by_points = inverted(replace(scan, facts=replace(scan.facts, arch_heights_mm=raised)), **QUICK)
    by_crown = inverted(replace(scan, facts=replace(scan.facts, arching_mm=7.2)), **QUICK)
    assert error_cents(by_points, plate).std() < 0.7 * error_cents(by_crown, plate).std()
    assert by_points.fit.misfit < by_crown.fit.misfit
    assert any(f"{len(points)} measured heights" in reason for reason in by_points.reasons)
    assert any("rim at +2" in reason for reason in by_points.reasons)


@pytest.fixture(scope="module")
def model() -> PlateModel:
    return PlateModel.of(VIOLIN, size_mm=20.0)


def full_arch(xy_mm: np.ndarray) -> np.ndarray:
    unit = template_heights(VIOLIN, xy_mm)
    return 14.0 * 2.0 * unit / (1.0 + unit) * (1.0 + 0.12 * (xy_mm[:, 1] - 178.0) / 178.0)


@pytest.mark.parametrize(("pitch_mm", "rms_mm"), [(15.0, 0.35), (35.0, 0.45), (70.0, 0.6)])
def test_the_surface_follows_its_points_and_does_not_swing(
    model: PlateModel, pitch_mm: float, rms_mm: float
) -> None:
    surface = ArchSurface(model.places_mm)
    places = np.vstack([tap_grid(VIOLIN, pitch_mm), np.asarray(VIOLIN.rim)[::15]])
    noise = 0.1 * np.random.default_rng(3).standard_normal(len(places))
    lifted = full_arch(places) + noise + 3.0 + 0.01 * places[:, 0]
    points = tuple(map(tuple, np.column_stack([places, lifted])))
    found = arch_through(VIOLIN, surface, model.places_mm, points, 0.2)
    read = surface.field.matrix(model.places_mm) @ found.coefficients_mm
    true = full_arch(model.places_mm)
    assert np.std(read - true) < rms_mm
    assert read.max() < 1.12 * true.max()
    assert found.wild == ()
    assert found.rim_mm == pytest.approx(3.0, abs=1.0)
    # what is known grows with the points: a curved patch of 40 mm is told by them, not elsewhere
    assert np.linalg.eigvalsh(found.precision)[-1] > 1.0


def test_a_slip_of_the_pen_is_left_out(model: PlateModel) -> None:
    surface = ArchSurface(model.places_mm)
    places = np.vstack([tap_grid(VIOLIN, 25.0), np.asarray(VIOLIN.rim)[::15]])
    height = full_arch(places)
    height[30] += 9.0
    points = tuple(map(tuple, np.column_stack([places, height])))
    found = arch_through(VIOLIN, surface, model.places_mm, points, 0.2)
    assert found.wild == (points[30],)


def test_facts_that_do_not_go_with_the_outline_are_left_out_and_told() -> None:
    facts = PlateFacts(
        "plate", arch_heights_mm=((0.0, 900.0, 1.0),) * 6, bars=(replace(BAR, y2_mm=500.0),)
    )
    scan = ScanRecord("S0001", "outer", "light", 9.0, OVAL, facts, ())
    bars, said = usable_bars(scan)
    assert bars == ()
    assert "leaves the wood" in said[0]
    heights, said = usable_heights(scan)
    assert heights is None
    assert "not used" in said[0]
