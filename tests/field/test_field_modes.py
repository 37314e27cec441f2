"""Plate modes: odd scans, doubts, repeats, nodal lines, the verb's JSON and its sheet."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from rig.cli.answer import as_text
from rig.field.mode_surface import spline, zero_lines
from rig.field.plate_modes import common_places, in_phase, mac, matched, plate_modes
from rig.jobs.modes import ModesResult, draw_each, draw_modes
from rig.model.clip import Clip
from rig.model.errors import AnalysisError, UsageError
from rig.model.outline import Outline
from rig.model.plate_facts import PlateFacts
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord, Strike

RATE = 48_000
OUTLINE = Outline.checked(np.array([[0, 0], [200, 0], [200, 300], [0, 300]]))
PARTIALS = ((120.0, 0.08), (231.0, 0.06), (239.0, 0.06), (410.0, 0.04), (900.0, 0.02))
RING = tuple(RingPartial(hz, 0.05, decay_s, 0.0) for hz, decay_s in PARTIALS)


def shapes(xy: np.ndarray) -> np.ndarray:
    """Invented smooth shapes, one column for each of PARTIALS."""
    x, y = xy.T / np.array([[200.0], [300.0]])
    return np.column_stack(
        [(2 * x - 1) * (2 * y - 1), np.cos(np.pi * 2 * y), np.cos(np.pi * 2 * x),
         np.cos(np.pi * 3 * y) * (2 * x - 1), np.cos(np.pi * 3 * x) * np.cos(np.pi * 3 * y)]
    )  # fmt: skip


def grid(spacing: float = 20.0, shift: float = 0.0) -> np.ndarray:
    x, y = np.arange(10.0 + shift, 195.0, spacing), np.arange(10.0 + shift, 295.0, spacing)
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def made(
    places: np.ndarray, *, seed: int = 1, noise: float = 2e-4, repeats: int = 1,
    pickup: bool = True, seconds: float = 0.25, gain: float = 0.1, name: str = "S0001",
    place_sd_mm: float = 0.0, meter_sd: float = 0.0,
) -> ScanRecord:  # fmt: skip
    """Damped partials after a short pulse whose transform at each pole is known."""
    rng = np.random.default_rng(seed)
    n = np.arange(int(seconds * RATE))
    phases = np.array([0.3, 1.9, -2.2, 0.9, 2.8])
    strikes = []
    for tap, place in enumerate(places):
        for repeat in range(repeats):
            row = shapes(place[None] + rng.normal(0, place_sd_mm, 2))[0]
            moment = 960.0 + rng.uniform(-5, 5)
            strength = 1.0 + gain * rng.standard_normal()
            t = (n - moment) / RATE
            sound = np.zeros(len(n))
            for (hz, decay_s), phase, size in zip(PARTIALS, phases, row, strict=True):
                swing = np.exp(-t / decay_s) * np.cos(2 * np.pi * hz * t + phase)
                sound += 0.05 * strength * size * swing
            sound[n < moment] = 0.0
            sound += noise * rng.standard_normal(len(n))
            force = (
                0.4
                * strength
                * (1.0 + meter_sd * rng.standard_normal())
                * np.exp(-0.5 * ((n - moment) / 6.0) ** 2)
            )
            channels = np.column_stack([sound, force] if pickup else [sound])
            clip = Clip(
                np.round(channels * 2**23).astype(np.int32), RATE,
                pickup_channel=1 if pickup else None, strike_sample=960,
            )  # fmt: skip
            x, y = places[tap]
            strikes.append(Strike(len(strikes) + 1, tap, repeat, float(x), float(y), clip))
    return ScanRecord(
        name, "outer", "light", 20.0, OUTLINE, PlateFacts("panel"), tuple(strikes), simulated=True
    )


def likeness(shape: np.ndarray, true: np.ndarray) -> float:
    return float((shape @ true) ** 2 / (shape @ shape) / (true @ true))


def test_overlapping_partials_are_parted():
    found = plate_modes(made(grid()), RING)
    true = shapes(np.asarray(found.places))
    assert len(found.modes) == 5
    assert found.normalised == "force"
    for k, mode in enumerate(found.modes):
        assert likeness(mode.amplitude, true[:, k]) > 0.9995
        assert np.max(mode.amplitude) == pytest.approx(1.0)


def test_the_force_is_divided_out():
    scan = made(grid(), gain=0.3, noise=1e-5)
    found = plate_modes(scan, RING)
    true = shapes(np.asarray(found.places))
    for k, mode in enumerate(found.modes):
        assert likeness(mode.amplitude, true[:, k]) > 0.9998
    deaf = tuple(
        replace(s, clip=replace(s.clip, samples=s.clip.samples[:, :1], pickup_channel=None))
        for s in scan.strikes
    )
    without = plate_modes(replace(scan, strikes=deaf), RING)
    assert without.normalised == "nothing"
    assert likeness(without.modes[0].amplitude, true[:, 0]) < 0.98


def test_strike_speed_stands_in_for_the_force():
    scan = made(grid(), gain=0.2, pickup=False, noise=1e-5)
    rng = np.random.default_rng(1)
    told = []
    for strike in scan.strikes:
        rng.normal(0, 0.0, 2)
        rng.uniform(-5, 5)
        speed = 1.0 + 0.2 * rng.standard_normal()
        rng.standard_normal(len(strike.clip.samples))
        rng.standard_normal()
        told.append(replace(strike, clip=replace(strike.clip, strike_speed_m_s=speed)))
    found = plate_modes(replace(scan, strikes=tuple(told)), RING)
    assert found.normalised == "strike speed"
    true = shapes(np.asarray(found.places))
    assert likeness(found.modes[0].amplitude, true[:, 0]) > 0.999


@pytest.mark.parametrize("repeats", [1, 3])
def test_doubt_holds_in_noise(repeats):
    scan = made(grid(), noise=6e-3, repeats=repeats, seed=5, place_sd_mm=0.3, meter_sd=0.01)
    found = plate_modes(scan, RING)
    true = shapes(np.asarray(found.places))
    for k, mode in enumerate(found.modes[:4]):
        scaled = true[:, k] * (mode.amplitude @ true[:, k]) / (true[:, k] @ true[:, k])
        assert 0.7 < np.sqrt(np.mean(((mode.amplitude - scaled) / mode.sd) ** 2)) < 1.3


def test_a_weak_mode_is_seen_by_many_taps_together():
    """Noise as strong as the mode itself at every tap, yet the shape stands clear."""
    found = plate_modes(made(grid(12.0), noise=0.12, seed=4), RING)
    true = shapes(np.asarray(found.places))
    drawn = found.shape.at(np.asarray(found.places))
    mode = found.modes[0]
    assert mode.signal_to_noise_db < 9.0
    assert mode.quality == "good"
    assert likeness(drawn[:, 0], true[:, 0]) > 0.98 > likeness(mode.amplitude, true[:, 0])
    assert mode.in_phase_share > 0.95


def test_a_partial_that_is_not_there_gets_no_shape():
    ghost = RingPartial(620.0, 0.1, 0.05, -40.0)
    found = plate_modes(made(grid()), (*RING, ghost))
    assert [round(hz) for hz, _ in found.left_out] == [620]
    assert len(found.modes) == 5


def test_odd_scans_are_refused_with_their_reason():
    scan = made(grid())
    few = replace(scan, strikes=scan.strikes[:8])
    with pytest.raises(AnalysisError, match="8 taps"):
        plate_modes(few, RING)
    with pytest.raises(AnalysisError, match="No partial"):
        plate_modes(scan, ())
    with pytest.raises(AnalysisError, match="No partial"):
        plate_modes(scan, RING, highest_hz=100.0)
    odd = replace(scan.strikes[0], clip=replace(scan.strikes[0].clip, sample_rate_hz=44_100))
    with pytest.raises(AnalysisError, match="sample rates"):
        plate_modes(replace(scan, strikes=(odd, *scan.strikes[1:])), RING)
    quiet = tuple(
        replace(s, clip=replace(s.clip, samples=0 * s.clip.samples)) for s in scan.strikes
    )
    with pytest.raises(AnalysisError, match="clear blow"):
        plate_modes(replace(scan, strikes=quiet), RING)
    short = replace(
        scan.strikes[3].clip, samples=scan.strikes[3].clip.samples[:4000]
    )  # cut off early: left out, the others keep their length
    some = replace(scan, strikes=(*scan.strikes[:3], replace(scan.strikes[3], clip=short),
                                  *scan.strikes[4:]))  # fmt: skip
    assert len(plate_modes(some, RING).taps) == len(scan.strikes) - 1


def test_turning_into_phase():
    real = np.random.default_rng(3).normal(size=50)
    turned, aside = in_phase(real * np.exp(1.1j))
    assert likeness(turned, real) == pytest.approx(1.0)
    assert np.max(np.abs(aside)) < 1e-12
    circling = np.exp(2j * np.pi * np.arange(50) / 50)  # a travelling wave
    turned, aside = in_phase(circling)
    assert np.sum(turned**2) / 50 == pytest.approx(0.5, abs=0.02)


def test_likeness_of_scans_on_other_grids():
    one = plate_modes(made(grid()), RING)
    other = plate_modes(made(grid(23.0, 4.0), seed=8, name="S0002"), RING)
    for k, pair in enumerate(matched(one, other)):
        assert pair.partner == k
        assert pair.mac is not None
        assert pair.mac > 0.98
    assert mac(one, other, 1, 2) < 0.2
    assert len(common_places(one, other)) > 200
    left = plate_modes(made(grid()[grid()[:, 0] < 80.0]), RING)
    right = plate_modes(made(grid()[grid()[:, 0] > 130.0]), RING)
    assert np.isnan(mac(left, right, 0, 0))
    assert matched(left, right)[0].mac is None


def test_zero_lines_of_known_fields():
    places = grid(15.0)
    x, y = places.T
    values = np.column_stack([x - 80.0, np.hypot(x - 100.0, y - 150.0) - 60.0, x * 0 + 1.0])
    straight, round_, none = zero_lines(spline(places, values), OUTLINE)
    assert len(straight) == 1
    np.testing.assert_allclose(straight[0][:, 0], 80.0, atol=0.01)
    assert np.ptp(straight[0][:, 1]) > 296.0  # from edge to edge
    assert len(round_) == 1
    radius = np.hypot(round_[0][:, 0] - 100.0, round_[0][:, 1] - 150.0)
    np.testing.assert_allclose(radius, 60.0, atol=0.5)
    np.testing.assert_allclose(round_[0][0], round_[0][-1])  # closed
    assert none == ()


def test_zero_lines_end_at_sound_holes():
    hole = np.array([[90.0, 120.0], [110.0, 120.0], [110.0, 180.0], [90.0, 180.0]])
    holed = Outline.checked(np.asarray(OUTLINE.rim), (hole,))
    places = grid(15.0)
    (lines,) = zero_lines(spline(places, places[:, :1] - 100.0), holed)
    assert len(lines) == 2
    assert all(bool(np.all(holed.contains(line))) for line in lines)


def test_smoothing_follows_the_noise():
    places = grid(12.0)
    rng = np.random.default_rng(2)
    clean = shapes(places)[:, :3]
    loud = clean + rng.normal(0, 0.2, clean.shape)
    smooth = spline(places, loud).at(places)
    assert np.std(smooth - clean) < 0.5 * 0.2
    np.testing.assert_allclose(spline(places, clean).at(places), clean, atol=0.01)


def test_json_and_sheet(tmp_path):
    one = plate_modes(made(grid()), RING)
    other = plate_modes(made(grid(), seed=9, name="S0002"), RING)
    result = ModesResult(one, other, matched(one, other))
    contract = json.loads(as_text(result.as_json()))
    assert contract["scan"] == "S0001"
    assert contract["against"] == "S0002"
    first = contract["modes"][0]
    assert {"hz", "sd_hz", "decay_s", "in_phase_share", "points", "mac"} <= set(first)
    assert set(first["points"][0]) >= {"x_mm", "y_mm", "amplitude", "sd"}
    assert first["mac"] > 0.99
    assert json.loads(as_text(ModesResult(one).as_json()))["modes"][0]["mac"] is None
    sheet = tmp_path / "modes.svg"
    draw_modes(result, sheet)
    drawn = sheet.read_bytes()
    draw_modes(result, sheet)
    assert sheet.read_bytes() == drawn
    with pytest.raises(UsageError, match="picture"):
        draw_modes(result, tmp_path / "modes.doc")


def test_each_mode_has_a_picture_and_a_place_in_a_report(tmp_path):
    from rig.report.mode_figures import modes_pages
    from rig.report.sheet import BODY_MM

    one = plate_modes(made(grid()), RING)
    many = replace(one, modes=one.modes * 4)  # twenty modes need more than one page
    pages = modes_pages(many, "A4", [0.97] * 20, "S0002")
    assert len(pages) > 1
    words = [text.get_text() for page in pages for text in page.figure.texts]
    assert sum(word.endswith("Hz") and "±" not in word for word in words) == 20
    assert sum("S0002: 0.97" in word for word in words) == 20
    for page in pages:
        assert page.width_mm <= BODY_MM["A4"][0]
        assert page.height_mm <= BODY_MM["A4"][1]
    paths = draw_each(ModesResult(replace(one, modes=one.modes[:2])), tmp_path / "figures")
    assert [path.name for path in paths] == [
        "S0001-mode-01-120-Hz.png",
        "S0001-mode-02-231-Hz.png",
    ]
    assert all(path.stat().st_size > 20_000 for path in paths)


def test_sheet_says_what_it_shows():
    from rig.report.mode_figures import modes_sheet

    one = plate_modes(made(grid()), RING)
    sheet = modes_sheet(one, [0.99, None, 0.5, 0.9, 0.8], "S0002")
    words = [text.get_text() for text in sheet.figure.texts]
    assert "120.0 Hz" in words
    assert any("S0002: 0.99" in word for word in words)
    assert any("no partner" in word for word in words)
    assert "SIMULATED" in words
    for text in sheet.figure.texts:  # nothing runs off the sheet or into the scale bar
        box = text.get_window_extent()
        assert box.x0 >= 0
        assert box.x1 <= sheet.figure.bbox.x1
