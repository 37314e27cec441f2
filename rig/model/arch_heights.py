"""Measured heights of an arch: are they of this plate, in millimetres, the right way up?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

import numpy as np

from rig.model import polygon
from rig.model.errors import PlateFactsError
from rig.model.outline import Outline
from rig.model.units import FloatArray

FEWEST, MOST = 5, 2000
ArchHeights = tuple[tuple[float, float, float], ...]
_LAYOUT = (
    "Give x_mm, y_mm in the plate frame and height_mm of the outer surface above the rim, "
    "all in millimetres."
)
_OFF_WOOD_MM = 2.0
_METRES_MM = 0.1  # no arch is so low, and none in metres so high
_HIGHEST_MM = 60.0
_HIGHEST_SHARE = 0.2  # of the plate's width; a cello's is about 0.07
_LEAST_SPREAD = 0.3  # of the plate's length
_TURNED = -0.3  # correlation of height with the distance from the rim
_CLEAR_MM = 2.0  # a range that a flat plate's unevenness does not reach


def checked_heights(
    points: Iterable[Iterable[float]], outline: Outline | None = None, *, where: str = ""
) -> ArchHeights:
    """Heights as plain triples (x, y, height), or PlateFactsError with the reason.

    Without an outline only what can be told without one is checked. A rim that does not lie near
    zero is no fault: whoever uses the heights lets the whole surface sink and tilt.
    """
    xyz = np.array([tuple(point) for point in points], dtype=np.float64).reshape(-1, 3)
    faults = _faults(xyz) if outline is None else chain(_faults(xyz), _misplaced(xyz, outline))
    for what, remedy in faults:
        raise PlateFactsError(what, where=where, remedy=remedy)
    return tuple((float(x), float(y), float(z)) for x, y, z in xyz)


def _faults(xyz: FloatArray) -> Iterator[tuple[str, str]]:
    """What is wrong with the numbers themselves, and what to do."""
    if len(xyz) < FEWEST:
        yield (
            f"There are {len(xyz)} measured heights; an arch needs {FEWEST} or more.",
            "Without them give the height of the crown alone.",
        )
    if len(xyz) > MOST:
        yield (
            f"There are {len(xyz)} measured heights; {MOST} are the most that help.",
            "Leave out all but a few hundred, spread over the plate.",
        )
    if not np.all(np.isfinite(xyz)):
        yield "A measured height or its place is not a finite number.", _LAYOUT
    if np.ptp(xyz[:, :2], axis=0).max() < 5.0:
        yield "All measured heights lie within 5 mm of each other.", _LAYOUT
    height = xyz[:, 2]
    span, largest = float(np.ptp(height)), float(np.abs(height).max())
    if largest < _METRES_MM:
        yield (
            f"The largest measured height is {largest:g} mm, which looks like metres.",
            "Give them in millimetres; for a flat plate say that its arching is 0.",
        )
    if -height.min() > max(2.0 * height.max(), _CLEAR_MM):
        yield (
            f"The measured heights reach down to {height.min():g} mm: their sign is turned, or "
            "they are depths below a straightedge.",
            "Count them upwards from the rim.",
        )
    if span > _HIGHEST_MM:
        yield f"The measured heights span {span:g} mm; no plate is arched so high.", _LAYOUT


def _misplaced(xyz: FloatArray, outline: Outline) -> Iterator[tuple[str, str]]:
    """What is wrong with them on this plate, and what to do."""
    places, height = xyz[:, :2], xyz[:, 2]
    span = float(np.ptp(height))
    off = ~outline.contains(places)
    off[off] = outline.edge_distance_mm(places[off]) > _OFF_WOOD_MM
    if off.any():
        x, y = places[off][0]
        gap = float(outline.edge_distance_mm(places[off][:1])[0])
        yield (
            f"{int(off.sum())} of {len(xyz)} measured heights lie off the wood; the first at "
            f"({x:g}, {y:g}) mm, {gap:.1f} mm from the nearest edge.",
            _LAYOUT,
        )
    spread = float(np.ptp(places, axis=0).max())
    if spread < _LEAST_SPREAD * max(outline.size_mm):
        yield (
            f"The measured heights cover only {spread:.0f} mm of a plate "
            f"{max(outline.size_mm):.0f} mm long.",
            "Measure along the middle and across both bouts at least.",
        )
    if span > _HIGHEST_SHARE * min(outline.size_mm):
        yield (
            f"The measured heights span {span:g} mm; no plate {min(outline.size_mm):.0f} mm wide "
            "is arched so high.",
            _LAYOUT,
        )
    inwards = polygon.distance_to_edge_mm(outline.rim, places)
    clear = span > _CLEAR_MM and np.ptp(inwards) > 10.0
    if clear and float(np.corrcoef(inwards, height)[0, 1]) < _TURNED:
        yield (
            "The middle was measured lower than the rim: the sign is turned, the inner face was "
            "measured, or the heights are depths below a straightedge.",
            "Count the outer surface's height upwards from the rim.",
        )
