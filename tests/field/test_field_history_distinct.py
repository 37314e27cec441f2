"""Partials followed over scans; how distinct a map is against what repeats."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.field.distinctness import distinctness, repeats
from rig.field.history import followed
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.reading import RingPartial
from rig.model.tone_map import TapTone


def ring(*hz: float, level: float = -10.0) -> tuple[RingPartial, ...]:
    return tuple(RingPartial(f, f * 1e-4, 0.05, level) for f in hz)


def test_partials_are_followed_over_gaps() -> None:
    rings = [
        ring(100.0, 200.0, 300.0),
        ring(200.4, 299.0),
        (),
        ring(99.5, 201.0, 500.0),
        ring(201.5, 501.0),
    ]
    tracks = followed(rings)
    assert [round(t.first.hz) for t in tracks] == [100, 200, 300, 500]
    heard = [[p is not None for p in t.partials] for t in tracks]
    assert heard[0] == [True, False, False, True, False]
    assert heard[1] == [True, True, False, True, True]
    assert heard[2] == [True, True, False, False, False]
    assert heard[3] == [False, False, False, True, True]
    change = tracks[1].change_cents(4)
    assert change is not None
    assert change[0] == pytest.approx(1200.0 * np.log2(201.5 / 200.0))
    assert change[1] == pytest.approx(1200.0 / np.log(2.0) * np.hypot(1e-4, 1e-4))
    assert tracks[1].change_cents(0) == (0.0, 0.0)
    assert tracks[1].change_cents(2) is None


def test_slow_drift_is_followed_and_weak_ones_are_left_out() -> None:
    hz = 200.0 * 2.0 ** (np.arange(5) * 40.0 / 1200.0)  # 160 cents in all
    tracks = followed([ring(float(f)) for f in hz])
    assert len(tracks) == 1
    last = tracks[0].change_cents(4)
    assert last is not None
    assert last[0] == pytest.approx(160.0)
    assert followed([ring(200.0, level=-60.0)] * 3) == ()
    assert followed([ring(200.0)]) == ()
    assert followed([]) == ()


def tones(spread: float, noise: float, seed: int, **told: object) -> TapTone:
    rng = np.random.default_rng(7)
    x, y = np.meshgrid(np.arange(-90.0, 91.0, 12.0), np.arange(0.0, 350.0, 12.0))
    xy = np.column_stack([x.ravel(), y.ravel()])
    rough = rng.standard_normal((len(xy), 1))
    near = np.exp(-0.5 * (np.hypot(*(xy[:, None] - xy[None]).T) / 15.0) ** 2)
    field = (near @ rough).ravel()
    field *= spread / np.std(field)
    heard = field + noise * np.random.default_rng(seed).standard_normal(len(xy))
    made = TapTone(
        reading="attack", estimator="test", taps=tuple(range(len(xy))), places=PlateXY(xy),
        tone_hz=1000.0 * 2.0 ** (heard / 1200.0), sd_cents=np.full(len(xy), noise),
        repeatability_cents=noise,
    )  # fmt: skip
    return replace(made, **told)  # type: ignore[arg-type]


@pytest.mark.parametrize(("spread", "noise"), [(100.0, 10.0), (40.0, 20.0)])
def test_distinctness_is_spread_over_noise(spread: float, noise: float) -> None:
    found = distinctness(tones(spread, noise, 1))
    assert found.low < spread / noise < found.high
    assert found.value == pytest.approx(spread / noise, rel=0.25)
    assert found.source == "strikes of a tap"
    again = distinctness(tones(spread, noise, 1), tones(spread, noise, 2))
    assert again.source == "two scans"
    assert again.repeat_cents == pytest.approx(noise, rel=0.15)
    assert again.low < spread / noise < again.high


def test_nothing_but_noise_is_not_distinct() -> None:
    found = distinctness(tones(1e-6, 15.0, 3))
    assert found.value < 0.6
    assert found.low < 0.3


def test_the_better_tip_is_told() -> None:
    soft, hard = distinctness(tones(60.0, 30.0, 4)), distinctness(tones(60.0, 10.0, 5))
    assert hard.low > soft.high


def test_what_cannot_be_compared_is_refused() -> None:
    one = tones(50.0, 10.0, 1)
    with pytest.raises(AnalysisError, match="different readings"):
        repeats(one, replace(one, reading="contact"))
    moved = replace(one, places=PlateXY(np.asarray(one.places) + 500.0))
    with pytest.raises(AnalysisError, match="share 0 places"):
        distinctness(one, moved)
    few = replace(
        one, taps=one.taps[:5], places=PlateXY(one.places[:5]), tone_hz=one.tone_hz[:5],
        sd_cents=one.sd_cents[:5],
    )  # fmt: skip
    with pytest.raises(AnalysisError, match="5 taps show no spread"):
        distinctness(few)
