"""The shapes of a map as plain JSON: outline, sound holes, contours, high zones, taps.

The layout is that of GeoJSON (RFC 7946: FeatureCollection, Feature, geometry), but a plate is no
place on Earth: coordinates are millimetres in the plate frame, and the file says so.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from rig.archive.naming import SOFTWARE, utc_now
from rig.archive.storage import storage_errors, write_durably
from rig.model.outline import Outline
from rig.model.tone_map import HighZone, ToneMap
from rig.model.units import FloatArray

_DIGITS = 4  # a tenth of a micrometre
_FRAME = (
    "Not geographic: coordinates are millimetres in the plate frame, seen from the outer face, "
    "neck end up, x to the right of the centre line, y up from the lower end."
)


@dataclass(frozen=True)
class MapShapes:
    """What is drawn of a plate. made None: there is no map, and `notes` say why.

    contours: lines (k, 2) of the tone above target, by level in cents; zones: each high zone with
    its border; start_mm: where the work order begins.
    """

    name: str
    scan: str | None
    outline: Outline
    made: ToneMap | None = None
    contours: Mapping[float, Sequence[FloatArray]] = field(default_factory=dict)
    zones: Sequence[tuple[HighZone, Sequence[FloatArray]]] = ()
    start_mm: tuple[float, float] | None = None
    simulated: bool = False
    notes: tuple[str, ...] = ()


def write_shapes(path: Path, shapes: MapShapes) -> Path:
    """Write the shapes as JSON; raises FolderError and StorageFullError."""
    text = json.dumps(shapes_json(shapes), ensure_ascii=False, allow_nan=False)
    with storage_errors(path):
        write_durably(path, f"{text}\n".encode())
    return path


def shapes_json(shapes: MapShapes) -> dict[str, Any]:
    """The whole file as plain values."""
    made = shapes.made
    rings = [_closed(ring) for ring in (shapes.outline.rim, *shapes.outline.holes)]
    features = [_feature("outline", {"type": "Polygon", "coordinates": _holes_turned(rings)}, {})]
    for zone, lines in shapes.zones:
        about: dict[str, Any] = {
            "rank": zone.rank,
            "x_mm": round(zone.x_mm, 2),
            "y_mm": round(zone.y_mm, 2),
            "area_mm2": round(zone.area_mm2),
            "excess_cents": round(zone.excess_cents, 2),
            "excess_sd_cents": round(zone.excess_sd_cents, 2),
            "confidence": round(zone.confidence, 4),
        }
        features.append(_feature("high zone", _lines(lines), about))
    for level, lines in sorted(shapes.contours.items()):
        if lines:
            features.append(_feature("contour", _lines(lines), {"above_target_cents": level}))
    if made is not None:
        for tap, (x, y), tone, excess in zip(
            made.taps, made.places, made.tone_cents, made.excess_cents, strict=True
        ):
            point = {"type": "Point", "coordinates": _rounded(x, y)}
            known = round(float(excess), 2) if np.isfinite(excess) else None
            about = {"tap": int(tap), "tone_cents": round(float(tone), 2), "excess_cents": known}
            features.append(_feature("tap", point, about))
    if shapes.start_mm is not None:
        start = {"type": "Point", "coordinates": _rounded(*shapes.start_mm)}
        features.append(_feature("starting spot", start, {}))
    return {
        "type": "FeatureCollection",
        "coordinates_are": _FRAME,
        "units": "mm",
        "plate": shapes.name,
        "scan": shapes.scan,
        "face": None if made is None else made.face,
        "reading": None if made is None else made.reading,
        "target": None if made is None else made.target_name,
        "simulated": shapes.simulated,
        "notes": list(shapes.notes),
        "software": SOFTWARE,
        "created": utc_now(),
        "features": features,
    }


def _feature(kind: str, geometry: dict[str, Any], about: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": {"kind": kind, **about}}


def _lines(lines: Sequence[FloatArray]) -> dict[str, Any]:
    coordinates = [[_rounded(x, y) for x, y in line] for line in lines if len(line) > 1]
    return {"type": "MultiLineString", "coordinates": coordinates}


def _closed(ring: FloatArray) -> list[list[float]]:
    points = [_rounded(x, y) for x, y in ring]
    return [*points, points[0]]


def _holes_turned(rings: list[list[list[float]]]) -> list[list[list[float]]]:
    """RFC 7946 §3.1.6: the rim runs counter-clockwise, holes clockwise."""
    return [rings[0], *(ring[::-1] for ring in rings[1:])]


def _rounded(x: float, y: float) -> list[float]:
    return [round(float(x), _DIGITS), round(float(y), _DIGITS)]
