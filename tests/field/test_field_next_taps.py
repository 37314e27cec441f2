"""Where further taps tell most; the prediction against scikit-learn's on the same kernel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern
from test_field_thickness import tone_map_of

from rig.field.next_taps import Gaussian, greedy, next_taps, worth_knowing
from rig.field.surface import RANGE_MM
from rig.model.errors import UsageError
from rig.virtual.shapes import violin_outline


def test_prediction_is_that_of_scikit_learn() -> None:
    rng = np.random.default_rng(1)
    places, at = rng.uniform(0.0, 90.0, (40, 2)), rng.uniform(0.0, 90.0, (25, 2))
    values, sd = rng.normal(0.0, 30.0, 40), rng.uniform(5.0, 20.0, 40)
    mean, covariance = Gaussian(31.0).told(places, values, sd, at)
    # Matérn of order ν: √(2ν)·r/ℓ stands where κ·r does, so ℓ = √2/κ = range/2 for ν = 1
    kernel = ConstantKernel(31.0**2, "fixed") * Matern(RANGE_MM / 2.0, "fixed", nu=1.0)
    other = GaussianProcessRegressor(kernel, alpha=sd**2, optimizer=None).fit(places, values)
    their_mean, their_covariance = other.predict(at, return_cov=True)
    assert mean == pytest.approx(their_mean, abs=1e-5)
    assert covariance == pytest.approx(their_covariance, abs=1e-3)


def test_greedy_follows_the_closed_form() -> None:
    rng = np.random.default_rng(2)
    at = rng.uniform(0.0, 80.0, (60, 2))
    field, noise = Gaussian(30.0), 12.0
    weight = rng.uniform(0.1, 1.0, 60)
    before = field.covariance(at, at)
    chosen, rms, doubtful = greedy(before, weight, noise, 7, np.ones(60, dtype=bool))
    assert len(set(chosen.tolist())) == 7
    _, after = field.told(at[chosen], np.zeros(7), np.full(7, noise), at)
    assert rms[-1] == pytest.approx(np.sqrt(np.mean(np.diag(after))), rel=1e-6)
    assert doubtful[-1] == pytest.approx(
        np.sqrt(np.average(np.diag(after), weights=weight)), rel=1e-6
    )
    assert np.all(np.diff(rms) < 0.0)
    first = [
        float(weight @ np.diag(field.told(at[[k]], np.zeros(1), np.full(1, noise), at)[1]))
        for k in range(60)
    ]
    assert chosen[0] == int(np.argmin(first))  # no other first tap leaves less


def test_places_that_may_not_be_tapped_are_not() -> None:
    at = np.random.default_rng(3).uniform(0.0, 50.0, (20, 2))
    free = np.arange(20) < 5
    chosen, rms, _ = greedy(Gaussian(20.0).covariance(at, at), np.ones(20), 5.0, 12, free)
    assert sorted(chosen.tolist()) == [0, 1, 2, 3, 4]
    assert len(rms) == 6


def test_weight_is_where_wood_may_come_off() -> None:
    weight = worth_knowing(np.array([-100.0, 35.0, 200.0, 25.0, 10.0]), np.full(5, 15.0), 35.0)
    assert weight[1] == pytest.approx(1.0)
    assert weight[0] == pytest.approx(0.05, abs=0.01)
    assert weight[2] == pytest.approx(1.0)
    assert 0.05 < weight[4] < weight[3] < 1.0


def test_taps_gather_round_the_doubtful_place() -> None:
    outline = violin_outline()
    made = tone_map_of(outline, 0.0, np.random.default_rng(4))
    places = np.asarray(made.places)
    spot = np.array([-40.0, 100.0])
    excess = np.where(np.hypot(*(places - spot).T) < 25.0, 38.0, -60.0)
    excess += np.random.default_rng(5).normal(0.0, 12.0, len(places))
    made = replace(made, excess_cents=excess)
    found = next_taps(made, outline, 25)
    gap = np.hypot(*(np.asarray(found.places) - spot).T)
    assert np.mean(gap < 45.0) > 0.6  # a tenth of the wood
    assert outline.contains(found.places).all()
    assert outline.edge_distance_mm(found.places).min() >= 6.0
    near = np.hypot(*(np.asarray(found.places)[:, None] - places[None]).T)
    assert near.min() > 2.5
    assert found.doubtful_cents[-1] < 0.96 * found.doubtful_cents[0]


@pytest.mark.parametrize("count", [0, -3, 5000])
def test_impossible_counts_are_refused(count: int) -> None:
    outline = violin_outline()
    with pytest.raises(UsageError, match="further taps are outside"):
        next_taps(tone_map_of(outline, 0.0, np.random.default_rng(6)), outline, count)
