"""What the wave fit may claim: standard deviations that hold, and places it cannot read."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.field.nearest import nearest
from rig.field.neighbourhoods import Neighbourhood
from rig.model.units import FloatArray

# Read off virtual plates with known truth (arched, sheared, graded maple; pickup and sound alone):
# what is common to all frequencies and so unseen by leaving some out, in cents. Waves turn back
# at the edge, and the thinner rim is read together with the thicker wood beside it.
_FLOOR_CENTS = 27.0
_FLOOR_AT_EDGE_CENTS = 40.0
_EDGE_MM = 15.0
_SPREAD = 1.2  # leaving out blocks sees a little less than the whole of the chance part


def standard_deviations(
    places: FloatArray,
    cents: FloatArray,
    spread: FloatArray,
    inside: NDArray[np.bool_],
    depth_mm: FloatArray,
    groups: list[Neighbourhood],
) -> tuple[FloatArray, FloatArray]:
    """Tone (n,) with unreadable places filled from neighbours, and sd (n,), both in cents.

    A single leave-out spread has few degrees of freedom, so its square is averaged with those of
    the taps around it.
    """
    _, near = nearest(places, places, 9)
    pooled = np.sqrt(np.median(np.where(inside, spread, np.inf)[near] ** 2, axis=1))
    usual = float(np.median(spread[inside])) if inside.any() else 100.0
    pooled = np.where(np.isfinite(pooled), pooled, 4.0 * usual)
    floor = _FLOOR_CENTS + _FLOOR_AT_EDGE_CENTS * np.exp(-depth_mm / _EDGE_MM)
    sd = np.hypot(_SPREAD * np.maximum(pooled, 0.5 * usual), floor)
    around = np.median(cents[near[:, 1:]], axis=1)
    wild = ~inside | (np.abs(cents - around) > 8.0 * sd + 100.0)
    value = np.where(wild, around, cents)
    few = np.ones(len(places))
    for group in groups:
        if len(group.offset_mm) < 12:
            few[group.centres] = 2.0
    return value, np.where(wild, np.maximum(3.0 * sd, 150.0), sd * few)
