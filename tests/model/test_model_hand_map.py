"""Hand maps: arrays that belong together, and what "higher" is worth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm, truncnorm

from rig.model.hand_map import MIDDLE_SD, THIRD_MEAN, THIRD_SD, HandMap


def test_arrays_run_in_parallel():
    places = np.zeros((3, 2))
    made = HandMap(places, np.zeros(3), np.ones(3), "pairs", "a.csv")
    assert made.group == (0, 0, 0)
    with pytest.raises(ValueError, match="parallel"):
        HandMap(places, np.zeros(2), np.ones(3), "pairs", "a.csv")
    with pytest.raises(ValueError, match="group"):
        HandMap(places, np.zeros(3), np.ones(3), "pairs", "a.csv", group=(0, 1))


def test_thirds_of_a_normal_distribution():
    cut = norm.ppf(2.0 / 3.0)
    upper, middle = truncnorm(cut, np.inf), truncnorm(-cut, cut)
    np.testing.assert_allclose(upper.mean(), THIRD_MEAN, atol=1e-4)
    np.testing.assert_allclose(upper.std(), THIRD_SD, atol=1e-4)
    np.testing.assert_allclose(middle.std(), MIDDLE_SD, atol=1e-4)
    whole = (2.0 * (THIRD_MEAN**2 + THIRD_SD**2) + MIDDLE_SD**2) / 3.0
    assert whole == pytest.approx(1.0, abs=1e-3)
