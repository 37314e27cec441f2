"""A map at true size for paper, tracing or a laser: SVG (W3C SVG 1.1) and DXF, in millimetres.

Rim and sound holes, contours, high zones with their place in the work order, the starting spot, and
a line of 100 mm to check the print with. Each kind has a layer of its own; `outline_drawings` reads
the outline back from its layer alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from rig.archive.map_shapes import MapShapes
from rig.archive.outline_drawings import HOLE_LAYER, MIRRORED, RIM_LAYER
from rig.archive.storage import storage_errors, write_durably
from rig.model.frames import Face
from rig.model.units import FloatArray

CHECK_MM = 100.0
_MARGIN_MM = 12.0
_HEAD_MM = 5.0  # between lines of text
_TEXT_MM = 3.2
_SMALL_MM = 2.4
_CROSS_MM = 4.0
# layer: colour, line width in mm; in DXF the nearest of its numbered colours
_LAYERS = {
    RIM_LAYER: ("#000000", 0.35, 7),
    HOLE_LAYER: ("#000000", 0.35, 7),
    RIM_LAYER + MIRRORED: ("#000000", 0.35, 7),
    HOLE_LAYER + MIRRORED: ("#000000", 0.35, 7),
    "contours-high": ("#b04a00", 0.18, 30),
    "contours-low": ("#1f5fa8", 0.18, 5),
    "contour-target": ("#555555", 0.3, 8),
    "zones": ("#c00000", 0.5, 1),
    "start": ("#000000", 0.5, 7),
    "notes": ("#333333", 0.2, 8),
}


@dataclass(frozen=True)
class _Curve:
    layer: str
    points: FloatArray  # (n, 2) mm, as drawn
    closed: bool = False


@dataclass(frozen=True)
class _Text:
    layer: str
    x_mm: float
    y_mm: float
    words: str
    height_mm: float = _TEXT_MM


@dataclass(frozen=True)
class _Drawing:
    """Everything that is drawn; y upwards; the page lies round it."""

    curves: Sequence[_Curve]
    texts: Sequence[_Text]
    low: FloatArray
    high: FloatArray


def write_svg_template(path: Path, shapes: MapShapes, seen_from: Face = "outer") -> Path:
    """Write the SVG; seen from the inner face it is mirrored and says so; StorageFullError."""
    with storage_errors(path):
        write_durably(path, _svg(_drawing(shapes, seen_from)).encode("utf-8"))
    return path


def write_dxf_template(path: Path, shapes: MapShapes, seen_from: Face = "outer") -> Path:
    """Write the DXF (R2010, millimetres); seen from the inner face it is mirrored."""
    import io

    text = io.StringIO()
    _dxf(_drawing(shapes, seen_from)).write(text)
    with storage_errors(path):
        write_durably(path, text.getvalue().encode("utf-8"))
    return path


def _drawing(shapes: MapShapes, seen_from: Face) -> _Drawing:
    side = np.array([-1.0 if seen_from == "inner" else 1.0, 1.0])
    after = MIRRORED if seen_from == "inner" else ""
    curves = [_Curve(RIM_LAYER + after, shapes.outline.rim * side, closed=True)]
    holes = shapes.outline.holes
    curves += [_Curve(HOLE_LAYER + after, hole * side, closed=True) for hole in holes]
    texts: list[_Text] = []
    for level, lines in sorted(shapes.contours.items()):
        layer = "contours-high" if level > 0 else "contours-low" if level < 0 else "contour-target"
        for line in lines:
            if len(line) < 2:
                continue
            curves.append(_Curve(layer, line * side))
            x, y = (line * side)[len(line) // 2]
            texts.append(_Text(layer, float(x), float(y), _signed(level), _SMALL_MM))
    for zone, lines in shapes.zones:
        curves += [_Curve("zones", line * side) for line in lines if len(line) > 1]
        x, y = zone.x_mm * side[0], zone.y_mm
        told = f"{zone.rank} ({_signed(zone.excess_cents)})"
        if shapes.start_mm is not None:
            start_x, start_y = np.array(shapes.start_mm) * side
            if np.hypot(x - start_x, y - start_y) < 2.0 * _CROSS_MM:  # beside the cross, not on it
                x, y = start_x + 1.2 * _CROSS_MM, start_y + 0.4 * _CROSS_MM
        texts.append(_Text("zones", float(x), float(y), told))
    if shapes.start_mm is not None and shapes.zones:
        x, y = np.array(shapes.start_mm) * side
        for dx, dy in ((_CROSS_MM, 0.0), (0.0, _CROSS_MM)):
            curves.append(_Curve("start", np.array([[x - dx, y - dy], [x + dx, y + dy]])))
    rim = shapes.outline.rim * side
    low, high = rim.min(axis=0), rim.max(axis=0)
    words = _words(shapes, seen_from)
    top = float(high[1]) + _MARGIN_MM + _HEAD_MM * (len(words) - 1)
    texts += [
        _Text("notes", float(low[0]), top - _HEAD_MM * k, line) for k, line in enumerate(words)
    ]
    curves += _check_line(float(low[0]), float(low[1]) - _MARGIN_MM)
    under = float(low[1]) - _MARGIN_MM - _HEAD_MM
    check = f"This line is {CHECK_MM:g} mm long: measure it on the print."
    texts.append(_Text("notes", float(low[0]), under, check))
    longest = 0.6 * max(len(t.words) * t.height_mm for t in texts if t.layer == "notes")
    right = max(float(high[0]), float(low[0]) + longest)
    return _Drawing(
        curves,
        texts,
        np.array([low[0] - _MARGIN_MM, under - _MARGIN_MM]),
        np.array([right + _MARGIN_MM, top + _MARGIN_MM]),
    )


def _signed(cents: float) -> str:
    whole = round(cents)
    return f"{whole:+d}" if whole else "0"


def _words(shapes: MapShapes, seen_from: Face) -> list[str]:
    made = shapes.made
    words = [f"{shapes.name}" + (f", scan {shapes.scan}" if shapes.scan else "")]
    if made is not None:
        words.append(f"{made.face} face, {made.reading} tone against {made.target_name}, in cents")
    words.append(
        "Seen from the inner face (mirrored)"
        if seen_from == "inner"
        else "Seen from the outer face"
    )
    if shapes.zones:
        words.append("Cross: begin here. Numbers: order of the high zones (cents above target)")
    if shapes.simulated:
        words.insert(0, "SIMULATED: there is no such plate")
    return [*words, *shapes.notes]


def _check_line(x: float, y: float) -> Iterator[_Curve]:
    ends = np.array([[x, y], [x + CHECK_MM, y]])
    yield _Curve("notes", ends)
    for end_x, end_y in ends:
        yield _Curve("notes", np.array([[end_x, end_y - 2.0], [end_x, end_y + 2.0]]))


def _svg(drawing: _Drawing) -> str:
    wide, high = drawing.high - drawing.low
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{wide:.4f}mm" '
        f'height="{high:.4f}mm" viewBox="0 0 {wide:.4f} {high:.4f}">',
    ]

    def page(points: FloatArray) -> FloatArray:
        return np.column_stack(
            [points[:, 0] - drawing.low[0], drawing.high[1] - points[:, 1]]
        )  # y runs down the page

    for layer, (colour, width, _) in _LAYERS.items():
        curves = [curve for curve in drawing.curves if curve.layer == layer]
        texts = [text for text in drawing.texts if text.layer == layer]
        if not curves and not texts:
            continue
        lines.append(f'<g id="{layer}" fill="none" stroke="{colour}" stroke-width="{width}">')
        for curve in curves:
            d = " L ".join(f"{x:.5f},{y:.5f}" for x, y in page(curve.points))
            lines.append(f'<path class="{layer}" d="M {d}{" Z" if curve.closed else ""}"/>')
        for text in texts:
            ((x, y),) = page(np.array([[text.x_mm, text.y_mm]]))
            lines.append(
                f'<text x="{x:.3f}" y="{y:.3f}" font-size="{text.height_mm}" fill="{colour}" '
                f'stroke="none" font-family="sans-serif">{escape(text.words)}</text>'
            )
        lines.append("</g>")
    return "\n".join([*lines, "</svg>"]) + "\n"


def _dxf(drawing: _Drawing) -> Any:
    from ezdxf import units
    from ezdxf.filemanagement import new

    file = new("R2010", setup=True)
    file.units = units.MM
    for layer, (_, width, number) in _LAYERS.items():
        file.layers.add(layer, color=number, lineweight=int(100 * width) // 5 * 5)
    space = file.modelspace()
    for curve in drawing.curves:
        points = [(float(x), float(y)) for x, y in curve.points]
        space.add_lwpolyline(points, close=curve.closed, dxfattribs={"layer": curve.layer})
    for text in drawing.texts:
        entity = space.add_text(
            text.words, height=text.height_mm, dxfattribs={"layer": text.layer, "style": "OpenSans"}
        )
        entity.set_placement((text.x_mm, text.y_mm))
    return file
