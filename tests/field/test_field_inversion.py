"""The whole-plate inversion on synthetic thin plates of another mesh, with scatter and noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from thin_scan import TrueThinPlate, thin_scan, true_plate

from rig.field.inversion import Inversion, inverted, tap_tone_of
from rig.field.inversion_change import plate_change
from rig.field.inversion_fit import Fit
from rig.field.inversion_gate import BANDS, gate
from rig.field.inversion_state import Belief
from rig.model.errors import AnalysisError
from rig.model.progress import ProgressEvent
from rig.model.scan_record import ScanRecord

SPACING_MM = 10.5


@pytest.fixture(scope="module")
def plate() -> TrueThinPlate:
    return true_plate(21, mesh_mm=10.0)


@pytest.fixture(scope="module")
def scan(plate: TrueThinPlate) -> ScanRecord:
    return thin_scan(plate, spacing_mm=SPACING_MM)


@pytest.fixture(scope="module")
def found(scan: ScanRecord) -> Inversion:
    return inverted(scan)


def error_cents(found: Inversion, plate: TrueThinPlate) -> np.ndarray:
    xy = found.data.places_mm
    error = 1200.0 / np.log(2.0) * found.log_tone(xy) - plate.tone_cents(xy)
    return error - np.median(error)


def test_local_tone_is_found(found: Inversion, plate: TrueThinPlate) -> None:
    error = error_cents(found, plate)
    assert error.std() < 14.0
    assert np.abs(error).max() < 80.0


def test_a_good_fit_is_called_good_and_its_sd_is_of_the_right_size(
    found: Inversion, plate: TrueThinPlate
) -> None:
    tone = tap_tone_of(found)
    assert tone.verdict == "good"
    assert tone.misfit is not None
    assert tone.misfit < 4.0
    ratio = float((error_cents(found, plate) / tone.sd_cents).std())
    assert 0.5 < ratio < 1.6


def test_thick_spots_stand_out(found: Inversion, plate: TrueThinPlate) -> None:
    for x, y, height_mm, _ in plate.spots:
        spot = np.array([[x, y]])
        around = spot + 45.0 * np.array([[np.cos(a), np.sin(a)] for a in np.arange(0, 6.28, 0.5)])
        around = around[plate.outline.contains(around)]

        def excess(cents: np.ndarray) -> float:
            return float(cents[0] - np.mean(cents[1:]))

        both = np.vstack([spot, around])
        true = excess(plate.tone_cents(both))
        read = excess(1200.0 / np.log(2.0) * found.log_tone(both))
        assert read == pytest.approx(true, abs=35.0), (x, y, height_mm)


def test_mass_only_sets_the_scale(scan: ScanRecord, found: Inversion) -> None:
    unweighed = replace(scan, facts=replace(scan.facts, mass_g=None))
    other = inverted(unweighed)
    xy = found.data.places_mm
    difference = 1200.0 / np.log(2.0) * (other.log_tone(xy) - found.log_tone(xy))
    assert np.std(difference) < 3.0
    assert any("Neither mass" in reason for reason in other.reasons)


def test_a_carved_place_is_the_largest_change(found: Inversion) -> None:
    carve = (30.0, 250.0, -0.2, 35.0)
    carved = true_plate(21, mesh_mm=10.0, change=carve)
    after = thin_scan(carved, spacing_mm=SPACING_MM, shift_mm=5.0, relaid=(0.4, -0.3, 0.3), seed=2)
    change = plate_change(found, after)
    places = found.data.places_mm
    cents = change.cents(places)
    sd = np.sqrt(np.diag(change.covariance(np.eye(len(places)), places)))
    deepest = int(np.argmin(cents))
    assert np.hypot(*(places[deepest] - np.array(carve[:2]))) < 12.0
    assert cents[deepest] < -4.0 * sd[deepest]  # of one tap, unsmoothed
    assert change.moved_deg == pytest.approx(0.3, abs=0.2)  # and the field takes up the rest
    far = np.hypot(*(places - np.array(carve[:2])).T) > 50.0
    assert np.median(np.abs(cents[far])) < 12.0


def test_a_plate_called_flat_that_fits_no_flat_plate_gets_an_arch_and_is_told(
    monkeypatch: pytest.MonkeyPatch, scan: ScanRecord, found: Inversion
) -> None:
    """The fits themselves are stood in for; case `flat` of the inversion's bench makes them."""
    import rig.field.inversion as module

    asked: list[bool] = []

    def fit(_geometry: object, _data: object, start: Belief, **_rest: object) -> Fit:
        asked.append(len(start.arch) > 0)
        return replace(found.fit, misfits=[6.0 if asked[-1] else 2000.0])

    monkeypatch.setattr(module, "fit_plate", fit)
    told_flat = inverted(replace(scan, facts=replace(scan.facts, arching_mm=0.0)))
    assert asked == [False, True]
    assert told_flat.crown_mm == module.USUAL_CROWN_MM
    assert told_flat.fit.misfit == 6.0
    assert any("said to be flat" in reason for reason in told_flat.reasons)


