"""Common practice of the trade, no source: facts any maker knows and any reading must honour."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "field"))
import thin_plate

from rig.field import wave_fit
from rig.model.scan_record import ScanRecord


@pytest.fixture(scope="module")
def base() -> thin_plate.ThinPlate:
    return thin_plate.graded_maple()


def test_a_thickened_region_reads_higher(base: thin_plate.ThinPlate) -> None:
    """Common practice, no source: where the plate is left thick it sounds high."""
    places = thin_plate.grid_places(base)
    thick = thin_plate.solve(thin_plate.with_bump(base.thickness_mm, 20.0, 100.0, 0.5, 60.0))
    plain = np.log2(wave_fit(thin_plate.scan(base, places, 41)).tone_hz)
    raised = np.log2(wave_fit(thin_plate.scan(thick, places, 42)).tone_hz)
    rise = 1200 * (raised - plain)
    at = np.hypot(*(places - [20.0, 100.0]).T)
    assert np.median(rise[at < 15]) - np.median(rise[at > 70]) > 90.0


def test_both_faces_agree_at_the_same_spot(base: thin_plate.ThinPlate) -> None:
    """Common practice, no source: a thin plate moves as one; the far side says the same.

    The plate is turned over: the microphone now hears the other face, strikes come from there.
    """
    places = thin_plate.grid_places(base)
    outer = wave_fit(thin_plate.scan(base, places, 43, mic_mm=(90.0, 220.0, 200.0)))
    turned = thin_plate.scan(base, places, 44, mic_mm=(-90.0, 215.0, 200.0))
    inner = wave_fit(replace(turned, face="inner"))
    difference = 1200 * np.log2(inner.tone_hz / outer.tone_hz)
    spread = 1200 * np.std(np.log2(outer.tone_hz))
    assert np.std(difference - np.median(difference)) < 0.25 * spread
    assert np.corrcoef(np.log(inner.tone_hz), np.log(outer.tone_hz))[0, 1] > 0.97


def test_a_hard_tip_separates_more_than_a_soft_one(base: thin_plate.ThinPlate) -> None:
    """Common practice, no source: a soft tip mostly reports itself.

    The soft blow carries no short waves, so what it leaves of the band reads the plate worse.
    """
    places = thin_plate.grid_places(base)
    truth = base.tone_cents(places)

    def error(scan: ScanRecord) -> float:
        tone = wave_fit(scan)
        left = 1200 * np.log2(tone.tone_hz) - truth[list(tone.taps)]
        return float(1.4826 * np.median(np.abs(left - np.median(left))))

    hard = error(thin_plate.scan(base, places, 45, pulse_s=0.0002))
    soft = error(thin_plate.scan(base, places, 45, pulse_s=0.0005))
    assert soft > 1.3 * hard
