"""Plates larger than a viola's: read at a violin's size and carried back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import rig.field.estimators as estimators
import rig.field.local_change as local_change
from rig.field.differences import Difference
from rig.field.surface import spread_out
from rig.field.violin_size import reduced
from rig.model.clip import Clip
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.plate_facts import Bar, PlateFacts
from rig.model.plate_size import times_violin
from rig.model.reading import ClipReading
from rig.model.scan_record import ScanRecord, Strike
from rig.model.tone_map import TapTone
from rig.plan import grid_plan
from rig.virtual.shapes import violin_outline

TIMES = 2.0
VIOLIN = violin_outline()
CELLO = Outline(PlateXY(TIMES * np.asarray(VIOLIN.rim)))


def cello_scan() -> ScanRecord:
    clip = Clip(np.zeros((4800, 2), dtype=np.int32), 48_000, pickup_channel=1, strike_sample=960)
    heard = ClipReading(
        onset_s=0.02, ring=(), tone_hz=None, tone_sd_hz=None, attack_hz=None, attack_sd_cents=None,
        contact_ms=0.4, contact_sd_ms=0.01, rebound_ratio=0.5, level_db=-6.0, quality="good",
        reasons=(),
    )  # fmt: skip
    places = grid_plan(CELLO, face="outer", strength="light", spacing_mm=60.0).places()
    strikes = tuple(
        Strike(n, n, 0, float(x), float(y), clip, heard) for n, (x, y) in enumerate(places)
    )
    facts = PlateFacts(
        "Cello back", wood="maple", mass_g=800.0, mean_thickness_mm=5.6, arching_mm=28.0,
        arch_heights_mm=((0.0, 350.0, 28.0),),
        bars=(Bar(-34.0, 110.0, -42.0, 640.0, (22.0,), 11.0),),
    )  # fmt: skip
    return ScanRecord(
        "S0001", "outer", "light", 60.0, CELLO, facts, strikes,
        microphone_xyz_mm=(120.0, 240.0, 200.0),
    )  # fmt: skip


def test_size_and_usual_spacing() -> None:
    assert times_violin(VIOLIN) == 1.0
    viola = Outline(PlateXY(1.18 * np.asarray(VIOLIN.rim)))
    assert times_violin(viola) == 1.0
    assert times_violin(CELLO) == pytest.approx(2.0, rel=0.02)
    for outline, spacing in ((VIOLIN, 9.0), (viola, 9.0), (CELLO, 18.0)):
        plan = grid_plan(outline, face="outer", strength="light")
        assert plan.spacing_mm == spacing
        assert 400 < len(plan.taps) < 900  # a scan that a maker will wait for


def test_lengths_and_times_are_reduced_alike() -> None:
    scan = cello_scan()
    small = reduced(scan, TIMES)
    assert reduced(scan, 1.0) is scan
    np.testing.assert_allclose(small.outline.rim, VIOLIN.rim)
    assert small.spacing_mm == 30.0
    facts = small.facts
    assert (facts.mass_g, facts.mean_thickness_mm, facts.arching_mm) == (100.0, 2.8, 14.0)
    assert facts.arch_heights_mm == ((0.0, 175.0, 14.0),)
    assert facts.bars == (Bar(-17.0, 55.0, -21.0, 320.0, (11.0,), 5.5),)
    assert small.microphone_xyz_mm == (60.0, 120.0, 100.0)
    strike = small.strikes[0]
    assert (strike.x_mm, strike.y_mm) == (scan.strikes[0].x_mm / 2, scan.strikes[0].y_mm / 2)
    assert strike.clip.sample_rate_hz == 96_000
    assert strike.clip.samples is scan.strikes[0].clip.samples
    assert strike.reading is not None
    assert (strike.reading.onset_s, strike.reading.contact_ms) == (0.01, 0.2)


def test_tones_are_carried_back(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[ScanRecord] = []

    def estimator(scan: ScanRecord, *_: object) -> TapTone:
        seen.append(scan)
        taps, places = scan.tap_places()
        some = np.linspace(5000.0, 6000.0, len(taps))
        return TapTone("local", "whole-plate inversion", tuple(taps), places, some,
                       np.full(len(taps), 12.0), 12.0, constants={"crown_mm": 14.0})  # fmt: skip

    monkeypatch.setattr(estimators, "local_estimators", lambda _scan: (("one", estimator),))
    scan = cello_scan()
    found = estimators.local_tone(scan)
    assert seen[0].outline.size_mm == pytest.approx(VIOLIN.size_mm, rel=0.02)
    np.testing.assert_allclose(found.places, scan.tap_places()[1])
    assert found.constants["crown_mm"] == pytest.approx(28.0, rel=0.02)
    assert np.all(found.sd_cents > 12.0)
    assert "reduced to a violin's size, 1 : 2.0" in found.reasons[-1]
    violin = replace(scan, outline=VIOLIN)
    assert estimators.local_tone(violin).reasons == ()
    assert seen[1] is violin


def test_a_change_is_carried_back_and_a_refusal_says_its_size(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    scan = cello_scan()
    places = np.asarray(reduced(scan, times_violin(CELLO)).tap_places()[1])

    def change(before: ScanRecord, *_: object) -> Difference:
        zero = np.zeros(len(places))
        return Difference(places, zero, np.eye(len(places)), 30.0, zero, zero, "local", "change")

    monkeypatch.setattr(local_change, "_local_difference", change)
    found = local_change.local_difference(scan, scan)
    np.testing.assert_allclose(found.places, scan.tap_places()[1])
    assert found.spacing_mm == pytest.approx(60.0, rel=0.02)

    def refuse(*_: object) -> Difference:
        raise AnalysisError("The taps are 16 mm apart.", where="S0001", remedy="Finer.")

    monkeypatch.setattr(local_change, "_local_difference", refuse)
    with pytest.raises(AnalysisError, match=r"16 mm apart\. The plate was read reduced"):
        local_change.local_difference(scan, scan)


def test_a_large_map_is_as_smooth_as_a_small_one() -> None:
    """The same tones on the same plate at twice the size give the same picture."""
    places = grid_plan(VIOLIN, face="outer", strength="light", spacing_mm=14.0).places()
    values = 60.0 * np.cos(places[:, 1] / 40.0)
    sd = np.full(len(places), 9.0)
    small = spread_out(places, values, sd, VIOLIN, 4.0)
    large = spread_out(TIMES * places, values, sd, CELLO, 8.0)
    shape = tuple(min(a, b) for a, b in zip(small.cents.shape, large.cents.shape, strict=True))
    one, two = (s.cents[: shape[0], : shape[1]] for s in (small, large))
    both = np.isfinite(one) & np.isfinite(two)
    assert both.mean() > 0.5
    assert np.sqrt(np.mean((one - two)[both] ** 2)) < 3.0
