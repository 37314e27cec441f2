"""Two estimators joined: nearer the truth, honest about what they disagree by."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.field import joint
from rig.model.clip import Clip
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.plate_facts import PlateFacts
from rig.model.scan_record import ScanRecord, Strike
from rig.model.tone_map import TapTone
from rig.virtual.shapes import violin_outline

COUNT = 400


def _scan() -> ScanRecord:
    return ScanRecord("S0001", "outer", "light", 9.0, violin_outline(), PlateFacts("plate"), ())


def _tones(name: str, cents: np.ndarray, sd_cents: float, **changes: object) -> TapTone:
    found = TapTone(
        reading="local",
        estimator=name,
        taps=tuple(range(COUNT)),
        places=PlateXY(np.random.default_rng(1).uniform(0, 100, (COUNT, 2))),
        tone_hz=5000.0 * 2.0 ** (cents / 1200.0),
        sd_cents=np.full(COUNT, sd_cents),
        repeatability_cents=10.0,
    )
    return replace(found, **changes)  # type: ignore[arg-type]


def _cents(tones: TapTone) -> np.ndarray:
    return np.asarray(1200.0 * np.log2(tones.tone_hz / np.median(tones.tone_hz)))


def _pair(claimed: float, true_sd: float = 40.0) -> tuple[np.ndarray, TapTone, TapTone]:
    """Two readings of the same strikes: three tenths of their errors' variance are shared."""
    rng = np.random.default_rng(7)
    truth = rng.uniform(-400, 400, COUNT)
    truth -= np.median(truth)
    shared, *own = rng.normal(0, true_sd, (3, COUNT))
    one, two = (np.sqrt(0.3) * shared + np.sqrt(0.7) * error for error in own)
    plate = _tones("inversion", truth + one, claimed)
    waves = _tones("waves", truth + two + 300.0, claimed)
    return truth, plate, waves


def test_the_mean_is_nearer_the_truth_than_either() -> None:
    truth, plate, waves = _pair(claimed=40.0)
    both = joint.averaged(plate, waves)
    errors = [np.std(_cents(t) - truth) for t in (plate, waves, both)]
    assert errors[2] < 0.85 * min(errors[:2])


@pytest.mark.parametrize("claimed", [10.0, 40.0])
def test_disagreement_raises_doubts_that_were_too_small(claimed: float) -> None:
    truth, plate, waves = _pair(claimed)
    both = joint.averaged(plate, waves)
    z = (_cents(both) - truth) / both.sd_cents
    assert np.std(z) == pytest.approx(1.0, abs=0.15)


def test_taps_read_by_one_alone_are_left_out() -> None:
    _, plate, waves = _pair(40.0)
    fewer = replace(
        waves,
        taps=waves.taps[10:],
        places=PlateXY(waves.places[10:]),
        tone_hz=waves.tone_hz[10:],
        sd_cents=waves.sd_cents[10:],
    )
    both = joint.averaged(plate, fewer)
    assert both.taps == plate.taps[10:]
    assert len(both.tone_hz) == len(both.places) == len(both.sd_cents) == COUNT - 10


def _stand_ins(
    monkeypatch: pytest.MonkeyPatch, plate: TapTone | Exception, waves: TapTone | Exception
) -> None:
    def answer(with_what: TapTone | Exception) -> joint.Estimator:
        def estimate(_scan: ScanRecord, _progress: object) -> TapTone:
            if isinstance(with_what, Exception):
                raise with_what
            return with_what

        return estimate

    monkeypatch.setattr(joint, "invert", answer(plate))
    monkeypatch.setattr(joint, "wave_fit_with_touch", answer(waves))


def _with_clip(pickup_channel: int | None) -> ScanRecord:
    clip = Clip(np.zeros((480, 2), dtype=np.int32), 48_000, pickup_channel=pickup_channel)
    return replace(_scan(), strikes=(Strike(0, 0, 0, 0.0, 100.0, clip),))


def test_by_sound_alone_both_estimators_are_averaged(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    _, plate, waves = _pair(40.0)
    _stand_ins(monkeypatch, plate, waves)
    assert joint.inversion_with_waves(_with_clip(None)).estimator == "inversion with waves"


def test_with_pickup_the_inversion_stands_and_the_waves_are_the_second_opinion(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    _, plate, waves = _pair(40.0)
    _stand_ins(monkeypatch, replace(plate, verdict="use with care"), waves)
    found = joint.inversion_with_waves(_with_clip(1))
    assert found.estimator == "inversion"
    assert np.array_equal(found.tone_hz, plate.tone_hz)
    assert "Second opinion" in found.reasons[-1]


@pytest.mark.parametrize("failure", [AnalysisError("Too few taps."), np.linalg.LinAlgError("odd")])
def test_without_the_inversion_the_waves_stand_and_say_why(
    monkeypatch: pytest.MonkeyPatch, failure: Exception
) -> None:
    _, _, waves = _pair(40.0)
    _stand_ins(monkeypatch, failure, waves)
    found = joint.inversion_with_waves(_scan())
    assert found.estimator == "waves"
    assert any("inversion is not used" in reason for reason in found.reasons)


def test_a_refused_inversion_is_not_averaged_in(monkeypatch: pytest.MonkeyPatch) -> None:
    _, plate, waves = _pair(40.0)
    _stand_ins(monkeypatch, replace(plate, verdict="refused", reasons=("Misfit 80.",)), waves)
    found = joint.inversion_with_waves(_scan())
    assert found.estimator == "waves"
    assert found.reasons[-1].endswith("Misfit 80.")


def test_nothing_readable_is_an_error_with_both_reasons(monkeypatch: pytest.MonkeyPatch) -> None:
    _stand_ins(monkeypatch, AnalysisError("No plate."), AnalysisError("No waves."))
    with pytest.raises(AnalysisError, match=r"No waves\. No plate\."):
        joint.inversion_with_waves(_scan())
