"""Targets, maps, surface, zones, comparison."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

import numpy as np
import pytest
import thin_plate

from rig.field import (
    attack_tone,
    contact_tone,
    rebound_tone,
    surface,
    tap_tone,
    tone_map,
    wave_fit,
    work_order,
)
from rig.field.graduation import taken_apart
from rig.field.smoothing import averaging_weights, chance_of_peaks, connected, error_covariance
from rig.model.errors import AnalysisError
from rig.model.reading import ClipReading
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone
from rig.virtual.shapes import violin_outline

OUTLINE = violin_outline()


def reading(attack_hz: float | None = None, contact_ms: float | None = None) -> ClipReading:
    return ClipReading(
        onset_s=0.02, ring=(), tone_hz=None, tone_sd_hz=None, attack_hz=attack_hz,
        attack_sd_cents=12.0, contact_ms=contact_ms, contact_sd_ms=None, rebound_ratio=None,
        level_db=-6.0, quality="good", reasons=(),
    )  # fmt: skip


def made_tone(scan: ScanRecord, cents: np.ndarray, sd: float = 15.0) -> TapTone:
    taps, places = scan.tap_places()
    return TapTone(
        "local", "made by hand", tuple(taps), places, 6000.0 * 2 ** (cents / 1200),
        np.full(len(taps), sd), 12.0,
    )  # fmt: skip


def bump(places: np.ndarray, x: float, y: float, high: float, width: float = 60.0) -> np.ndarray:
    r2 = np.sum((places - [x, y]) ** 2, axis=1)
    return high * np.exp(-0.5 * r2 / (width / 2.3548) ** 2)


def noise(places: np.ndarray, sd: float, seed: int, length: float = 10.0) -> np.ndarray:
    covariance = error_covariance(places, np.full(len(places), sd), length)
    covariance[np.diag_indices(len(places))] += 1e-3 * sd**2
    return np.linalg.cholesky(covariance) @ np.random.default_rng(seed).standard_normal(len(places))


def test_smooth_graduation_is_not_dragged_by_a_zone(graded_scan: ScanRecord) -> None:
    _, places = graded_scan.tap_places()
    slope = 300 * np.cos(places[:, 0] / 90.0) * np.cos((places[:, 1] - 175) / 180.0)
    zone = bump(places, 20.0, 110.0, 180.0)
    rough = noise(places, 10.0, 1)
    cents = slope + zone + rough
    doubt = np.full(len(cents), 10.0)
    found = taken_apart(places, cents, doubt, OUTLINE, error_length_mm=10.0)
    left = cents - found.smooth_cents
    peak = np.hypot(*(places - [20.0, 110.0]).T) < 10
    assert left[peak].mean() > 120.0
    assert np.abs(np.median(left[np.hypot(*(places - [20.0, 110.0]).T) > 70])) < 12.0
    (patch,) = found.patches
    assert np.hypot(patch.x_mm - 20.0, patch.y_mm - 110.0) < 6.0
    assert patch.height_cents == pytest.approx(180.0, abs=2.0 * patch.sd_cents)


def test_patches_alike_on_both_sides_and_low_ones_are_seen() -> None:
    plate = violin_outline()
    places = np.array([(x, y) for y in range(4, 356, 9) for x in range(-99, 104, 9)], float)
    places = places[plate.contains(places)]
    places = places[plate.edge_distance_mm(places) > 7.0]
    cents = sum(bump(places, x, 110.0, 170.0, 40.0) for x in (-45.0, 45.0))
    cents = cents + bump(places, 10.0, 240.0, -170.0, 40.0) + noise(places, 12.0, 5)
    doubt = np.full(len(cents), 12.0)
    found = taken_apart(places, cents, doubt, plate, error_length_mm=10.0).patches
    high = sorted(p.x_mm for p in found if p.height_cents > 0)
    assert high == pytest.approx([-45.0, 45.0], abs=8.0)
    assert [p.y_mm for p in found if p.height_cents < 0] == pytest.approx([240.0], abs=8.0)


def test_map_is_against_its_own_middle_and_names_its_target(graded_scan: ScanRecord) -> None:
    _, places = graded_scan.tap_places()
    made = tone_map(graded_scan, made_tone(graded_scan, places[:, 1] * 2.0))
    assert np.median(made.tone_cents) == pytest.approx(0.0, abs=1e-9)
    assert made.target == "smooth graduation"
    assert np.abs(made.excess_cents).max() < 1.0
    flat = tone_map(graded_scan, made_tone(graded_scan, places[:, 1] * 2.0), "flat")
    assert flat.excess_cents == pytest.approx(flat.tone_cents)
    low, high = np.quantile(flat.tone_cents, [0.05, 0.95])
    assert flat.evenness_cents == pytest.approx(high - low)
    assert flat.evenness_low_cents <= flat.evenness_cents <= flat.evenness_high_cents


def test_zones_are_found_and_ordered_from_the_middle_outwards(graded_scan: ScanRecord) -> None:
    _, places = graded_scan.tap_places()
    cents = (
        bump(places, -10.0, 150.0, 220.0)
        + bump(places, 30.0, 290.0, 220.0)
        + bump(places, 40.0, 80.0, 220.0)
        + noise(places, 15.0, 2)
    )
    found = work_order(tone_map(graded_scan, made_tone(graded_scan, cents)), graded_scan)
    assert [zone.rank for zone in found.zones] == [1, 2, 3]
    centres = np.array([(z.x_mm, z.y_mm) for z in found.zones])
    assert np.hypot(*(centres[0] - [-10.0, 150.0])) < 12.0
    start = np.array(found.starting_spot_mm)
    assert np.all(np.diff(np.hypot(*(centres - start).T)) > 0)
    assert np.hypot(*(start - [-10.0, 150.0])) < 20.0
    assert found.starting_spot_reason
    assert all(zone.confidence >= 0.95 and zone.taps for zone in found.zones)


def test_noise_alone_makes_no_zone(graded_scan: ScanRecord) -> None:
    _, places = graded_scan.tap_places()
    claimed = 0
    for seed in range(12):
        cents = noise(places, 25.0, 100 + seed)
        made = tone_map(graded_scan, made_tone(graded_scan, cents, sd=25.0))
        order = work_order(made, graded_scan)
        claimed += bool(order.zones)
        if not order.zones:
            assert "Even within what this rig can tell" in order.sentence
    assert claimed <= 2  # 5 % of 12, with room for luck


def test_chance_of_peaks_is_calibrated() -> None:
    places = np.array([(x, y) for x in range(0, 100, 10) for y in range(0, 100, 10)], float)
    covariance = error_covariance(places, np.full(100, 3.0), 12.0)
    chance = chance_of_peaks(covariance, two_sided=True, rng=np.random.default_rng(1))
    covariance[np.diag_indices(100)] += 1e-6
    draws = np.random.default_rng(2).standard_normal((800, 100)) @ np.linalg.cholesky(covariance).T
    level = np.quantile(chance.draws, 0.95)
    over = np.mean(np.abs(draws / 3.0).max(axis=1) > level)
    assert over == pytest.approx(0.05, abs=0.025)
    assert chance.confidence(0.0) == 0.0
    assert chance.confidence(10.0) > 0.999


def test_even_plate_by_wave_fit_has_no_zone() -> None:
    plate = thin_plate.solve(thin_plate.even(3.4))
    for seed in (21, 22):
        scan = thin_plate.scan(plate, thin_plate.grid_places(plate), seed)
        made = tone_map(scan, wave_fit(scan))
        assert work_order(made, scan).zones == ()


def test_surface_reaches_all_wood_and_nothing_else(graded_scan: ScanRecord) -> None:
    _, places = graded_scan.tap_places()
    cents = places[:, 0] * 1.5 + 40 * np.sin(places[:, 1] / 40.0)
    made = tone_map(graded_scan, made_tone(graded_scan, cents, sd=5.0))
    drawn = surface(made, graded_scan.outline, 2.0)
    assert drawn.cents.shape == (len(drawn.y_mm), len(drawn.x_mm))
    grid = np.stack(np.meshgrid(drawn.x_mm, drawn.y_mm), axis=-1).reshape(-1, 2)
    wood = graded_scan.outline.contains(grid).reshape(drawn.cents.shape)
    assert np.array_equal(np.isfinite(drawn.cents), wood)
    truth = (grid[:, 0] * 1.5 + 40 * np.sin(grid[:, 1] / 40.0)).reshape(wood.shape)
    truth = truth - np.median(cents)
    inner = wood & (graded_scan.outline.edge_distance_mm(grid).reshape(wood.shape) > 8)
    left = np.abs(drawn.cents - truth)[inner]
    assert np.quantile(left, 0.99) < 8.0
    assert left.max() < 30.0  # at the corners, beyond the last tap
    assert np.all(drawn.sd_cents[wood] > 0)


def test_surface_carries_nothing_across_a_sound_hole() -> None:
    outline = violin_outline(sound_holes=True)
    hole = outline.holes[0]
    y = float(np.median(hole[:, 1]))
    x = float(np.mean(hole[np.abs(hole[:, 1] - y) < 3, 0]))
    across, along = np.meshgrid(np.arange(-90, 91, 9.0), np.arange(15, 345, 9.0))
    places = np.column_stack([across.ravel(), along.ravel()])
    places = places[outline.contains(places) & (outline.edge_distance_mm(places) > 4)]
    near = np.abs(places[:, 1] - y) < 25
    cents = np.where(near & (places[:, 0] < x) & (places[:, 0] > x - 30), 200.0, 0.0)
    from rig.field.surface import spread_out

    drawn = spread_out(places, cents, np.full(len(places), 5.0), outline)
    row = int(np.argmin(np.abs(drawn.y_mm - y)))
    left = drawn.cents[row, int(np.argmin(np.abs(drawn.x_mm - (x - 8))))]
    right = drawn.cents[row, int(np.argmin(np.abs(drawn.x_mm - (x + 8))))]
    assert left > 140.0
    assert right < 40.0


def test_averages_do_not_cross_a_sound_hole() -> None:
    outline = violin_outline(sound_holes=True)
    middle = outline.holes[0].mean(axis=0)
    places = middle + np.array([[-9.0, 0.0], [9.0, 0.0]])
    weights = averaging_weights(places, places[:1], outline, fwhm_mm=28.0)
    assert weights[0] == pytest.approx([1.0, 0.0])


def test_connected_regions() -> None:
    places = np.array([(0, 0), (9, 0), (40, 0), (49, 0), (90, 0)], float)
    found = connected(places, np.array([True, True, True, True, False]), 10.0)
    assert sorted(sorted(region.tolist()) for region in found) == [[0, 1], [2, 3]]


class TestSingleTapReadings:
    values: ClassVar[tuple[float, ...]] = (1000.0, 1100.0, 1200.0)

    def scan(self, graded_scan: ScanRecord, **fields: object) -> ScanRecord:
        strikes = []
        for i, s in enumerate(graded_scan.strikes[:90]):
            strikes.append(replace(s, reading=reading(1000.0 + i, 0.4 - 0.001 * i)))
        return replace(graded_scan, strikes=tuple(strikes))

    def test_attack_and_contact_rise_with_what_was_read(self, graded_scan: ScanRecord) -> None:
        scan = self.scan(graded_scan)
        assert np.all(np.diff(attack_tone(scan).tone_hz) > 0)
        assert np.all(np.diff(contact_tone(scan).tone_hz) > 0)

    def test_one_strike_per_tap_has_no_repeatability_and_says_so(
        self, graded_scan: ScanRecord
    ) -> None:
        tone = attack_tone(self.scan(graded_scan))
        assert tone.repeatability_cents is None
        assert any("One strike per tap" in reason for reason in tone.reasons)

    def test_repeats_give_a_repeatability(self, graded_scan: ScanRecord) -> None:
        rng = np.random.default_rng(4)
        strikes = [
            replace(s, repeat=r, reading=reading(1000.0 * 2 ** (rng.normal(0, 20) / 1200)))
            for s in graded_scan.strikes[:100]
            for r in range(3)
        ]
        tone = attack_tone(replace(graded_scan, strikes=tuple(strikes)))
        assert tone.repeatability_cents == pytest.approx(20.0 / np.sqrt(3), rel=0.15)

    def test_missing_readings_are_refused(self, graded_scan: ScanRecord) -> None:
        for read in (attack_tone, contact_tone, rebound_tone):
            with pytest.raises(AnalysisError):
                read(graded_scan)

    def test_coarse_grid_falls_back_to_attack_and_says_why(self, graded_scan: ScanRecord) -> None:
        scan = self.scan(graded_scan)
        few = replace(scan, strikes=scan.strikes[:30])
        tone = tap_tone(few)
        assert tone.reading == "attack"
        assert "Only 30 taps" in tone.reasons[0]

    def test_rebound_tells_a_stiffer_place_by_a_livelier_hammer(
        self, graded_scan: ScanRecord
    ) -> None:
        strikes = [
            replace(s, clip=replace(s.clip, rebound_ratio=0.1 + 0.004 * i, strike_speed_m_s=0.5))
            for i, s in enumerate(graded_scan.strikes[:60])
        ]
        tone = rebound_tone(replace(graded_scan, strikes=tuple(strikes)))
        assert np.all(np.diff(tone.tone_hz) > 0)


def test_no_zone_is_claimed_from_attack(graded_scan: ScanRecord) -> None:
    """What a listener hears at once does not tell where wood is thick."""
    strikes = tuple(
        replace(s, reading=reading(attack_hz=2000.0 + 5.0 * s.x_mm)) for s in graded_scan.strikes
    )
    scan = replace(graded_scan, strikes=strikes)
    order = work_order(tone_map(scan, attack_tone(scan)), scan)
    assert order.zones == ()
    assert "attack tells what a listener hears" in order.sentence
