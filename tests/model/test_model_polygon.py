"""Polygons against shapely: inside and distance, corners at the height of the places included."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from rig.model.polygon import contains, distance_to_edge_mm
from rig.virtual.worlds import world_spec

STEPPED = np.array([[0.0, 0.0], [50, 0], [50, 80], [20, 80], [20, 160], [0, 160]])
SPRUCE = world_spec("spruce-top").plate.outline


@pytest.mark.parametrize("ring", [STEPPED, SPRUCE.rim, *SPRUCE.holes])
def test_inside_and_distance(ring: np.ndarray) -> None:
    rng = np.random.default_rng(11)
    low, high = ring.min(axis=0) - 10.0, ring.max(axis=0) + 10.0
    places = np.vstack(
        [rng.uniform(low, high, (900, 2)), np.round(rng.uniform(low, high, (90, 2)))]
    )
    known = shapely.Polygon(ring)
    points = shapely.points(places)
    gap = shapely.distance(known.exterior, points)
    np.testing.assert_allclose(distance_to_edge_mm(ring, places), gap, atol=1e-9)
    clear = gap > 1e-9  # on the edge itself either answer is right
    assert (contains(ring, places)[clear] == shapely.contains(known, points)[clear]).all()


def test_no_places() -> None:
    none = np.zeros((0, 2))
    assert contains(STEPPED, none).shape == (0,)
    assert distance_to_edge_mm(STEPPED, none).shape == (0,)
