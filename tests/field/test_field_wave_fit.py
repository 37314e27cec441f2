"""The local wave fit against thin plates with known thickness."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import thin_plate
from scipy.stats import spearmanr

from rig.field import wave_fit
from rig.field.responses import tap_responses
from rig.field.wave_fit import WaveFitOptions, coarseness_reason, jackknife, lowest
from rig.model.errors import AnalysisError
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone


def errors(tone: TapTone, truth: np.ndarray) -> np.ndarray:
    left = 1200 * np.log2(tone.tone_hz) - truth
    return left - np.median(left)


def test_with_pickup_the_map_follows_thickness(
    graded_tone: TapTone, truth_cents: np.ndarray
) -> None:
    assert spearmanr(graded_tone.tone_hz, truth_cents).statistic > 0.985
    assert errors(graded_tone, truth_cents).std() < 50.0
    assert graded_tone.verdict == "good"


def test_standard_deviations_hold(graded_tone: TapTone, truth_cents: np.ndarray) -> None:
    z = errors(graded_tone, truth_cents) / graded_tone.sd_cents
    assert 0.5 < np.sqrt(np.mean(z**2)) < 1.4


def test_sound_alone_with_told_strikes(
    plate: thin_plate.ThinPlate, graded_scan: ScanRecord
) -> None:
    scan = thin_plate.scan(plate, thin_plate.grid_places(plate), 12, pickup=False)
    tone = wave_fit(scan)
    truth = plate.tone_cents(np.asarray(tone.places))
    assert spearmanr(tone.tone_hz, truth).statistic > 0.97
    assert tone.verdict == "use with care"


def test_hand_made_taps_at_irregular_places_with_unknown_onset(
    plate: thin_plate.ThinPlate,
) -> None:
    rng = np.random.default_rng(5)
    places = thin_plate.grid_places(plate, 10.0, 12.0)
    places = places + rng.uniform(-2.5, 2.5, places.shape)
    scan = thin_plate.scan(plate, places, 13, pickup=False, unknown_onset=True)
    assert scan.strikes[0].clip.strike_sample is None
    tone = wave_fit(scan)
    truth = plate.tone_cents(np.asarray(tone.places))
    assert spearmanr(tone.tone_hz, truth).statistic > 0.95


def test_a_mirrored_scan_gives_the_mirrored_map(
    graded_scan: ScanRecord, graded_tone: TapTone
) -> None:
    """Wood does not know left from right; neither may the reading."""
    mirror = np.array([-1.0, 1.0])
    outline = replace(graded_scan.outline, rim=(graded_scan.outline.rim * mirror)[::-1])
    x, y, z = graded_scan.microphone_xyz_mm or (0.0, 0.0, 200.0)
    turned = replace(
        graded_scan,
        outline=outline,
        microphone_xyz_mm=(-x, y, z),
        strikes=tuple(replace(s, x_mm=-s.x_mm) for s in graded_scan.strikes),
    )
    cents = 1200 * np.log2(wave_fit(turned).tone_hz / graded_tone.tone_hz)
    assert np.median(np.abs(cents)) < 4.0


def test_repeats_are_averaged(plate: thin_plate.ThinPlate) -> None:
    places = thin_plate.grid_places(plate, 12.0)
    scan = thin_plate.scan(plate, places, 14, repeats=2)
    responses = tap_responses(scan)
    assert responses.repeats == 2
    assert responses.halves is not None
    assert responses.spectrum == pytest.approx(responses.halves.mean(axis=0))


def test_strikes_called_superseded_are_not_read(graded_scan: ScanRecord) -> None:
    noise = np.random.default_rng(0)
    bad = []
    for s in graded_scan.strikes[::7]:
        samples = noise.integers(-(2**22), 2**22, s.clip.samples.shape).astype(np.int32)
        bad.append(replace(s, clip=replace(s.clip, samples=samples), superseded=True))
    both = replace(graded_scan, strikes=(*graded_scan.strikes, *bad))
    one, two = tap_responses(graded_scan), tap_responses(both)
    assert np.array_equal(one.spectrum, two.spectrum)


def test_time_zero_by_pickup_survives_late_and_early_pulses(
    graded_scan: ScanRecord,
) -> None:
    """The told moment only says where to look; the force pulse sets time zero."""
    strikes = []
    for i, s in enumerate(graded_scan.strikes):
        told = (s.clip.strike_sample or 0) + (i % 9) * 40 - 160
        strikes.append(replace(s, clip=replace(s.clip, strike_sample=told)))
    shifted = replace(graded_scan, strikes=tuple(strikes))
    one, two = tap_responses(graded_scan), tap_responses(shifted)
    assert two.spectrum == pytest.approx(one.spectrum)


def test_too_few_and_too_coarse_are_refused_with_the_reason(
    plate: thin_plate.ThinPlate, graded_scan: ScanRecord
) -> None:
    few = replace(graded_scan, strikes=graded_scan.strikes[:20])
    with pytest.raises(AnalysisError, match="Only 20 taps"):
        wave_fit(few)
    coarse = thin_plate.scan(plate, thin_plate.grid_places(plate, 20.0), 15)
    assert "20 mm apart" in (coarseness_reason(coarse) or "")


def test_clips_of_different_rates_are_refused(graded_scan: ScanRecord) -> None:
    odd = replace(graded_scan.strikes[0].clip, sample_rate_hz=44100)
    mixed = replace(
        graded_scan,
        strikes=(replace(graded_scan.strikes[0], clip=odd), *graded_scan.strikes[1:]),
    )
    with pytest.raises(AnalysisError, match="different sample rates"):
        wave_fit(mixed)


def test_a_scan_without_any_blow_is_refused(graded_scan: ScanRecord) -> None:
    silent = replace(
        graded_scan,
        strikes=tuple(
            replace(s, clip=replace(s.clip, samples=np.zeros_like(s.clip.samples)))
            for s in graded_scan.strikes
        ),
    )
    with pytest.raises(AnalysisError, match="clear blow"):
        wave_fit(silent)


def test_dead_strikes_do_not_spoil_their_neighbours(
    graded_scan: ScanRecord, truth_cents: np.ndarray
) -> None:
    rng = np.random.default_rng(3)
    dead = set(rng.choice(len(graded_scan.strikes), 12, replace=False).tolist())
    strikes = tuple(
        replace(s, clip=replace(s.clip, samples=np.zeros_like(s.clip.samples))) if i in dead else s
        for i, s in enumerate(graded_scan.strikes)
    )
    tone = wave_fit(replace(graded_scan, strikes=strikes))
    assert len(tone.taps) == len(strikes) - 12
    assert spearmanr(tone.tone_hz, truth_cents[list(tone.taps)]).statistic > 0.98


def test_options_reach_the_fit(graded_scan: ScanRecord) -> None:
    tone = wave_fit(graded_scan, options=WaveFitOptions(band_hz=(4000.0, 8000.0), refine=False))
    assert "4.0 and 8.0 kHz" in tone.reasons[0]
    assert tone.constants["along_across"] == pytest.approx(7.5)


def test_parabola_finds_the_bottom_between_steps() -> None:
    steps = np.arange(-5.0, 6.0)
    cost = (steps - np.array([[0.3], [-2.6]])) ** 2
    best, inside = lowest(cost, steps)
    assert best == pytest.approx([0.3, -2.6])
    assert inside.all()
    _, inside = lowest((steps - 9.0)[None] ** 2, steps)
    assert not inside.any()


def test_jackknife_of_independent_blocks_tells_their_scatter() -> None:
    rng = np.random.default_rng(2)
    steps = np.arange(-10.0, 11.0)
    true = rng.normal(0, 1.0, (8, 4000, 1))
    costs = (steps - true) ** 2
    _, sd, _ = jackknife(costs, steps)
    expected = 1200 * np.log2(1.025) / np.sqrt(8)
    assert np.sqrt(np.mean(sd**2)) == pytest.approx(expected, rel=0.05)
