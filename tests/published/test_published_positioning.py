"""ISO 230-2 quantities of invented deviations, worked from the standard's definitions.

The definitions are those of ISO 230-2:2014, from memory; the data are invented, in µm, five
targets, five runs from either side.
"""

from __future__ import annotations

import numpy as np
import pytest

from rig.calibrate.positioning import positioning

UP = [
    [1.2, 0.6, -0.1, 3.4, 0.2],
    [2.4, -0.5, 4.8, 3.0, 3.3],
    [10.9, 7.3, 8.8, 6.2, 8.6],
    [-0.4, 1.7, 4.5, 2.0, -0.3],
    [6.9, 4.5, 9.4, 4.5, 10.1],
]
DOWN = [
    [-4.1, -7.3, -4.1, -3.4, -7.1],
    [-8.6, -1.9, -1.0, -3.1, -3.3],
    [0.1, -2.4, -1.8, 0.4, 1.8],
    [-4.7, -5.6, -6.7, -3.8, -6.5],
    [0.8, 4.0, -1.8, -0.3, -1.1],
]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("reversal", 8.7400), ("mean_reversal", 6.9800),
        ("repeatability_up", 10.5542), ("repeatability_down", 11.8301), ("repeatability", 16.5833),
        ("systematic_up", 7.3000), ("systematic_down", 5.7800), ("systematic", 13.8200),
        ("mean_bidirectional", 6.0600),
        ("accuracy_up", 14.8746), ("accuracy_down", 14.3613), ("accuracy", 21.8522),
    ],
)  # fmt: skip
def test_terms_of_the_standard(name: str, value: float) -> None:
    assert round(getattr(positioning(np.array(UP), np.array(DOWN)), name), 4) == value
