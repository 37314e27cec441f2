"""Before and after: a cut is found where it was made, and nothing where nothing was done."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import thin_plate

from rig.field import compare_scans
from rig.field.differences import wave_difference
from rig.field.inversion import Inversion, inverted
from rig.field.inversion_change import plate_change
from rig.field.local_change import _rim_doubt, averaged, difference_of
from rig.model.outline import Outline
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord

SPACING_MM = 11.0
CUT = (-30.0, 110.0, -0.3, 40.0)


def tapped(
    plate: thin_plate.ThinPlate, seed: int, shift: tuple[float, float], name: str = "S0002"
) -> ScanRecord:
    """A scan on a coarse grid, which halves the time of the fits."""
    places = thin_plate.grid_places(plate, SPACING_MM, shift=shift)
    return thin_plate.scan(
        plate, places, seed, spacing_mm=SPACING_MM, mic_mm=(116.0, 197.0, 202.0), scan_name=name
    )


@pytest.fixture(scope="module")
def before(plate: thin_plate.ThinPlate) -> ScanRecord:
    return tapped(plate, 11, (0.0, 0.0), "S0001")


@pytest.fixture(scope="module")
def fitted(before: ScanRecord) -> Inversion:
    return inverted(before)


@pytest.fixture(scope="module")
def cut(plate: thin_plate.ThinPlate) -> ScanRecord:
    carved = thin_plate.solve(thin_plate.with_bump(thin_plate.graded(), *CUT), "maple")
    return tapped(carved, 31, (4.0, 5.0))


@pytest.fixture(scope="module")
def again(plate: thin_plate.ThinPlate) -> ScanRecord:
    return tapped(plate, 32, (4.0, 5.0))


def test_a_cut_is_found_where_it_was_made(
    before: ScanRecord, fitted: Inversion, cut: ScanRecord, plate: thin_plate.ThinPlate
) -> None:
    one = replace(before, conditions={"temperature_c": 20.0, "humidity_percent": 45.0})
    two = replace(
        cut, strength="firm", conditions={"temperature_c": 26.0, "humidity_percent": 60.0}
    )
    rings = [
        tuple(RingPartial(hz, 0.02, 0.1, 0.0) for hz in tones)
        for tones in ((100.0, 180.0, 350.0), (99.0, 178.0, 520.0))
    ]
    found = compare_scans(
        one, two, kind="change", ring_before=rings[0], ring_after=rings[1], fitted=fitted
    )
    assert found.reading == "local"
    assert found.estimator == "whole-plate change"
    zone = found.zones[0]
    assert len(found.zones) == 1
    assert np.hypot(zone.x_mm - CUT[0], zone.y_mm - CUT[1]) < 10.0
    here = np.array([[CUT[0], CUT[1]]])
    thinner = thin_plate.with_bump(thin_plate.graded(), *CUT)(here[:, 0], here[:, 1])
    true = 1200.0 * np.log2(thinner / plate.thickness_mm(here[:, 0], here[:, 1]))[0]
    assert 1.05 * true < zone.change_cents < 0.4 * true  # a scraper's pass blunts it
    far = np.hypot(*(np.asarray(found.places) - CUT[:2]).T) > 60.0
    assert not np.any(np.array(found.significant) & far)
    assert "fell" in found.sentence
    assert [round(s.change_cents, 1) for s in found.ring] == [-17.4, -19.3]
    said = " ".join(found.cautions)
    for words in ("20 °C before, 26 °C after", "light before", "humidity", "Second opinion"):
        assert words in said


def test_nothing_is_claimed_where_nothing_was_done(
    before: ScanRecord, fitted: Inversion, again: ScanRecord
) -> None:
    found = compare_scans(before, again, fitted=fitted)
    assert found.zones == ()
    assert not any(found.significant)
    assert "Nothing changed" in found.sentence
    z = found.change_cents / found.sd_cents
    assert 0.4 < z.std() < 1.3


def test_a_plate_thinned_all_over_is_said_to_have_fallen(
    before: ScanRecord, fitted: Inversion, plate: thin_plate.ThinPlate
) -> None:
    def thinner(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(0.97 * plate.thickness_mm(x, y))

    after = tapped(thin_plate.solve(thinner, "maple"), 33, (4.0, 5.0))
    difference = difference_of(plate_change(fitted, after), before, after)
    assert difference.level_cents is not None
    level, sd = difference.level_cents
    assert level == pytest.approx(1200.0 * np.log2(0.97), abs=3.0 * sd)
    assert np.std(difference.change_cents) < 12.0


def test_another_plate_is_refused_and_the_wave_fit_takes_over(
    before: ScanRecord, fitted: Inversion, again: ScanRecord
) -> None:
    upside_down = replace(
        again,
        strikes=tuple(replace(s, x_mm=-s.x_mm, y_mm=355.0 - s.y_mm) for s in again.strikes),
    )
    change = plate_change(fitted, upside_down)
    assert change.verdict == "refused"
    assert "another plate" in " ".join(change.reasons)
    wider = Outline.checked(np.asarray(again.outline.rim) * 1.03)
    other = replace(again, outline=wider)
    found = compare_scans(before, other, fitted=fitted)
    assert found.estimator == "local wave fit"
    assert any("outlines" in caution for caution in found.cautions)


def test_a_mean_of_two_doubts_more_where_they_disagree(
    before: ScanRecord, again: ScanRecord
) -> None:
    waves = wave_difference(before, again)
    sharper = replace(waves, covariance=0.25 * waves.covariance, notes=("sharper",))
    agree = averaged(sharper, waves)
    expected = np.sqrt(np.diag(waves.covariance) / 5.0)  # 1/√(1/0.25 + 1)
    np.testing.assert_array_less(np.sqrt(np.diag(agree.covariance)), 1.4 * expected)
    at_odds = replace(
        sharper, change_cents=waves.change_cents + 400.0 * np.sin(0.7 * waves.places[:, 0])
    )
    apart = averaged(at_odds, waves)
    assert np.all(np.diag(apart.covariance) > 4.0 * np.diag(agree.covariance))
    assert any("averaged" in note for note in apart.notes)


def test_a_bare_rim_is_doubted(before: ScanRecord, again: ScanRecord) -> None:
    grid = np.array([[0.0, 12.0], [0.0, 60.0], [0.0, 180.0]])
    usual = _rim_doubt(grid, before, again)
    strikes = tuple(s for s in again.strikes if s.y_mm > 30.0)
    bare = _rim_doubt(grid, before, replace(again, strikes=strikes))
    assert bare[0] > usual[0] + 20.0
    assert bare[2] == pytest.approx(usual[2], abs=0.5)
    assert usual[2] < 2.0
