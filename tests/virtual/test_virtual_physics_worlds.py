"""Worlds by name, the struck voice, the truth and the developers' quick scan."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.model.errors import UnknownWorldError
from rig.model.frames import Pose
from rig.virtual.quick_scan import grid_places, virtual_scan_record
from rig.virtual.truth import truth, write_truth
from rig.virtual.voice import PlateVoice
from rig.virtual.worlds import WORLD_NAMES, build_voice, wood_seed, world_spec

SPOTS = np.array([(-47.0, 88.0), (10.0, 170.0), (40.0, 290.0), (70.0, 60.0)])


@pytest.fixture(scope="module")
def voice() -> PlateVoice:
    return build_voice(world_spec("maple-graded"), 1)


@pytest.fixture(scope="module")
def inner_voice() -> PlateVoice:
    return build_voice(world_spec("maple-graded"), 1, face="inner")


def test_every_world_can_be_named_and_describes_itself() -> None:
    assert {"maple-graded", "maple-regraduated", "maple-even", "spruce-top", "faulty-rig"} <= set(
        WORLD_NAMES
    )
    for name in WORLD_NAMES:
        spec = world_spec(name)
        assert spec.name == name
        assert spec.title
        assert spec.description.endswith(".")


def test_unknown_world_names_the_nearest_and_lists_all() -> None:
    with pytest.raises(UnknownWorldError) as caught:
        world_spec("mapel-graded")
    assert "Did you mean 'maple-graded'?" in str(caught.value)
    assert all(name in str(caught.value) for name in WORLD_NAMES)


def test_plates_lie_on_the_bed_whichever_face_is_up() -> None:
    for name in WORLD_NAMES:
        spec = world_spec(name)
        for face in ("outer", "inner"):
            bed = spec.pose(face).to_bed(spec.plate.outline.rim)  # type: ignore[arg-type]
            assert bed.min() > 60.0
            assert bed[:, 0].max() < 440.0
            assert bed[:, 1].max() < 540.0


def test_regraduated_is_the_same_wood_with_one_zone_gone_and_laid_elsewhere() -> None:
    before, after = world_spec("maple-graded"), world_spec("maple-regraduated")
    assert wood_seed(before, 7) == wood_seed(after, 7)
    assert wood_seed(before, 7) != wood_seed(before, 8)
    assert wood_seed(world_spec("maple-even"), 7) != wood_seed(before, 7)
    places = grid_places(before.plate.outline, 5.0)
    change = after.plate.thickness_mm(places) - before.plate.thickness_mm(places)
    deepest = places[np.argmin(change)]
    (carve,) = after.carved
    assert np.hypot(*(deepest - [carve.x_mm, carve.y_mm])) < 5.0
    assert change.min() == pytest.approx(-0.45, abs=0.01)
    assert np.all(np.abs(change[np.hypot(*(places - deepest).T) > 75.0]) < 0.01)
    old, new = before.outer_pose, after.outer_pose
    assert np.hypot(new.x_mm - old.x_mm, new.y_mm - old.y_mm) == pytest.approx(15.0, abs=0.1)
    assert new.angle_deg - old.angle_deg == pytest.approx(4.0)


def test_truth_says_where_wood_is_too_thick(tmp_path: Path) -> None:
    spec = world_spec("maple-graded")
    for zone in spec.planted:
        around = np.array([
            (zone.x_mm + 60 * np.cos(a), zone.y_mm + 60 * np.sin(a))
            for a in np.linspace(0, 6.28, 12)
        ])  # fmt: skip
        around = around[spec.plate.outline.contains(around)]
        middle = truth(spec, 1, np.array([[zone.x_mm, zone.y_mm]]))
        assert middle["tone"][0] > truth(spec, 1, around)["tone"].mean() + 80.0
    smooth = truth(world_spec("maple-even"), 1, SPOTS)
    assert not smooth["planted"]
    write_truth(spec, 1, tmp_path / "truth.json")
    stored = json.loads((tmp_path / "truth.json").read_text())
    assert len(stored["planted"]) == 4
    assert len(stored["points"]) > 1500
    assert abs(np.median([p["tone_cents"] for p in stored["points"]])) < 1.0


def test_ten_percent_more_thickness_is_165_cents() -> None:
    spec = world_spec("maple-even")
    grade = spec.plate.graduation
    thicker = replace(grade, middle_mm=1.1 * grade.middle_mm, edge_mm=1.1 * grade.edge_mm)
    other = replace(spec, plate=replace(spec.plate, graduation=thicker))
    thin, thick = (truth(world, 1, SPOTS)["tone_hz"] for world in (spec, other))
    np.testing.assert_allclose(1200 * np.log2(thick / thin), 165.0, atol=0.05)


def test_strikes_repeat_exactly_with_the_same_draws_and_scatter_otherwise(
    voice: PlateVoice,
) -> None:
    a = voice.strike(10.0, 170.0, 0.5, np.random.default_rng(3))
    b = voice.strike(10.0, 170.0, 0.5, np.random.default_rng(3))
    c = voice.strike(10.0, 170.0, 0.5, np.random.default_rng(4))
    np.testing.assert_array_equal(a.mic, b.mic)
    assert a.true_speed_m_s != c.true_speed_m_s
    rng = np.random.default_rng(5)
    many = [voice.strike(10.0, 170.0, 0.5, rng) for _ in range(120)]
    offsets = np.array([s.place_mm for s in many]) - [10.0, 170.0]
    assert offsets.std() == pytest.approx(0.3, rel=0.2)
    assert np.std([s.true_speed_m_s for s in many]) == pytest.approx(0.025, rel=0.25)


def test_light_hard_strike_is_plausible(voice: PlateVoice) -> None:
    """Contact about 0.2 ms, rebound between 0 and 1, energy never gained, sound after its way."""
    for x, y in SPOTS:
        sound = voice.strike(float(x), float(y), 0.5, None)
        assert sound.pickup is not None
        assert sound.rebound_speed_m_s is not None
        assert 1.2e-4 < sound.contacts_s[0][1] < 3e-4
        assert 0.0 < sound.rebound_speed_m_s < 0.5
        mass = voice.spec.hammer.mass_kg
        assert sound.impulse_n_s == pytest.approx(mass * (0.5 + sound.rebound_speed_m_s), rel=0.03)
        mic_x, mic_y, mic_z = voice.microphone_mm
        away_m = np.sqrt((mic_x - x) ** 2 + (mic_y - y) ** 2 + (mic_z - 20.0) ** 2) * 1e-3
        first = int(away_m / 343.4 * 48_000)
        assert np.abs(sound.mic[: first - 8]).max() < 0.08 * np.abs(sound.mic).max()


def test_the_spectrum_rings_at_the_plate_s_own_modes(voice: PlateVoice) -> None:
    sound = voice.strike(10.0, 170.0, 0.5, None)
    ring = sound.mic[2400:] * np.hanning(len(sound.mic) - 2400)
    spectrum = np.abs(np.fft.rfft(ring, 2**17))
    hz = np.fft.rfftfreq(2**17, 1 / 48_000)
    band = (hz > 120) & (hz < 900)
    strongest = hz[band][np.argmax(spectrum[band])]
    assert np.min(np.abs(voice.frequencies_hz - strongest)) < 3.0


def test_shorter_contact_and_livelier_rebound_where_the_plate_is_stiffer(
    voice: PlateVoice,
) -> None:
    """Common practice, no source: the hammer springs back better off thicker wood."""
    places = grid_places(voice.outline, 24.0, 25.0)
    tone = truth(voice.spec, 1, places)["tone"]
    rebound = [voice.strike(float(x), float(y), 0.5, None).rebound_speed_m_s for x, y in places]
    assert np.corrcoef(tone, np.array(rebound, dtype=float))[0, 1] > 0.85


def test_both_faces_are_one_plate_heard_from_two_sides(
    voice: PlateVoice, inner_voice: PlateVoice
) -> None:
    np.testing.assert_array_equal(voice.frequencies_hz, inner_voice.frequencies_hz)
    np.testing.assert_array_equal(voice.shapes_at(SPOTS), inner_voice.shapes_at(SPOTS))
    outer = voice.strike(10.0, 170.0, 0.5, None)
    inner = inner_voice.strike(10.0, 170.0, 0.5, None)
    assert voice.microphone_mm[0] == pytest.approx(-inner_voice.microphone_mm[0])
    assert outer.pickup is not None
    assert inner.pickup is not None
    assert outer.pickup.max() == pytest.approx(inner.pickup.max(), rel=0.25)
    assert outer.pickup.max() != pytest.approx(inner.pickup.max(), rel=1e-6)


def test_a_moved_plate_hears_the_microphone_from_elsewhere(voice: PlateVoice) -> None:
    moved = build_voice(voice.spec, 1, pose=Pose(262.0, 113.5, 4.0, "outer"))
    np.testing.assert_array_equal(voice.frequencies_hz, moved.frequencies_hz)
    assert np.hypot(*(np.array(moved.microphone_mm[:2]) - voice.microphone_mm[:2])) > 5.0
    assert not np.allclose(
        voice.strike(0.0, 100.0, 0.5, None).mic, moved.strike(0.0, 100.0, 0.5, None).mic
    )


@pytest.mark.parametrize("pickup", [True, False])
def test_quick_scan_makes_clips_as_a_rig_would(voice: PlateVoice, pickup: bool) -> None:
    del voice  # solved by then
    scan = virtual_scan_record(
        "maple-graded", 1, places_mm=SPOTS, repeats=2, pickup=pickup, strike_seed=4
    )
    assert len(scan.strikes) == 8
    assert scan.tap_places()[0] == [0, 1, 2, 3]
    for strike in scan.strikes:
        clip = strike.clip
        assert clip.samples.dtype == np.int32
        assert clip.samples.shape == (15_360, 2 if pickup else 1)
        level = 20 * np.log10(np.abs(clip.mic).max())
        assert -24.0 < level < -11.0
        floor = np.std(clip.mic[:900])
        assert 38.0 < level - 20 * np.log10(floor) < 62.0
        if clip.pickup is not None:
            onset = np.flatnonzero(clip.pickup > 0.3 * clip.pickup.max())[0] / 48_000
            assert onset == pytest.approx(0.028, abs=0.0015)
    other = virtual_scan_record("maple-graded", 1, places_mm=SPOTS, strike_seed=5)
    assert not np.array_equal(other.strikes[0].clip.samples, scan.strikes[0].clip.samples)


def test_world_without_pickup_and_gate_has_neither() -> None:
    scan = virtual_scan_record("maple-graded-no-pickup", 1, places_mm=SPOTS[:1])
    assert scan.strikes[0].clip.pickup is None
    assert scan.strikes[0].clip.strike_speed_m_s is None
    assert scan.strikes[0].clip.rebound_ratio is None
