"""Plates carried on each other by their outlines, and limits of agreement."""

from __future__ import annotations

import numpy as np
import pytest

from rig.calibrate.gauge import agreement
from rig.field.comparison import agreement_of
from rig.field.differences import Difference
from rig.field.side_by_side import carried
from rig.field.smoothing import error_covariance, even_grid
from rig.model.outline import Outline
from rig.virtual.shapes import violin_outline

VIOLIN = violin_outline()


def test_a_plate_is_carried_on_itself() -> None:
    places = even_grid(VIOLIN, 11.0, 3.0)
    np.testing.assert_allclose(carried(places, VIOLIN, VIOLIN), places, atol=1e-9)


def test_a_larger_plate_is_carried_rim_on_rim() -> None:
    """Stretched alike in each direction, a place goes where stretching puts it."""
    wide, long = 1.15, 1.08
    larger = Outline(np.asarray(VIOLIN.rim) * [wide, long])
    places = even_grid(VIOLIN, 9.0, 4.0)
    np.testing.assert_allclose(
        carried(places, VIOLIN, larger), places * [wide, long], rtol=0.005, atol=0.3
    )
    np.testing.assert_allclose(
        carried(carried(places, VIOLIN, larger), larger, VIOLIN), places, atol=0.3
    )


def test_another_model_is_carried_by_halves() -> None:
    """A plate whose right half is broader: the left half stays, the right half is stretched."""
    rim = np.asarray(VIOLIN.rim).copy()
    rim[:, 0] = np.where(rim[:, 0] > 0, 1.1 * rim[:, 0], rim[:, 0])
    places = even_grid(VIOLIN, 13.0, 6.0)
    moved = carried(places, VIOLIN, Outline(rim))
    right = places[:, 0] > 0
    np.testing.assert_allclose(moved[~right], places[~right], atol=0.1)
    np.testing.assert_allclose(moved[right, 0], 1.1 * places[right, 0], rtol=0.005, atol=0.2)


def test_limits_of_agreement_as_in_the_study_of_the_rig() -> None:
    """The same series through the calibration's Bland-Altman, which is held to statsmodels."""
    rng = np.random.default_rng(8)
    places = even_grid(VIOLIN, 16.0, 6.0)
    one = 200.0 * np.sin(places[:, 1] / 60.0)
    apart = 9.0 * rng.standard_normal(len(places))
    sd = np.full(len(places), 10.0)
    found = agreement_of(
        Difference(
            places, apart, error_covariance(places, sd, 0.0), 16.0, one, one + apart, "attack",
            "attack",
        ),
        sd,
        independent=True,
    )  # fmt: skip
    known = agreement(one + apart, one)
    width = 0.5 * (known.high - known.low)
    assert found.limits_cents == pytest.approx(width)
    assert found.expected_cents == pytest.approx(19.6)
    assert found.rank is not None
    assert found.rank > 0.98
