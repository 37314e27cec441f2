"""Closed curves out of drawings: SVG (W3C SVG 1.1) and DXF, in mm, y upwards.

A drawing may hold its curves in pieces: pieces whose ends meet are joined. What stays open is
refused with the size of its gap. Where a drawing has a layer (in SVG: a class) called
`plate-outline`, only that and `plate-sound-holes` are read; our own templates have them, and say
`-mirrored` after both names where they are seen from the inner face.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from rig.model import polygon
from rig.model.errors import OutlineError
from rig.model.units import FloatArray

SUFFIXES = (".svg", ".dxf")
RIM_LAYER, HOLE_LAYER, MIRRORED = "plate-outline", "plate-sound-holes", "-mirrored"
_MM_PER_INCH = 25.4
_PX_PER_INCH = 96.0  # CSS Values and Units 3, section 5.2
_JOIN_MM = 0.1  # ends nearer than this are one point
_FLAT_MM = 0.02  # most that a chord may stand off its curve
_LEAST_AREA_MM2 = 20.0  # smaller closed curves are lettering and crosses
_LONGEST_MM, _SHORTEST_MM = 1500.0, 100.0
_LARGEST_HOLE = 0.15  # of the rim's area
_PHYSICAL = ("mm", "cm", "in", "pt", "pc")
_SIZE_REMEDY = "Draw the plate at true size and save it with its unit."


def read_drawing(path: Path) -> tuple[FloatArray, tuple[FloatArray, ...]]:
    """Rim (n, 2) and holes in the plate frame: lower end at y = 0, centre line at x = 0.

    The neck end must point up in the drawing. Raises OutlineError.
    """
    where = str(path)
    if not path.is_file():
        raise OutlineError("There is no such drawing.", where=where, remedy="Check the path.")
    pieces = _svg_pieces(path) if path.suffix.lower() == ".svg" else _dxf_pieces(path)
    closed, still_open = _joined(pieces)
    closed = [ring for ring in closed if abs(polygon.signed_area_mm2(ring)) > _LEAST_AREA_MM2]
    rim, holes = _rim_and_holes(closed, still_open, where)
    check_size(rim, where)
    wide, high = np.ptp(rim, axis=0)
    if wide > high:
        raise OutlineError(
            f"The drawing lies on its side ({wide:.0f} mm wide, {high:.0f} mm high).",
            where=where,
            remedy="Turn it so that the neck end points up.",
        )
    low = rim.min(axis=0)
    shift = np.array([low[0] + 0.5 * wide, low[1]])
    rim, holes = rim - shift, tuple(hole - shift for hole in holes)
    upper, lower = _bout(rim, rim[:, 1] > 0.6 * high), _bout(rim, rim[:, 1] < 0.4 * high)
    if upper > lower:
        raise OutlineError(
            f"The drawing is wider above ({upper:.0f} mm) than below ({lower:.0f} mm).",
            where=where,
            remedy="Turn it so that the neck end points up, outer face towards you.",
        )
    return rim, holes


def check_size(rim: FloatArray, where: str) -> None:
    """Raise OutlineError for a rim of a size that no plate has; says which unit it may be in."""
    longest = float(np.max(np.ptp(rim, axis=0)))
    if _SHORTEST_MM <= longest <= _LONGEST_MM:
        return
    guesses = {"inches": _MM_PER_INCH, "centimetres": 10.0, "metres": 1000.0,
               "tenths of a millimetre": 0.1, "points": _MM_PER_INCH / 72.0}  # fmt: skip
    fitting = [unit for unit, mm in guesses.items() if 250.0 <= longest * mm <= 900.0]
    raise OutlineError(
        f"The outline would be {longest:.4g} mm long: no plate is."
        + (f" Is it drawn in {' or '.join(fitting)}?" if fitting else ""),
        where=where,
        remedy=_SIZE_REMEDY,
    )


def _bout(rim: FloatArray, here: Any) -> float:
    return float(np.ptp(rim[here, 0])) if np.any(here) else 0.0


def _rim_and_holes(
    closed: list[FloatArray], still_open: list[FloatArray], where: str
) -> tuple[FloatArray, tuple[FloatArray, ...]]:
    """The largest closed curve, and the small ones within it."""
    by_size = sorted(closed, key=lambda ring: -abs(polygon.signed_area_mm2(ring)))
    longest_open = max((float(np.max(np.ptp(p, axis=0))) for p in still_open), default=0.0)
    if not by_size or longest_open > float(np.max(np.ptp(by_size[0], axis=0))):
        if still_open:
            piece = max(still_open, key=lambda p: float(np.max(np.ptp(p, axis=0))))
            gap = float(np.hypot(*(piece[0] - piece[-1])))
            raise OutlineError(
                f"The curve in the drawing is open: its ends lie {gap:.1f} mm apart, at x "
                f"{piece[0, 0]:.1f}, y {piece[0, 1]:.1f} and x {piece[-1, 0]:.1f}, y "
                f"{piece[-1, 1]:.1f} mm of the drawing.",
                where=where,
                remedy=f"Close it in the drawing program (ends within {_JOIN_MM:g} mm).",
            )
        raise OutlineError(
            "The drawing holds no closed curve.",
            where=where,
            remedy="Draw the rim as one closed curve; text and pictures are passed over.",
        )
    rim, rest = by_size[0], by_size[1:]
    area = abs(polygon.signed_area_mm2(rim))
    large = [r for r in rest if abs(polygon.signed_area_mm2(r)) > _LARGEST_HOLE * area]
    if large:
        sizes = ", ".join("{:.0f} × {:.0f} mm".format(*np.ptp(r, axis=0)) for r in [rim, *large])
        raise OutlineError(
            f"The drawing holds several large closed curves ({sizes}).",
            where=where,
            remedy="Leave only the rim and its sound holes: no page frame, no inner line, one "
            "plate.",
        )
    holes = tuple(r for r in rest if bool(np.all(polygon.contains(rim, r))))
    return rim, holes


def _svg_pieces(path: Path) -> list[FloatArray]:
    import svgelements as svg

    where = str(path)
    try:
        drawing = svg.SVG.parse(str(path), reify=True, ppi=_PX_PER_INCH)
    except Exception as problem:  # the parser lets errors of many kinds through
        raise OutlineError(
            f"This is no SVG drawing: {problem}.", where=where, remedy="Save it as plain SVG."
        ) from problem
    if not isinstance(drawing, svg.SVG):
        raise OutlineError("This is no SVG drawing.", where=where, remedy="Save it as plain SVG.")
    sizes = [str(drawing.values.get(name) or "").strip().lower() for name in ("width", "height")]
    if not any(size.endswith(_PHYSICAL) for size in sizes):
        raise OutlineError(
            "The drawing does not say how large it is: its width and height have no unit.",
            where=where,
            remedy="Set the document's size in millimetres (width and height with “mm”).",
        )
    scale = np.array([_MM_PER_INCH / _PX_PER_INCH, -_MM_PER_INCH / _PX_PER_INCH])
    pieces = []
    shapes = [e for e in drawing.elements() if isinstance(e, svg.Shape) and not _unseen(e)]
    wanted, side = _wanted([str(element.values.get("class") or "") for element in shapes])
    scale[0] *= side
    for element, is_wanted in zip(shapes, wanted, strict=True):
        if not is_wanted:
            continue
        for part in svg.Path(element).as_subpaths():
            points = np.array(list(_svg_points(svg.Path(part), svg)), dtype=np.float64)
            if len(points) > 1 and np.all(np.isfinite(points)):
                pieces.append(points * scale)
    return pieces


def _wanted(layers: list[str]) -> tuple[list[bool], float]:
    """Which curves belong to the outline, all where it has no layer; −1.0 for a mirrored one."""
    names = [layer.lower() for layer in layers]
    for after, side in (("", 1.0), (MIRRORED, -1.0)):
        if RIM_LAYER + after in names:
            return [name in (RIM_LAYER + after, HOLE_LAYER + after) for name in names], side
    return [True] * len(layers), 1.0


def _unseen(element: Any) -> bool:
    values = element.values
    style = str(values.get("style") or "").replace(" ", "").lower()
    hidden = values.get("display") == "none" or values.get("visibility") == "hidden"
    return bool(hidden or "display:none" in style or "visibility:hidden" in style)


def _svg_points(part: Any, svg: Any) -> Iterator[tuple[float, float]]:
    for segment in part:
        if isinstance(segment, svg.Move):
            if segment.end is not None:
                yield float(segment.end.x), float(segment.end.y)
            continue
        if segment.end is None:
            continue
        if isinstance(segment, svg.Line | svg.Close):
            yield float(segment.end.x), float(segment.end.y)
            continue
        rough = np.array([(p.x, p.y) for p in (segment.point(t) for t in np.linspace(0, 1, 17))])
        length = float(np.sum(np.hypot(*np.diff(rough, axis=0).T)))
        # steps of about a millimetre: on a bend of 8 mm radius a chord is then 0.016 mm off
        count = max(int(length * _MM_PER_INCH / _PX_PER_INCH) + 1, 4)
        for t in np.linspace(0.0, 1.0, count + 1)[1:]:
            p = segment.point(float(t))
            yield float(p.x), float(p.y)


def _dxf_pieces(path: Path) -> list[FloatArray]:
    from ezdxf import disassemble, units
    from ezdxf.enums import InsertUnits
    from ezdxf.filemanagement import readfile
    from ezdxf.lldxf.const import DXFError
    from ezdxf.path import make_path

    where = str(path)
    try:
        drawing = readfile(str(path))
    except (OSError, DXFError, UnicodeDecodeError, ValueError) as problem:
        raise OutlineError(
            f"This is no DXF drawing: {str(problem).splitlines()[0] if str(problem) else 'empty'}.",
            where=where,
            remedy="Save it as DXF (R12 or later).",
        ) from problem
    # A drawing without unit is taken as millimetres: inches or centimetres would not pass for a
    # plate's size.
    code = int(drawing.header.get("$INSUNITS", 0))
    try:
        unit = InsertUnits(code)
    except ValueError:
        raise OutlineError(
            f"The drawing's unit ($INSUNITS {code}) is not known.", where=where, remedy=_SIZE_REMEDY
        ) from None
    scale = float(units.conversion_factor(unit, InsertUnits.Millimeters)) if code else 1.0
    asleep = {layer.dxf.name for layer in drawing.layers if layer.is_off() or layer.is_frozen()}
    pieces = []
    entities = [
        entity
        for entity in disassemble.recursive_decompose(drawing.modelspace())
        if entity.dxf.get("layer", "0") not in asleep and not entity.dxf.get("invisible", 0)
    ]
    wanted, side = _wanted([str(entity.dxf.get("layer", "0")) for entity in entities])
    for entity, is_wanted in zip(entities, wanted, strict=True):
        if not is_wanted:
            continue
        try:
            curve = make_path(entity)
        except TypeError:  # text, dimensions and the like
            continue
        for part in curve.sub_paths():
            points = np.array([(v.x, v.y) for v in part.flattening(_FLAT_MM / scale)], dtype=float)
            if len(points) > 1 and np.all(np.isfinite(points)):
                pieces.append(points * (side * scale, scale))
    return pieces


def _joined(pieces: list[FloatArray]) -> tuple[list[FloatArray], list[FloatArray]]:
    """Pieces with meeting ends put together: closed curves, and what stays open."""
    closed: list[FloatArray] = []
    left = []
    for piece in pieces:
        if len(piece) > 3 and _meet(piece[0], piece[-1]):
            closed.append(piece[:-1])
        else:
            left.append(piece)
    still_open: list[FloatArray] = []
    while left:
        chain = left.pop()
        grown = True
        while grown and not (len(chain) > 3 and _meet(chain[0], chain[-1])):
            grown = False
            for k, other in enumerate(left):
                if _meet(chain[-1], other[0]):
                    chain, grown = np.vstack([chain, other[1:]]), True
                elif _meet(chain[-1], other[-1]):
                    chain, grown = np.vstack([chain, other[-2::-1]]), True
                elif _meet(chain[0], other[-1]):
                    chain, grown = np.vstack([other, chain[1:]]), True
                elif _meet(chain[0], other[0]):
                    chain, grown = np.vstack([other[::-1], chain[1:]]), True
                if grown:
                    del left[k]
                    break
        if len(chain) > 3 and _meet(chain[0], chain[-1]):
            closed.append(chain[:-1])
        else:
            still_open.append(chain)
    return closed, still_open


def _meet(a: FloatArray, b: FloatArray) -> bool:
    return bool(np.hypot(*(a - b)) <= _JOIN_MM)
