"""Bars glued inside, as people write them, and whether they can be on this plate."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from rig.model.errors import PlateFactsError
from rig.model.outline import Outline
from rig.model.plate_facts import Bar

LAYOUT = (
    "Write a bar as x1,y1,x2,y2,height,width in mm of the plate frame, such as "
    "-17,55,-21,320,11,5.5; a height that changes from end to end as 3/11/3."
)
_SHORTEST_MM, _LOWEST_MM, _HIGHEST_MM = 20.0, 0.5, 60.0
_OFF_WOOD_MM = 2.0


def bar_of_text(text: str, *, where: str = "") -> Bar:
    """Read x1,y1,x2,y2,height,width and optionally the wood; raises PlateFactsError."""
    parts = [part.strip() for part in text.split(",")]
    if len(parts) not in (6, 7):
        raise PlateFactsError(
            f"The bar “{text}” has {len(parts)} values.", where=where, remedy=LAYOUT
        )
    try:
        x1, y1, x2, y2, width = (float(parts[k]) for k in (0, 1, 2, 3, 5))
        heights = tuple(float(height) for height in parts[4].split("/"))
    except ValueError:
        raise PlateFactsError(
            f"The bar “{text}” holds something that is not a number.", where=where, remedy=LAYOUT
        ) from None
    wood = parts[6].lower() if len(parts) == 7 and parts[6] else None
    return Bar(x1, y1, x2, y2, heights, width, wood)


def text_of_bar(bar: Bar) -> str:
    """The bar as `bar_of_text` reads it."""
    numbers = [_plain(v) for v in (bar.x1_mm, bar.y1_mm, bar.x2_mm, bar.y2_mm)]
    numbers += ["/".join(_plain(v) for v in bar.heights_mm), _plain(bar.width_mm)]
    return ",".join([*numbers, bar.wood] if bar.wood else numbers)


def _plain(value: float) -> str:
    """The number exactly, without a needless point."""
    return repr(float(value)).removesuffix(".0")


def checked_bars(
    bars: Sequence[Bar], outline: Outline | None = None, *, where: str = ""
) -> tuple[Bar, ...]:
    """The bars as they are, or PlateFactsError for one that cannot be."""
    for bar in bars:
        what = _fault(bar) or (None if outline is None else _misplaced(bar, outline))
        if what is not None:
            said = f"The bar {text_of_bar(bar)} {what}."
            raise PlateFactsError(said, where=where, remedy=LAYOUT)
    return tuple(bars)


def _fault(bar: Bar) -> str | None:
    numbers = (bar.x1_mm, bar.y1_mm, bar.x2_mm, bar.y2_mm, bar.width_mm, *bar.heights_mm)
    if not bar.heights_mm or not all(math.isfinite(v) for v in numbers):
        return "holds a value that is not a finite number"
    if bar.length_mm < _SHORTEST_MM:
        return f"is only {bar.length_mm:g} mm long"
    if not _LOWEST_MM <= min(bar.heights_mm) <= max(bar.heights_mm) <= _HIGHEST_MM:
        return f"has a height outside {_LOWEST_MM:g} to {_HIGHEST_MM:g} mm"
    if not _LOWEST_MM <= bar.width_mm <= _HIGHEST_MM:
        return f"has a width outside {_LOWEST_MM:g} to {_HIGHEST_MM:g} mm"
    return None


def _misplaced(bar: Bar, outline: Outline) -> str | None:
    share = np.linspace(0.0, 1.0, 101)[:, None]
    start, end = np.array([bar.x1_mm, bar.y1_mm]), np.array([bar.x2_mm, bar.y2_mm])
    places = start + share * (end - start)
    off = ~outline.contains(places)
    off[off] = outline.edge_distance_mm(places[off]) > _OFF_WOOD_MM
    if not off.any():
        return None
    x, y = places[off][0]
    return f"leaves the wood at ({x:.0f}, {y:.0f}) mm"
