"""Sounds made ready for a listener: as strong, long and high as is said of them, and no click."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from tone_sounds import BAR, RATE_HZ, strike

from rig.tone.listening import (
    CENTRE_HZ,
    PEAK,
    SLOWER,
    WIDER,
    cut,
    faded,
    joined,
    level_db,
    levelled,
    made_for_ear,
    ratios,
    slowed,
    transposed,
    what_is_done,
)


def _tone(hz: float, length_s: float = 0.6, size: float = 0.3) -> NDArray[np.float64]:
    return size * np.sin(2 * np.pi * hz * np.arange(round(length_s * RATE_HZ)) / RATE_HZ)


def _hz(sound: NDArray[np.float64]) -> float:
    """Frequency of the strongest partial, from the turn of its phase between two halves."""
    middle = sound[len(sound) // 8 : -len(sound) // 8]
    size = len(middle) // 2
    window = np.hanning(size)
    first, second = (np.fft.rfft(window * part) for part in (middle[:size], middle[1 : size + 1]))
    peak = int(np.argmax(np.abs(first)))
    around = slice(peak - 1, peak + 2)
    turn = np.angle(np.sum(second[around] * np.conj(first[around])))
    return float(turn * RATE_HZ / (2 * np.pi))


def _cents(hz: float, wanted_hz: float) -> float:
    return 1200 * float(np.log2(hz / wanted_hz))


def test_a_square_wave_of_one_second_is_0_db_by_energy() -> None:
    # at 1 kHz the A curve is 0 dB by definition; a sine of amplitude 1 carries half the power
    assert level_db(_tone(1000.0, 1.0, 1.0), RATE_HZ) == pytest.approx(-3.01, abs=0.02)
    assert level_db(np.zeros(500), RATE_HZ) is None


def test_levels_are_equal_within_a_tenth_of_a_decibel() -> None:
    sounds = [strike(BAR, seed=n) * size for n, size in enumerate((1.0, 0.01, 0.2))]
    for way in ("as recorded", "slowed", "centred", "widened"):
        made = made_for_ear(sounds, [440.0, 480.0, None], RATE_HZ, way)
        levels = [level_db(sound, RATE_HZ) for sound in made]
        assert None not in levels
        assert np.ptp(np.array(levels, dtype=float)) < 0.1
        assert max(float(np.max(np.abs(sound))) for sound in made) == pytest.approx(PEAK)


def test_silence_stays_silent_and_hurts_nobody() -> None:
    quiet, loud = levelled([np.zeros(1000), _tone(500.0)], RATE_HZ)
    assert not quiet.any()
    assert float(np.max(np.abs(loud))) == pytest.approx(PEAK)
    assert len(levelled([np.zeros(0)], RATE_HZ)[0]) == 0


@pytest.mark.parametrize("hz", [196.0, 440.0, 1646.0])
def test_slowed_is_longer_at_the_same_pitch(hz: float) -> None:
    made = slowed(_tone(hz), SLOWER)
    assert len(made) == round(0.6 * RATE_HZ * SLOWER)
    assert abs(_cents(_hz(made), hz)) < 0.5
    middle = made[len(made) // 4 : -len(made) // 4]
    assert float(np.sqrt(np.mean(middle**2))) == pytest.approx(0.3 / np.sqrt(2), rel=0.03)


@pytest.mark.parametrize("ratio", [0.3645, 0.5, 1.37])
def test_transposed_by_just_the_ratio_said(ratio: float) -> None:
    made = transposed(_tone(880.0), ratio)
    assert abs(_cents(_hz(made), 880.0 * ratio)) < 0.1
    assert len(made) == pytest.approx(0.6 * RATE_HZ / ratio, abs=2)


def test_centred_keeps_differences_and_widened_makes_them_three_times_as_large() -> None:
    pitches = [1500.0, 1600.0, 1700.0]
    middle = float(np.exp(np.mean(np.log(pitches))))
    for way, factor in (("centred", 1.0), ("widened", WIDER)):
        heard = [r * hz for r, hz in zip(ratios(pitches, way), pitches, strict=True)]
        for got, hz in zip(heard, pitches, strict=True):
            assert _cents(got, CENTRE_HZ) == pytest.approx(factor * _cents(hz, middle))
    assert ratios([None, None], "widened") == [1.0, 1.0]
    assert ratios([1000.0, None], "centred")[1] == pytest.approx(CENTRE_HZ / 1000.0)
    assert max(ratios([10.0, 10000.0], "widened")) <= 8.0
    with pytest.raises(ValueError, match="transposed"):
        transposed(_tone(440.0), 0.01)


def test_joined_without_clicks_and_with_the_gaps_asked_for() -> None:
    parts = [faded(_tone(440.0, 0.2) + 0.2, RATE_HZ) for _ in range(3)]
    made = joined(parts, RATE_HZ, 0.25)
    # the steepest step of the tone itself (2π·440/48000·0.3), with room for the fades
    assert np.max(np.abs(np.diff(made.wave))) < 0.03
    assert len(made.wave) == 3 * round(0.2 * RATE_HZ) + 4 * round(0.25 * RATE_HZ)
    for n, (start, end) in enumerate(made.spans_s):
        assert start == pytest.approx(0.25 + n * 0.45)
        assert end - start == pytest.approx(0.2)
        sample = round(start * RATE_HZ)
        assert made.wave[sample] == 0.0
        assert not made.wave[sample - 100 : sample].any()


def test_cut_begins_just_before_the_blow_and_ends_in_silence() -> None:
    made = cut(strike(BAR, before_s=0.2), RATE_HZ, 0.2)
    assert len(made) == round(0.36 * RATE_HZ)
    assert made[0] == 0.0
    assert abs(made[-1]) < 1e-3
    onset = int(np.argmax(np.abs(made) > 0.1))
    assert onset / RATE_HZ == pytest.approx(0.010, abs=0.001)
    assert len(cut(np.zeros(0), RATE_HZ, None)) == 0


def test_what_is_done_is_said_with_its_numbers() -> None:
    pitches = [1600.0, 1700.0]
    assert "As recorded" in what_is_done(pitches, "as recorded")
    assert "3 times the length at the pitch" in what_is_done(pitches, "slowed")
    centred = what_is_done(pitches, "centred")
    assert "from about 1649 to 600 Hz" in centred
    assert "2.7 times as long" in centred
    assert "3 times as large" in what_is_done(pitches, "widened")
    assert "No pitch is known" in what_is_done([None], "centred")
