"""Film and sound on one clock, and noise pitch laid on its places; paths come from the virtual
hand, no camera between."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import spearmanr

from rig.field.hand_scratch import placed_noise, scratch_map
from rig.field.hand_ties import Clock, HandPath, rests_at, tie
from rig.model.errors import AnalysisError
from rig.virtual.hand_stroke import HandMotion, hand_motion, lines_over
from rig.virtual.shapes import violin_outline

OUTLINE = violin_outline()
SPOTS = ((-60.0, 60.0), (45.0, 300.0))
BEGIN_S, RATE = 0.45, 1.0006  # of the recorder on the hand's clock
STEP_S = 0.02


def tone(places: np.ndarray) -> np.ndarray:
    return 200.0 * np.sin(places[:, 0] / 28.0) + 150.0 * np.cos(places[:, 1] / 50.0)


@pytest.fixture(scope="module")
def motion() -> HandMotion:
    lines = lines_over(OUTLINE, 22.0) + lines_over(OUTLINE, 40.0, along=True)
    return hand_motion(lines, SPOTS, np.random.default_rng(1))


def film(motion: HandMotion, *, pictures_per_s: float = 25.0, beside=(3.0, -4.0),
         lift_seen: float = 0.6) -> HandPath:  # fmt: skip
    """What a slanting camera would see: the lift as a shift, the marker beside the tool."""
    time = np.arange(0.0, motion.time_s[-1] - 0.1, 1.0 / pictures_per_s)
    place = np.column_stack([np.interp(time, motion.time_s, motion.place_mm[:, k])
                             for k in (0, 1)])  # fmt: skip
    lift = np.interp(time, motion.time_s, motion.lift_mm)
    rng = np.random.default_rng(2)
    place = place + np.array(beside) + lift_seen * lift[:, None] * [0.3, 0.95]
    return HandPath(time, place + rng.normal(0.0, 0.2, place.shape), 0.2)


def sound(motion: HandMotion, *, exponent: float = 0.0, stroke_cents: float = 25.0):
    """Frames of a recorder that began later: time, pitch, sd, sounding, knocks."""
    time = np.arange(0.02, (motion.time_s[-1] - BEGIN_S) / RATE - 0.05, STEP_S)
    true = BEGIN_S + RATE * time
    at = np.clip(np.searchsorted(motion.time_s, true), 0, len(motion.time_s) - 1)
    rng = np.random.default_rng(3)
    own = rng.normal(0.0, stroke_cents, motion.stroke.max() + 1)
    cents = tone(motion.place_mm[at]) + own[np.maximum(motion.stroke[at], 0)]
    cents += rng.normal(0.0, 40.0, len(time))
    speed = np.maximum(motion.speed_mm_s[at], 5.0)
    pitch = 2500.0 * 2.0 ** (cents / 1200.0) * (speed / 100.0) ** exponent
    sounding = motion.touching[at]
    knocks = np.array([(k - BEGIN_S) / RATE for k in motion.knocks_s])
    return time, np.where(sounding, pitch, np.nan), np.full(len(time), 40.0), sounding, knocks


def test_the_clock_is_found_among_other_knocks(motion):
    path = film(motion)
    time, _, _, sounding, knocks = sound(motion)
    strays = np.array([3.1, 7.7, 12.4, 20.2, 33.3])
    clock = tie(path, SPOTS, np.concatenate([knocks[::-1], strays]), time, sounding)
    assert isinstance(clock, Clock), clock
    assert clock.seen_dips == 2
    for at in (knocks[0], 20.0, knocks[1]):
        error = float(clock.film_time(np.array([at]))[0]) - (BEGIN_S + RATE * at)
        assert abs(error) < 0.035  # less than one picture (0.04 s)
    np.testing.assert_allclose(clock.offset_mm, [-3.0, 4.0], atol=0.3)
    assert clock.offsets_apart_mm < 0.5
    assert clock.fit > 0.95


def test_a_camera_from_straight_above_sees_no_dip(motion):
    path = film(motion, lift_seen=0.0)
    time, _, _, sounding, knocks = sound(motion)
    clock = tie(path, SPOTS, knocks, time, sounding)
    assert isinstance(clock, Clock), clock
    assert clock.seen_dips == 0
    assert clock.rate == 1.0
    error = float(clock.film_time(np.array([knocks[0]]))[0]) - motion.knocks_s[0]
    assert abs(error) < 3.0 * clock.sd_s
    assert clock.sd_s > 0.1


def test_what_does_not_belong_together_is_refused(motion):
    path = film(motion)
    time, _, _, sounding, knocks = sound(motion)
    elsewhere = ((-60.0, 60.0), (-70.0, 330.0))
    assert "never stands still" in str(tie(path, elsewhere, knocks, time, sounding))
    assert "two are needed" in str(tie(path, SPOTS, knocks[:1], time, sounding))
    other_gap = np.array([knocks[0], knocks[1] - 4.0])
    assert "No two knocks" in str(tie(path, SPOTS, other_gap, time, sounding))
    # scratching heard while the marker rests, and silence while it moves
    assert "do not belong together" in str(tie(path, SPOTS, knocks, time, ~sounding))


def test_rests_need_a_marker_that_stands(motion):
    path = film(motion)
    assert len(rests_at(path, SPOTS[0])) >= 2
    moving = replace(path, place_mm=path.place_mm + 40.0 * path.time_s[:, None])
    assert rests_at(moving, SPOTS[0]) == []
    short = HandPath(path.time_s[:2], path.place_mm[:2], 0.2)
    assert rests_at(short, SPOTS[0]) == []


def placed(motion, path=None, **how):
    path = path or film(motion)
    time, pitch, sd, sounding, knocks = sound(motion, **how)
    clock = tie(path, SPOTS, knocks, time, sounding)
    assert isinstance(clock, Clock), clock
    return placed_noise(path, clock, time, pitch, sd, sounding, OUTLINE)


def test_the_map_follows_the_plate_and_knows_its_doubt(motion):
    made = scratch_map(placed(motion), OUTLINE, source="rub.wav")
    true = tone(np.asarray(made.places_mm))
    true -= np.median(true)
    assert made.unit == "cents"
    assert len(made.value) > 120
    assert spearmanr(made.value, true)[0] > 0.95
    z = (made.value - true) / made.sd
    assert 0.6 < np.sqrt(np.mean(z**2)) < 1.5
    assert made.notes == ()


def test_a_fast_stroke_is_no_high_place(motion):
    plain = scratch_map(placed(motion), OUTLINE, source="a")
    fast = scratch_map(placed(motion, exponent=0.35), OUTLINE, source="a")
    assert "twice as fast" in fast.notes[0]
    true = tone(np.asarray(fast.places_mm))
    assert np.std(fast.value - true) < 1.4 * np.std(plain.value - tone(np.asarray(plain.places_mm)))


def test_gaps_of_the_film_and_the_air_beside_the_plate_give_nothing(motion):
    path = film(motion)
    hidden = (path.time_s < 15.0) | (path.time_s > 19.0)
    gap = HandPath(path.time_s[hidden], path.place_mm[hidden], 0.2)
    found = placed(motion, gap)
    there = (found.time_s * RATE + BEGIN_S > 15.2) & (found.time_s * RATE + BEGIN_S < 18.8)
    assert not np.any(there)
    assert found.left_out > 100
    assert np.all(OUTLINE.contains(found.place_mm))
    time, pitch, sd, sounding, knocks = sound(motion)
    clock = tie(path, SPOTS, knocks, time, sounding)
    assert isinstance(clock, Clock)
    beside = replace(clock, offset_mm=np.array([600.0, 0.0]))
    with pytest.raises(AnalysisError, match="moving over the wood"):
        placed_noise(path, beside, time, pitch, sd, sounding, OUTLINE)


def test_too_little_scratching(motion):
    noise = placed(motion)
    few = replace(
        noise, time_s=noise.time_s[:8], place_mm=noise.place_mm[:8], cents=noise.cents[:8],
        sd_cents=noise.sd_cents[:8], speed_mm_s=noise.speed_mm_s[:8], stroke=noise.stroke[:8],
    )  # fmt: skip
    with pytest.raises(AnalysisError, match="spots of the plate"):
        scratch_map(few, OUTLINE, source="rub.wav")
    once = replace(
        noise, time_s=noise.time_s[:300], place_mm=noise.place_mm[:300], cents=noise.cents[:300],
        sd_cents=noise.sd_cents[:300], speed_mm_s=noise.speed_mm_s[:300],
        stroke=noise.stroke[:300],
    )  # fmt: skip
    assert "crossed twice" in " ".join(scratch_map(once, OUTLINE, source="a").notes)