def test_too_coarse_a_grid_is_refused(scan: ScanRecord) -> None:
    thinned = replace(scan, strikes=scan.strikes[::4])
    with pytest.raises(AnalysisError, match="apart"):
        inverted(thinned)


def test_progress_counts_up(scan: ScanRecord) -> None:
    from rig.field.inversion_fit import SCHEDULE

    events: list[ProgressEvent] = []
    flat = replace(scan, facts=replace(scan.facts, arching_mm=0.0))
    inverted(flat, events.append, schedule=SCHEDULE[:2])
    assert [e.done for e in events] == [0, 1, 2]


def test_windowed_spectra_of_a_free_vibration_obey_its_equation(found: Inversion) -> None:
    """One damped mode: λ(u + η u_b) + u'' = 0 for every bin, however short the window."""
    rate, hz, eta = 48_000.0, 700.0, 0.015
    lam = (2 * np.pi * hz) ** 2
    frequency = np.fft.rfftfreq(found.data.length, 1 / rate)
    omega = 2 * np.pi * frequency
    spectrum = 1.0 / (lam * (1 + 1j * eta) - omega**2)
    data = found.data.replaced(spectrum[None], np.zeros((1, 2)))
    spectra = gate(data, 2e-3, 1500.0, BANDS[:1])
    left = lam * (spectra.u + eta * spectra.shifted) + spectra.acceleration
    assert np.max(np.abs(left)) < 5e-3 * np.max(np.abs(spectra.acceleration))


def test_taps_that_do_not_cover_the_plate_are_refused(scan: ScanRecord) -> None:
    def placed(shift_mm: float) -> ScanRecord:
        moved = [replace(s, x_mm=s.x_mm + shift_mm) for s in scan.strikes]
        return replace(scan, strikes=tuple(moved))

    with pytest.raises(AnalysisError, match="off the plate"):
        inverted(placed(120.0))
    one_place = [replace(s, x_mm=0.0, y_mm=100.0) for s in scan.strikes]
    with pytest.raises(AnalysisError, match="from any tap"):
        inverted(replace(scan, strikes=tuple(one_place)))
    left = [s for s in scan.strikes if s.x_mm < 0 or s.y_mm < 60]
    with pytest.raises(AnalysisError, match=r"from any tap|apart"):
        inverted(replace(scan, strikes=tuple(left)))


def test_nothing_known_and_taps_by_hand_still_give_a_map(
    scan: ScanRecord, plate: TrueThinPlate
) -> None:
    rng = np.random.default_rng(5)
    by_hand = []
    for s in scan.strikes:
        dx, dy = rng.normal(0.0, 0.4, 2)
        by_hand.append(replace(s, x_mm=s.x_mm + dx, y_mm=s.y_mm + dy))
    facts = replace(scan.facts, mass_g=None, wood=None, mean_thickness_mm=None, arching_mm=0.0)
    unknown = replace(scan, facts=facts, microphone_xyz_mm=None, strikes=tuple(by_hand))
    found = inverted(unknown)
    assert error_cents(found, plate).std() < 25.0
    assert any("microphone" in reason for reason in tap_tone_of(found).reasons)
